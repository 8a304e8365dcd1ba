"""A reading does not depend on how a stream is cut, and a maximum not on a grid."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.conformance.meters import loudness, true_peak
from vocheck.dsp.kweighting import k_weighting_sections
from vocheck.errors import AudioError
from vocheck.measurements.loudness import LoudnessMeter
from vocheck.measurements.true_peak import TruePeakMeter

RATES = (8000, 11025, 22050, 37800, 44100, 48000, 96000)


def speech_like(rate_hz: int, seconds: float, seed: int = 0) -> np.ndarray:
    """Return noise that swells and rests like speech, shape (frames, 2)."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * rate_hz)
    knots = rng.uniform(-60.0, -10.0, int(seconds * 8) + 2)
    level = np.interp(np.arange(frames) / rate_hz * 8, np.arange(len(knots)), knots)
    x = rng.standard_normal((frames, 2)) * 10.0 ** (level[:, np.newaxis] / 20.0)
    return x.astype(np.float32)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("largest", [500, 5000, 200000])
def test_blocks_of_any_size(rate: int, largest: int) -> None:
    """Random cuts give exactly the numbers of one piece."""
    x = speech_like(rate, 7.77)
    meter, peak = LoudnessMeter(rate, 2), TruePeakMeter(2, rate)
    rng = np.random.default_rng(largest)
    start = 0
    while start < len(x):
        size = int(rng.integers(0, largest))
        meter.feed(x[start : start + size])
        peak.feed(x[start : start + size])
        start += size
    summary = meter.result().summary(range_of_short=True)
    assert summary == loudness(x, rate).summary(range_of_short=True)
    assert peak.result() == true_peak(x, rate)


def test_reading_between_blocks() -> None:
    """A meter may be read at any time, and goes on as if it had not been."""
    x = speech_like(48000, 9.0)
    meter, peak = LoudnessMeter(48000, 2), TruePeakMeter(2, 48000)
    for second in range(9):
        block = x[second * 48000 : (second + 1) * 48000]
        meter.feed(block)
        peak.feed(block)
        so_far = x[: (second + 1) * 48000]
        assert meter.result().summary() == loudness(so_far, 48000).summary()
        assert peak.result() == true_peak(so_far, 48000)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("steps_s", "name"), [(0.4, "momentary"), (3.0, "short_term")])
def test_maxima_against_every_sample(rate: int, steps_s: float, name: str) -> None:
    """The loudest window is that of a search over every sample, in double precision."""
    from scipy.signal import sosfilt

    # Single bursts, where a grid of 10 ms misses the most.
    for seed in range(4):
        x = speech_like(rate, 5.0, seed)
        rng = np.random.default_rng(seed)
        burst = round(rng.uniform(0.2, 0.6) * rate)
        x[rate : rate + burst] += rng.standard_normal((burst, 2)).astype(np.float32)
        y = sosfilt(k_weighting_sections(rate), x.astype(np.float64), axis=0)
        total = np.concatenate(([0.0], np.cumsum(np.square(y).sum(axis=1))))
        length = round(steps_s * rate)
        window = (total[length:] - total[:-length]) / length
        expected = -0.691 + 10 * math.log10(window.max())
        summary = loudness(x, rate).summary()
        level = getattr(summary, f"{name}_max_lufs")
        # 0.015 LU is what the search may leave, and no window can be louder than the loudest.
        assert expected - 0.016 <= level <= expected + 0.0005
        # The window that was found has that loudness.
        start = round((getattr(summary, f"{name}_max_s") - steps_s / 2) * rate)
        assert -0.691 + 10 * math.log10(window[start]) == pytest.approx(level, abs=0.001)


def test_series_over_time() -> None:
    """The series of momentary and short-term loudness have a value per step, and its level."""
    x = speech_like(48000, 10.0)
    reading = loudness(x, 48000)
    assert len(reading.momentary_lufs()) == 97  # closed form: (10 - 0.4) / 0.1 + 1
    assert len(reading.momentary_lufs(0.01)) == 961
    assert len(reading.short_term_lufs()) == 71
    assert reading.momentary_lufs(0.01)[::10] == pytest.approx(reading.momentary_lufs())


@pytest.mark.parametrize("gain_db", [-40.0, 6.0, 30.0])
def test_gain_law(gain_db: float) -> None:
    """A gain moves every level by itself, and leaves the range and the times."""
    x = speech_like(48000, 8.0)
    before = loudness(x, 48000).summary(range_of_short=True)
    after = loudness(x * np.float32(10 ** (gain_db / 20)), 48000).summary(range_of_short=True)
    for field in ("momentary_max_lufs", "short_term_max_lufs"):
        assert getattr(after, field) == pytest.approx(getattr(before, field) + gain_db, abs=1e-4)
    assert after.momentary_max_s == pytest.approx(before.momentary_max_s, abs=1e-3)
    if gain_db > 0:  # a large cut takes soft blocks below the absolute gate
        assert after.integrated_lufs == pytest.approx(before.integrated_lufs + gain_db, abs=1e-4)
        assert after.range_lu == pytest.approx(before.range_lu, abs=1e-4)


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_not_a_number_is_refused(bad: float) -> None:
    """A sample that is no number is an error, not a reading."""
    x = speech_like(48000, 6.0)
    x[100000, 1] = bad
    with pytest.raises(AudioError, match="not a number"):
        loudness(x, 48000)
    with pytest.raises(AudioError, match="not a number"):
        true_peak(x, 48000)


def test_other_number_of_channels_is_refused() -> None:
    """A block that does not fit the meter is an error."""
    with pytest.raises(AudioError, match="for 2 channels"):
        LoudnessMeter(48000, 2).feed(np.zeros((100, 1), np.float32))
