"""True peak: the standard's own signals, and readers against long interpolation.

Run as ``python -m tests.accuracy.true_peak``.
"""

from __future__ import annotations

import math

import numpy as np
import pyebur128
import soxr

from tests.accuracy.sections import write_section
from tests.conformance.meters import true_peak
from tests.conformance.signals import RATES, burst, faded
from tests.conformance.test_other_meters import ffmpeg, libebur128
from tests.conformance.test_tech3341 import ROWS_OF_TRUE_PEAK
from tests.material.carriers import carriers

GRID = 16
"""Points between samples: at 0.2 of the rate such a grid misses 0.003 dB at most."""


def level(x: np.ndarray, rate: int) -> float:
    """Return the reading of a signal, shape (frames,)."""
    found = true_peak(x.astype(np.float32)[:, np.newaxis], rate).level_dbtp
    assert found is not None
    return found


def standard() -> list[str]:
    """Return rows of the cases of EBU Tech 3341 and of ITU-R BS.1770."""
    rows = []
    for row, (divisor, amplitude, degrees, dbtp) in ROWS_OF_TRUE_PEAK.items():
        readings = []
        for rate in RATES:
            phase = 2.0 * np.pi * np.arange(rate // 5) / divisor + np.deg2rad(degrees)
            readings.append(level(faded(amplitude * np.sin(phase), rate), rate))
        name = f"Tech 3341, {row}: tone of 1/{divisor} of the rate"
        rows.append(_row(name, dbtp, readings))
    for row in (20, 21, 22, 23):
        readings = [level(burst(rate, row - 20)[:, 0], rate) for rate in RATES]
        rows.append(_row(f"Tech 3341, {row}: one loud period", 0.0, readings))
    n = np.arange(-2000, 2001)
    readings = [
        level(np.cos(2 * np.pi * 0.45 * (n - shift / 32)) * np.hanning(len(n)), 48_000)
        for shift in range(17)
    ]
    rows.append(_row("tone of 0.45 of the rate, 17 places between samples", 0.0, readings))
    return rows


def _row(name: str, dbtp: float, readings: list[float]) -> str:
    off = [reading - dbtp for reading in readings]
    return f"| {name} | {dbtp:+.1f} | {min(off):+.3f} .. {max(off):+.3f} |"


def others() -> list[str]:
    """Return rows of the differences on readers, clipped as well: the hardest case for a grid."""
    apart: dict[str, list[float]] = {}
    for carrier in carriers():
        x = carrier.samples / np.abs(carrier.samples).max()
        for kind, signal in (("as recorded", x), ("clipped by 6 dB", np.clip(2.0 * x, -1, 1))):
            y = (0.5 * signal).astype(np.float32)
            mine = level(y, carrier.rate)
            fine = soxr.resample(y.astype(np.float64), 1, GRID, quality="VHQ")
            state = libebur128(y[:, np.newaxis], carrier.rate, "MODE_TRUE_PEAK")
            both = np.repeat(y[:, np.newaxis], 2, axis=1)
            linear = max(frame.get("true_peaks_ch0", 0.0) for frame in ffmpeg(both, carrier.rate))
            for name, peak in (
                (f"libsoxr, {GRID} points a sample", float(np.abs(fine).max())),
                ("libebur128 (pyebur128)", pyebur128.get_true_peak(state, 0)),
                ("FFmpeg's ebur128", linear),
            ):
                apart.setdefault(f"{name} | {kind}", []).append(mine - 20 * math.log10(peak))
    return [f"| {name} | {min(found):+.3f} .. {max(found):+.3f} |" for name, found in apart.items()]


def main() -> None:
    """Measure and write the section."""
    text = "\n".join(
        [
            "The signals of EBU Tech 3341, made from their descriptions, and a tone where ITU-R"
            " BS.1770-5, annex 2, attachment 1, says how far a grid reads low; at"
            f" {', '.join(f'{rate / 1000:g}' for rate in RATES)} kHz. Allowed are +0.2 and -0.4 dB."
            " Nothing was tuned.",
            "",
            "| signal | asked, dBTP | reading less that, dB |",
            "|---|---|---|",
            *standard(),
            "",
            f"Other meters on {len(carriers())} readers at their own rates, our reading less"
            " theirs:",
            "",
            "| meter | readers | dB |",
            "|---|---|---|",
            *others(),
            "",
            "libebur128 and FFmpeg read between samples at four points, and so lower where the"
            " wave has sharp corners; libsoxr leaves out what lies just below half the rate, which"
            " clipped samples fill.",
        ]
    )
    write_section("true_peak", "True peak", text)


if __name__ == "__main__":
    main()
