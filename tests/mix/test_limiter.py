"""The limiter: sines below and above the ceiling, its timing, and that no peak passes it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from vocheck.dsp.peak_envelope import PeakEnvelope
from vocheck.mix.limiter import Ride, Timing, gain_of, step_frames

TIMING = Timing(attack_s=0.005, hold_s=0.030, release_db_per_s=20.0)


def limited(samples: np.ndarray, ceiling_db: float, rate: int) -> tuple[np.ndarray, np.ndarray]:
    """Return samples (frames, channels) behind the limiter, and its gain by step."""
    step, ceiling = step_frames(rate), 10 ** (ceiling_db / 20)
    meter = PeakEnvelope(samples.shape[1], step, 0.8 * ceiling)
    meter.feed(samples)
    gain = gain_of(meter.result(), ceiling, TIMING, step / rate)
    ride, done = Ride(gain, step), []
    for start in range(0, len(samples), 4999):
        block = samples[start : start + 4999]
        factor = ride.next(len(block))
        done.append(block if factor is None else block * factor[:, None])
    return np.concatenate(done), gain


def sine(frequency: float, rate: int, seconds: float = 2.0) -> np.ndarray:
    """Return a sine, faded in and out: one that is cut off has higher peaks at the cut."""
    t = np.arange(round(seconds * rate)) / rate
    fade = signal.windows.tukey(len(t), 0.02 / seconds)
    return (fade * np.sin(2 * np.pi * frequency * t))[:, None]


def distortion_db(samples: np.ndarray, frequency: float, rate: int) -> float:
    """Return what is left when the sine of that frequency is taken away, against it."""
    t = np.arange(len(samples)) / rate
    basis = np.stack([np.sin(2 * np.pi * frequency * t), np.cos(2 * np.pi * frequency * t)], axis=1)
    fit, *_ = np.linalg.lstsq(basis, samples, rcond=None)
    rest = samples - basis @ fit
    return float(10 * np.log10(np.mean(rest**2) / np.mean(samples**2) + 1e-30))


@pytest.mark.parametrize("frequency", [20.0, 997.0, 15000.0])
def test_a_sine_below_the_ceiling_is_not_touched(frequency: float):
    """Bit for bit: the distortion is none at all."""
    samples = 0.5 * sine(frequency, 48000)
    assert np.array_equal(limited(samples, -6.0, 48000)[0], samples)


@pytest.mark.parametrize(("frequency", "rate"), [(20.0, 48000), (50.0, 44100), (997.0, 96000)])
def test_a_steady_sine_above_it_is_turned_down_and_not_bent(frequency: float, rate: int):
    """From 20 Hz on the gain stays: below -60 dB of distortion, in the middle, ends left out."""
    done, _ = limited(sine(frequency, rate), -6.0, rate)
    middle = done[rate // 2 : -rate // 2, 0]
    assert distortion_db(middle, frequency, rate) < -60.0
    assert 20 * np.log10(np.abs(middle).max()) == pytest.approx(-6.0, abs=0.02)


def test_attack_hold_and_release_are_those_that_are_stated():
    """One loud cycle: down in 5 ms before it, held 30 ms, then back by 20 dB a second."""
    rate = 48000
    samples = np.zeros((2 * rate, 1))
    samples[rate : rate + 48, 0] = np.sin(2 * np.pi * np.arange(48) / 48)
    _, gain = limited(samples, -6.0, rate)
    reduction = -20 * np.log10(gain.astype(float))
    step_s = step_frames(rate) / rate
    moved = np.flatnonzero(reduction > 0.01) * step_s
    deep = np.flatnonzero(reduction > 5.99) * step_s
    assert reduction.max() == pytest.approx(6.0, abs=0.05)
    assert 0.003 < deep[0] - moved[0] < 0.008
    assert deep[0] < 1.0
    assert 0.027 < deep[-1] - 1.0 < 0.040
    slope = np.diff(reduction[(np.arange(len(gain)) * step_s > 1.1)][:100]) / step_s
    assert slope == pytest.approx(-20.0, abs=0.1)


def test_the_gain_never_moves_at_an_audible_rate():
    """On a loud chord over a 40 Hz hum the gain has nothing above 1 kHz: -80 dB of its movement."""
    rate = 48000
    t = np.arange(3 * rate) / rate
    swell = 0.5 + 0.5 * np.sin(2 * np.pi * 1.3 * t) ** 2
    tones = sum(np.sin(2 * np.pi * f * t) for f in (40.0, 311.0, 523.0)) / 3
    samples = (swell * tones)[:, None]
    step = step_frames(rate)
    meter = PeakEnvelope(1, step, 0.01)
    meter.feed(samples)
    gain = gain_of(meter.result(), 0.4, TIMING, step / rate)
    ride = Ride(gain, step)
    curve = ride.next(len(samples))
    assert curve is not None
    spectrum = np.abs(np.fft.rfft((curve - curve.mean()) * np.hanning(len(curve)))) ** 2
    high = spectrum[np.fft.rfftfreq(len(curve), 1 / rate) > 1000.0].sum()
    assert 10 * np.log10(high / spectrum.sum()) < -80.0


@pytest.mark.parametrize("rate", [8000, 44100, 48000, 96000])
def test_no_peak_passes_the_ceiling(rate: int):
    """Noise bursts to 0.4 of the rate, by scipy's Fourier method, 8-fold: never 0.05 dB above."""
    rng = np.random.default_rng(rate)
    white = rng.standard_normal((rate, 2))
    soft = signal.lfilter(signal.firwin(301, 0.8), 1.0, white, axis=0)
    bursts = np.repeat(rng.uniform(size=50) ** 3, rate // 50)[:, None]
    samples = soft[: len(bursts)] * bursts
    samples /= np.abs(samples).max()
    done, gain = limited(samples, -9.0, rate)
    fine = signal.resample(done, 8 * len(done), axis=0)
    assert 20 * np.log10(np.abs(fine).max()) < -8.95
    assert gain.min() > 10 ** (-11.0 / 20)  # between samples the bursts rise above 0 dBFS
