"""Joins in pauses: what stands out at them, cut or crossfaded, in the middle or where it is least.

Run as ``python -m tests.accuracy.joins``.
"""

from __future__ import annotations

import tempfile
from itertools import combinations
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import butter, sosfilt

from tests.accuracy.sections import write_section
from tests.material.carriers import carriers
from vocheck.edit.fades import crossfade
from vocheck.edit.joins import Side, best_place
from vocheck.policy.every import Policy
from vocheck.recording import Recording
from vocheck.voice.activity import activity_of

FADE_S = Policy().edit.lengths["crossfade"].seconds
AROUND_S = 0.1
"""Of each pause, beside the join: what a click would stand out of."""
FRAME_S = 0.005
PAIRS = 12
"""Of the pauses of each reader, drawn with a seed."""
GAINS_DB = (0.0, 6.0)
"""The second take as it is, and turned up: its noise then steps at the join."""
LEAST_PAUSE_S = 0.3
TREBLE_HZ = 4000.0
AUDIBLE_DB = 6.0
"""What stands out of steady noise by so much is counted; frames of 5 ms of noise above 4 kHz
scatter by less than 3 dB."""


def treble_db(x: np.ndarray, rate: int) -> np.ndarray:
    """Return the level above 4 kHz in frames of 5 ms, half-overlapping."""
    high = sosfilt(butter(4, TREBLE_HZ, "high", fs=rate, output="sos"), x)
    size = round(FRAME_S * rate)
    frames = np.lib.stride_tricks.sliding_window_view(high, size)[:: size // 2]
    return 10 * np.log10(np.square(frames).mean(axis=1) + 1e-16)


def put_together(a: np.ndarray, b: np.ndarray, out: int, into: int, fade: int, rate: int):
    """Return a join with what is around it, and the two pauses there as they are."""
    around, half = round(AROUND_S * rate), fade // 2
    left, right = a[out - around : out - half], b[into + fade - half : into + around]
    mixed = crossfade(a[out - half : out - half + fade], b[into - half : into - half + fade])
    both = a[out - around : out + half], b[into - half : into + around]
    return np.concatenate([left, mixed, right]), both


def stands_out_db(x: np.ndarray, pauses: tuple[np.ndarray, np.ndarray], rate: int) -> float:
    """Return by how much the loudest frame of a join is above the loudest of both pauses."""
    return float(treble_db(x, rate).max() - max(treble_db(p, rate).max() for p in pauses))


def measure() -> tuple[dict[tuple[str, float], list[float]], list[float], int, int]:
    """Return what stands out, by the way of joining and the gain; the power; readers and joins."""
    found: dict[tuple[str, float], list[float]] = {}
    power: list[float] = []
    rng = np.random.default_rng(1)
    readers = joins = 0
    with tempfile.TemporaryDirectory() as root:
        for carrier in carriers():
            x, rate = carrier.samples.astype(np.float64), carrier.rate
            spans = activity_of(Recording(x.astype(np.float32), rate)).phrases
            pauses = [
                (a[1], b[0])
                for a, b in zip(spans, spans[1:], strict=False)
                if b[0] - a[1] >= LEAST_PAUSE_S
            ]
            pairs = list(combinations(pauses, 2))
            if not pairs:
                continue
            readers += 1
            chosen = rng.permutation(len(pairs))[:PAIRS]
            for number, (first, second) in enumerate(pairs[i] for i in chosen):
                for gain in GAINS_DB:
                    ends = x, x * 10 ** (gain / 20)
                    sides = []
                    for name, samples, pause in zip("ab", ends, (first, second), strict=True):
                        path = Path(root, f"{readers}_{number}_{name}.wav")
                        soundfile.write(path, samples, rate, "DOUBLE")
                        start, end = (round(t * rate) for t in pause)
                        middle = (start + end) // 2
                        sides.append(
                            Side(
                                path=str(path),
                                rate_hz=rate,
                                frames=len(x),
                                channel=0,
                                start=start,
                                middle=middle,
                                end=end,
                            )
                        )
                    fade = round(FADE_S * rate)
                    middles = sides[0].middle, sides[1].middle
                    best = best_place(*sides, FADE_S)
                    ways = {
                        "cut in the middle": (middles, 0),
                        "crossfade in the middle": (middles, fade),
                        "crossfade where both differ least": (best, fade),
                    }
                    for way, ((out, into), length) in ways.items():
                        made, both = put_together(*ends, out, into, length, rate)
                        value = stands_out_db(made, both, rate)
                        found.setdefault((way, gain), []).append(value)
                    joins += 1
                    if not gain:
                        power.append(_power_db(*ends, *best, fade))
                    for side in sides:
                        Path(side.path).unlink()
    return found, power, readers, joins


def _power_db(a: np.ndarray, b: np.ndarray, out: int, into: int, fade: int) -> float:
    """Return the power of a crossfade against what the powers of both sides make together."""
    half = fade // 2
    left, right = a[out - half :][:fade], b[into - half :][:fade]
    angle = (np.arange(fade) + 0.5) / fade * np.pi / 2
    expected = (
        np.cos(angle) ** 2 * np.square(left).mean() + np.sin(angle) ** 2 * np.square(right).mean()
    ).mean()
    return float(10 * np.log10(np.square(crossfade(left, right)).mean() / expected))


def main() -> None:
    """Measure and write the section."""
    found, power, readers, joins = measure()
    rows = [
        "| joined by | second take | stands out, median dB | worst dB "
        f"| more than {AUDIBLE_DB:g} dB |",
        "|---|---|---|---|---|",
    ]
    for (way, gain), values in sorted(found.items(), key=lambda item: (item[0][1], item[0][0])):
        over = sum(value > AUDIBLE_DB for value in values)
        level = f"{gain:+g} dB" if gain else "as it is"
        rows.append(
            f"| {way} | {level} | {np.median(values):+.1f} | {max(values):+.1f} "
            f"| {over} of {len(values)} |"
        )
    text = "\n".join(
        [
            f"{joins} joins between pauses of {LEAST_PAUSE_S:g} s and more of {readers} readers;"
            " nothing was tuned on them. Stands out: the loudest 5 ms above 4 kHz within"
            f" {AROUND_S:g} s of the join, against the loudest of both pauses as they are. A join"
            " without a trace reads 0 dB or less.",
            "",
            *rows,
            "",
            "Power of the crossfade where both differ least, against the power of the two sides"
            f" laid together: {np.mean(power):+.2f} dB in the mean of {len(power)} joins, each"
            f" between {min(power):+.2f} and {max(power):+.2f} dB: 10 ms of noise that lies mostly"
            " below 500 Hz hold few independent values. Noise that is alike by chance is what the"
            " fade takes off; noise of opposite sign it does not make louder.",
        ]
    )
    write_section("joins", "Joins", text)


if __name__ == "__main__":
    main()
