"""EBU Tech 3341 (2023), Table 1: the minimum requirements of an "EBU mode" meter.

Expected readings and tolerances are published: +-0.1 LU, and +0.2/-0.4 dB for the true peak. Rows 7
and 8 are real programmes that only the EBU distributes. Rows 10 and 13 are 20 files each, for
meters of files; 11 and 14 are the same as one sequence, for live meters.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.conformance.meters import loudness, true_peak
from tests.conformance.signals import RATES, Samples, burst, faded, tone
from vocheck.measurements.loudness import LoudnessReading

TOLERANCE_LU = 0.1  # Table 1
pytestmark = pytest.mark.parametrize("rate", RATES)

ROWS_OF_STEADY_TONE = {1: -23.0, 2: -33.0}
ROWS_OF_GATES = {
    3: [(10, -36), (60, -23), (10, -36)],
    4: [(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)],
    5: [(20, -26), (20.1, -20), (20, -26)],
}


def near(lufs: float) -> object:
    return pytest.approx(lufs, abs=TOLERANCE_LU)


def loudest(reading: LoudnessReading, what: str) -> float:
    value = getattr(reading.summary(), f"{what}_max_lufs")
    assert value is not None
    return float(value)


@pytest.mark.parametrize("row", ROWS_OF_STEADY_TONE)
def test_rows_1_and_2_steady_tone(rate: int, row: int) -> None:
    """Momentary, short-term and integrated loudness of a steady tone agree with its level."""
    level = ROWS_OF_STEADY_TONE[row]
    reading = loudness(tone(rate, [(20, level)]), rate)
    assert reading.integrated_lufs == near(level)
    for series in (reading.momentary_lufs(), reading.short_term_lufs()):
        assert (series.min(), series.max()) == (near(level), near(level))
    assert loudest(reading, "momentary") == near(level)
    assert loudest(reading, "short_term") == near(level)


@pytest.mark.parametrize("row", ROWS_OF_GATES)
def test_rows_3_to_5_gates(rate: int, row: int) -> None:
    """Quiet stretches are gated out of the integrated loudness."""
    assert loudness(tone(rate, ROWS_OF_GATES[row]), rate).integrated_lufs == near(-23.0)


@pytest.mark.parametrize("lfe_dbfs", [None, -math.inf, -10.0])
def test_row_6_surround(rate: int, lfe_dbfs: float | None) -> None:
    """Five channels are weighted; the low-frequency effects count for nothing."""
    levels = (-28.0, -28.0, -24.0, -30.0, -30.0)
    amplitudes = 10.0 ** (np.array(levels, np.float32) / 20.0)
    x = tone(rate, [(20, 0.0)], channels=1) * amplitudes
    layout = ["FL", "FR", "FC", "SL", "SR"]
    if lfe_dbfs is not None:
        lfe = tone(rate, [(20, lfe_dbfs)], frequency_hz=60, channels=1)
        x = np.hstack((x[:, :3], lfe, x[:, 3:]))
        layout.insert(3, "LFE")
    assert loudness(x, rate, layout).integrated_lufs == near(-23.0)


def test_row_9_short_term_is_steady(rate: int) -> None:
    """Short-term loudness of a tone that switches every 3 s in all is constant after 3 s."""
    series = loudness(tone(rate, [(1.34, -20), (1.66, -30)] * 5), rate).short_term_lufs(0.01)
    assert (series.min(), series.max()) == (near(-23.0), near(-23.0))


@pytest.mark.parametrize("file", range(20))
def test_row_10_short_term_maximum(rate: int, file: int) -> None:
    """The loudest 3 s are found wherever they begin."""
    x = tone(rate, [(file * 0.15, None), (3, -23), (1, None)])
    assert loudest(loudness(x, rate), "short_term") == near(-23.0)


def test_row_11_short_term_sequence(rate: int) -> None:
    """The short-term maximum of each of 20 bursts is its level."""
    parts = [
        part for i in range(20) for part in ((i * 0.15, None), (3, -38.0 + i), (3 - i * 0.15, None))
    ]
    series = loudness(tone(rate, parts), rate).short_term_lufs(0.01)
    # Window i ends at i * 10 ms + 3 s; a burst's unit lasts 6 s.
    for i in range(20):
        ends = slice(max(0, i * 600 - 300), i * 600 + 300)
        assert series[ends].max() == near(-38.0 + i)


def test_row_12_momentary_is_steady(rate: int) -> None:
    """Momentary loudness of a tone that switches every 0.4 s in all is constant after 1 s."""
    series = loudness(tone(rate, [(0.18, -20), (0.22, -30)] * 25), rate).momentary_lufs(0.01)
    assert (series[60:].min(), series[60:].max()) == (near(-23.0), near(-23.0))


@pytest.mark.parametrize("file", range(20))
def test_row_13_momentary_maximum(rate: int, file: int) -> None:
    """The loudest 400 ms are found wherever they begin."""
    x = tone(rate, [(file * 0.02, None), (0.4, -23), (1, None)])
    assert loudest(loudness(x, rate), "momentary") == near(-23.0)


def test_row_14_momentary_sequence(rate: int) -> None:
    """The momentary maximum of each of 20 bursts is its level."""
    parts = [
        part
        for i in range(20)
        for part in ((i * 0.02, None), (0.4, -38.0 + i), (0.4 - i * 0.02, None))
    ]
    series = loudness(tone(rate, parts), rate).momentary_lufs(0.01)
    for i in range(20):
        ends = slice(max(0, i * 80 - 40), i * 80 + 40)
        assert series[ends].max() == near(-38.0 + i)


ROWS_OF_TRUE_PEAK = {  # divisor of the sample rate, amplitude, phase in degrees, dBTP
    15: (4, 0.50, 0.0, -6.0),
    16: (4, 0.50, 45.0, -6.0),
    17: (6, 0.50, 60.0, -6.0),
    18: (8, 0.50, 67.5, -6.0),
    19: (4, 1.41, 45.0, 3.0),
}


def assert_true_peak(x: Samples, rate: int, dbtp: float) -> None:
    level = true_peak(x, rate).level_dbtp
    assert level is not None
    assert dbtp - 0.4 <= level <= dbtp + 0.2  # Table 1


@pytest.mark.parametrize("row", ROWS_OF_TRUE_PEAK)
def test_rows_15_to_19_true_peak_of_tones(rate: int, row: int) -> None:
    """The peak of a tone is read between its samples."""
    divisor, amplitude, degrees, dbtp = ROWS_OF_TRUE_PEAK[row]
    phase = 2.0 * np.pi * np.arange(rate // 5) / divisor + np.deg2rad(degrees)
    x = faded(amplitude * np.sin(phase), rate)
    assert_true_peak(np.repeat(x[:, np.newaxis], 2, axis=1).astype(np.float32), rate, dbtp)


@pytest.mark.parametrize("row", [20, 21, 22, 23])
def test_rows_20_to_23_true_peak_of_a_burst(rate: int, row: int) -> None:
    """A single loud period is read whichever way the samples fall on it."""
    assert_true_peak(burst(rate, row - 20), rate, 0.0)


def test_section_2_9_calibration(rate: int) -> None:
    """A 1 kHz tone of -18 dBFS in both channels reads -18.0 LUFS (clause 2.9)."""
    assert loudness(tone(rate, [(20, -18)]), rate).integrated_lufs == near(-18.0)
