"""Recall and precision of dropouts, over lengths.

Run as ``python -m tests.accuracy.dropouts``.
"""

from __future__ import annotations

import numpy as np
import soxr

from tests.accuracy.carriers import TESTED_ON, carriers
from tests.accuracy.sections import write_section
from tests.speech import Speech
from vocheck.measurements import dropouts
from vocheck.recording import Recording

ZERO_MS = (0.5, 1.0, 3.0, 10.0, 30.0, 100.0)
REPEAT_FRAMES = (64, 128, 256, 441, 480, 1000, 1024, 4096)
PER_CARRIER = 6
WITHIN_S = 0.005
CHANGES = {"": "as recorded", "-20 dB": "20 dB lower", "96000": "resampled to 96 kHz"}


def damaged(
    carrier: Speech, kind: str, frames: int, rng: np.random.Generator
) -> tuple[np.ndarray, list[int]]:
    """Return a copy with faults of one kind inside speech, and the frames where they start.

    A place counts as speech where the level of the fault's surroundings is within 20 dB of the
    active speech level.
    """
    x, rate = carrier.samples.copy(), carrier.rate
    least = 10 ** ((Recording(x, rate).active_level.dbfs - 20) / 10)
    side = round(0.005 * rate)
    places: list[int] = []
    for _ in range(2000):
        if len(places) == PER_CARRIER:
            break
        place = int(rng.integers(rate // 4 + frames, len(x) - rate // 4 - frames))
        around = carrier.samples[place - side : place + frames + side]
        if np.mean(around**2) < least:
            continue
        if any(abs(place - other) < 3 * frames + rate // 10 for other in places):
            continue
        x[place : place + frames] = (
            0.0 if kind == "zero-run" else carrier.samples[place - frames : place]
        )
        places.append(place)
    return x, places


def row(kind: str, length: float, change: str = "") -> tuple[float, float]:
    """Return recall and precision of faults of `length` (ms of zeros, or frames repeated)."""
    rng = np.random.default_rng(9)
    hit = missed = false = 0
    for carrier in carriers():
        rate = carrier.rate
        frames = round(length * rate / 1000) if kind == "zero-run" else int(length)
        x, places = damaged(carrier, kind, frames, rng)
        if change == "-20 dB":
            x = x * np.float32(0.1)
        elif change:
            x, rate = soxr.resample(x, rate, int(change), "HQ"), int(change)
        events = dropouts.measure(Recording(x, rate)).events
        true_s = [place / carrier.rate for place in places]
        for time in true_s:
            near = [e for e in events if abs(e.start_s - time) < WITHIN_S and e.kind == kind]
            hit += bool(near)
            missed += not near
        false += sum(all(abs(e.start_s - time) >= WITHIN_S for time in true_s) for e in events)
    return hit / (hit + missed), hit / max(1, hit + false)


def main() -> None:
    """Measure and write the section."""
    tables = []
    for kind, lengths, unit in (
        ("zero-run", ZERO_MS, "ms"),
        ("repeat", REPEAT_FRAMES, "samples"),
    ):
        tables += [
            f"| {kind}, {unit} | " + " | ".join(f"{n:g}" for n in lengths) + " |",
            "|---" * (len(lengths) + 1) + "|",
        ]
        for change, name in CHANGES.items():
            cells = [row(kind, n, change) for n in lengths]
            tables.append(
                f"| {name}: recall / precision | "
                + " | ".join(f"{r:.2f} / {p:.2f}" for r, p in cells)
                + " |"
            )
        tables.append("")
    minutes = sum(carrier.duration_s for carrier in carriers()) / 60
    false = sum(len(dropouts.measure(Recording(c.samples, c.rate)).events) for c in carriers())
    text = "\n".join(
        [
            *tables,
            f"In {minutes:.1f} minutes of untouched takes {false} dropouts were found.",
            "",
            "Six faults a take, at random places whose surroundings are within 20 dB of the active"
            " speech level. A repeat plays the samples just before it again.",
            "",
            TESTED_ON,
        ]
    )
    write_section("dropouts", "Dropouts", text)


if __name__ == "__main__":
    main()
