"""Level, crest, DC and drift, on signals whose levels follow from their formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.measurements.test_noise import words
from vocheck.measurements import level
from vocheck.recording import Recording

RATE = 48_000


def sine(amplitude: float, seconds: float = 10.0, hz: float = 300.0) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    return (amplitude * np.sin(2 * np.pi * hz * t)).astype(np.float32)


def test_a_steady_sine_has_its_closed_form_levels():
    """RMS and active level -3.01 dB below the peak; the crest is those 3.01 dB."""
    found = level.measure(Recording(sine(0.5), RATE))
    assert found.rms_dbfs == pytest.approx(20 * math.log10(0.5) - 3.0103, abs=1e-3)
    # 0.05 dB: the envelope of P.56 takes 0.1 of 10 s to pass its threshold.
    assert found.active_dbfs == pytest.approx(20 * math.log10(0.5) - 3.0103, abs=0.05)
    assert found.crest_db == pytest.approx(3.0103, abs=0.05)
    assert abs(found.dc_offset) < 1e-6


def test_a_full_scale_square_is_0_dbfs():
    """The reference of dBFS: RMS of a full-scale square wave, with a crest of 0 dB."""
    x = np.where(np.arange(5 * RATE) % 480 < 240, 1.0, -1.0).astype(np.float32)
    found = level.measure(Recording(x, RATE))
    assert found.rms_dbfs == pytest.approx(0.0, abs=1e-6)
    assert found.crest_db == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("offset", [0.01, -0.002])
def test_a_dc_offset_is_read_with_its_sign_and_on_the_worst_channel(offset):
    """The mean of the samples, as a fraction of full scale and as a level."""
    x = np.stack([sine(0.1), sine(0.1) + np.float32(offset)], axis=1)
    found = level.measure(Recording(x, RATE))
    # 1e-6: whole periods of the sine, in single precision.
    assert found.dc_offset == pytest.approx(offset, abs=1e-6)
    assert found.dc_dbfs == pytest.approx(20 * math.log10(abs(offset)), abs=0.01)


@pytest.mark.parametrize("drift_db", [-6.0, 0.0, 6.0])
def test_a_steady_drift_is_read(drift_db):
    """Equal words under a gain that changes evenly from the first to the last sample of speech."""
    x = words(20.0)
    spoken = np.flatnonzero(np.abs(x) > 1e-3)
    ramp = np.interp(np.arange(len(x)), (spoken[0], spoken[-1]), (0.0, drift_db))
    found = level.measure(Recording((x * 10 ** (ramp / 20)).astype(np.float32), RATE))
    # 0.5 dB: windows hold whole and half words.
    assert found.slope_db == pytest.approx(drift_db, abs=0.5)


def test_equal_words_hardly_spread_and_unequal_ones_do():
    """Words of one level spread by less than 2 dB; alternating by 10 dB they spread by 8 to 12."""
    x = words(20.0)
    t = np.arange(len(x)) / RATE
    steady = level.measure(Recording(x, RATE))
    gain = np.where((t - 0.6) % 3.2 < 1.6, 1.0, 10 ** (-10 / 20))
    uneven = level.measure(Recording((x * gain).astype(np.float32), RATE))
    assert steady.spread_db < 2.0
    assert 8.0 < uneven.spread_db < 12.0


def test_a_short_take_has_no_slope():
    """Two words say nothing about a drift, and the result says why."""
    found = level.measure(Recording(words(3.0), RATE))
    assert found.slope_db is None
    assert "are needed" in found.not_measured["slope_db"]


def test_silence_is_minus_infinity():
    """Levels of silence are -inf; there is no crest."""
    found = level.measure(Recording(np.zeros(RATE, np.float32), RATE))
    assert found.active_dbfs == found.rms_dbfs == -math.inf
    assert found.crest_db is None
