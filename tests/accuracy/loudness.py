"""Loudness: the standards' own signals, and other meters on readers.

Run as ``python -m tests.accuracy.loudness``.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pyebur128
import pyloudnorm

from tests.accuracy.sections import write_section
from tests.conformance.meters import loudness
from tests.conformance.signals import RATES, tone
from tests.conformance.test_bs1770 import k_weighting_at_48_khz
from tests.conformance.test_other_meters import ffmpeg, libebur128
from tests.conformance.test_tech3341 import ROWS_OF_GATES
from tests.conformance.test_tech3342 import ROWS as ROWS_OF_RANGE
from tests.material.carriers import carriers
from vocheck.dsp.resample import resample
from vocheck.measurements.loudness import LoudnessReading

FREQUENCIES_HZ = (25, 100, 500, 1000, 2000, 10_000)
Reading = Callable[[LoudnessReading], float]


def integrated(reading: LoudnessReading) -> float:
    return reading.integrated_lufs


def loudest(what: str) -> Reading:
    return lambda reading: float(getattr(reading.summary(), f"{what}_max_lufs"))


def surround(rate: int) -> LoudnessReading:
    """Return the reading of row 6: five channels at their own levels."""
    levels = np.array((-28.0, -28.0, -24.0, -30.0, -30.0), np.float32)
    x = tone(rate, [(20, 0.0)], channels=1) * 10.0 ** (levels / 20.0)
    return loudness(x, rate, ["FL", "FR", "FC", "SL", "SR"])


def cases() -> dict[str, tuple[float, Callable[[int], list[float]]]]:
    """Return what is asked and how it is read at a rate, by the name of the case."""

    def of(parts: list, read: Reading) -> Callable[[int], list[float]]:
        return lambda rate: [read(loudness(tone(rate, parts), rate))]

    def moved(step_s: float, length_s: float, what: str) -> Callable[[int], list[float]]:
        return lambda rate: [
            loudest(what)(
                loudness(tone(rate, [(n * step_s, None), (length_s, -23), (1, None)]), rate)
            )
            for n in range(20)
        ]

    found: dict[str, tuple[float, Callable[[int], list[float]]]] = {
        "Tech 3341, 1: steady tone": (-23.0, of([(20, -23)], integrated)),
        "Tech 3341, 2: softer tone": (-33.0, of([(20, -33)], integrated)),
    }
    for row, parts in ROWS_OF_GATES.items():
        found[f"Tech 3341, {row}: gates"] = (-23.0, of(parts, integrated))
    found["Tech 3341, 6: five channels"] = (-23.0, lambda rate: [surround(rate).integrated_lufs])
    found["Tech 3341, 10: loudest 3 s, 20 files"] = (-23.0, moved(0.15, 3, "short_term"))
    found["Tech 3341, 13: loudest 0.4 s, 20 files"] = (-23.0, moved(0.02, 0.4, "momentary"))
    for hz in FREQUENCIES_HZ:
        level = -23.0 + 0.691 - float(k_weighting_at_48_khz(np.array([float(hz)]))[0])
        found[f"as ITU-R BS.2217: tone of {hz} Hz"] = (
            -23.0,
            lambda rate, hz=hz, level=level: [
                loudness(tone(rate, [(5, level)], frequency_hz=hz), rate).integrated_lufs
            ],
        )
    for row, (parts, range_lu) in ROWS_OF_RANGE.items():
        found[f"Tech 3342, {row}: loudness range"] = (
            range_lu,
            of(parts, lambda reading: float(reading.range_lu)),
        )
    return found


def others() -> list[str]:
    """Return rows of the greatest difference from other meters, over all readers at 48 kHz."""
    apart: dict[str, list[float]] = {}
    for carrier in carriers():
        x = resample(carrier.samples, carrier.rate, 48_000)[:, np.newaxis]
        x = (0.9 * x / np.abs(x).max()).astype(np.float32)
        reading = loudness(x, 48_000)
        mine = reading.integrated_lufs
        state = libebur128(x, 48_000)
        frames = [frame for frame in ffmpeg(x, 48_000, "mono") if "I" in frame]
        whole = pyloudnorm.Meter(48_000, filter_class="DeMan")
        theirs = {
            "libebur128 (pyebur128): integrated": pyebur128.get_loudness_global(state) - mine,
            "FFmpeg's ebur128: integrated": frames[-1]["I"] - mine,
            "pyloudnorm, published filter: integrated": (
                whole.integrated_loudness(x[: len(x) // 4800 * 4800])
                - loudness(x[: len(x) // 4800 * 4800], 48_000).integrated_lufs
            ),
            "FFmpeg's ebur128: momentary, every 0.1 s": _most_apart(
                reading.momentary_lufs(), [frame["M"] for frame in frames][3:]
            ),
            "FFmpeg's ebur128: short-term, every 0.1 s": _most_apart(
                reading.short_term_lufs(), [frame["S"] for frame in frames][29:]
            ),
        }
        for name, difference in theirs.items():
            apart.setdefault(name, []).append(abs(difference))
    return [f"| {name} | {max(found):.3f} |" for name, found in apart.items()]


def _most_apart(mine: np.ndarray, theirs: list[float]) -> float:
    count = min(len(mine), len(theirs))
    a, b = mine[:count], np.array(theirs[:count])
    heard = a > -60.0  # below, its three decimals and our rounding differ in what is silence
    return float(np.abs(a - b)[heard].max(initial=0.0))


def main() -> None:
    """Measure and write the section."""
    lines = ["| signal | asked | greatest error, LU | allowed |", "|---|---|---|---|"]
    for name, (asked, read) in cases().items():
        readings = [value for rate in RATES for value in read(rate)]
        allowed = 1.0 if "3342" in name else 0.1
        error = max(abs(value - asked) for value in readings)
        lines.append(f"| {name} | {asked:g} | {error:.3f} | {allowed:g} |")
    text = "\n".join(
        [
            "The signals that EBU Tech 3341, Tech 3342 and ITU-R BS.2217 describe, made from their"
            " descriptions (their real programmes only the EBU and the ITU give out), at"
            f" {', '.join(f'{rate / 1000:g}' for rate in RATES)} kHz. Nothing was tuned.",
            "",
            *lines,
            "",
            f"Other meters on {len(carriers())} readers of which nothing was tuned on, one channel"
            " at 48 kHz, the highest sample at 0.9:",
            "",
            "| meter | greatest difference, LU |",
            "|---|---|",
            *others(),
            "",
            "FFmpeg sums a histogram of 0.01 LU. Where meters differ by design (rates below 48"
            " kHz, ends of files, the range), `tests/conformance/test_other_meters.py` shows it.",
        ]
    )
    write_section("loudness", "Loudness", text)


if __name__ == "__main__":
    main()
