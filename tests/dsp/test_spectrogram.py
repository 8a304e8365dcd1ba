"""The shared power spectrogram against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from vocheck.dsp.spectrogram import power_spectrogram


@pytest.mark.parametrize("rate", [8_000, 16_000, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("hz", [250.0, 1000.0, 3100.0])
def test_a_sine_has_half_the_square_of_its_amplitude(rate, hz):
    """The bins around a sine add up to its mean square (closed form), whatever the rate."""
    x = (0.5 * np.sin(2 * np.pi * hz * np.arange(rate) / rate)).astype(np.float32)
    found = power_spectrogram(x, rate)
    inside = (found.times_s > 0.05) & (found.times_s < 0.95)
    # 1 %: what a Hann window of 21 ms leaks beyond +-200 Hz, and single precision.
    np.testing.assert_allclose(found.band(hz - 200, hz + 200)[inside], 0.125, rtol=0.01)


def test_all_bins_add_up_to_the_power_of_noise():
    """Parseval: the mean over frames of the sum over bins is the mean square."""
    x = np.random.default_rng(7).standard_normal(10 * 48_000).astype(np.float32)
    found = power_spectrogram(x, 48_000)
    # 1 %: three standard deviations of the mean square over 10 s are 0.6 %.
    assert found.power[10:-10].sum(axis=1).mean() == pytest.approx(1.0, rel=0.01)


@pytest.mark.parametrize("rate", [11_025, 44_100, 48_000])
def test_frames_keep_time(rate):
    """A click is strongest in the frame whose time is the click's, also after a minute."""
    x = np.zeros(60 * rate, np.float32)
    x[round(59.0 * rate)] = 1.0
    found = power_spectrogram(x, rate)
    loudest = found.times_s[int(found.power.sum(axis=1).argmax())]
    assert loudest == pytest.approx(59.0, abs=0.004)  # half a hop, and a sample
