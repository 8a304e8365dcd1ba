"""Faults planted into clean takes: clicks, clipping, hum, breath blasts, gates, sharp esses."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from tests.material.speech import Speech

RATE = 48_000
BLOCK = 48  # samples: the level is followed in steps of 1 ms
SIZE, HOP = 1024, 256  # of the noise reduction's windows
HARMONICS = 10
# Strength of the n-th multiple: a ground loop, a transformer (even ones), a dimmer's buzz.
SPECTRA = (
    lambda n: 1.0 / n,
    lambda n: (1.0 if n % 2 == 0 else 0.2) / n,
    lambda n: 0.3 if n < 3 else 0.5,
)
TOLERANCE_S = 0.03
"""Of the labels of sibilants: aligned ones are right to 25 ms, hand-made ones to 15 ms."""


def digital_click(rng: np.random.Generator) -> np.ndarray:
    """Return one to three wrong samples of peak 1."""
    wrong = rng.uniform(0.4, 1.0, rng.integers(1, 4))
    return wrong / wrong.max() * rng.choice([-1.0, 1.0])


def mouth_click(rate: int, rng: np.random.Generator) -> np.ndarray:
    """Return a tick of peak 1: one to three decaying resonances of 1-7 kHz, 0.8-6 ms long."""
    length_s = rng.uniform(0.0008, 0.006)
    t = np.arange(int(2.5 * length_s * rate) + 8) / rate
    tick = np.zeros(len(t))
    for _ in range(rng.integers(1, 4)):
        hz = rng.uniform(1000.0, 7000.0)
        wave = np.sin(2 * np.pi * hz * t + rng.uniform(0, 2 * np.pi))
        tick += rng.uniform(0.3, 1.0) * wave * np.exp(-t / (length_s / 4))
    tick *= 1 - np.exp(-t / rng.uniform(0.00005, 0.0003))
    return tick / np.abs(tick).max()


def clip(x: npt.NDArray[np.floating], share: float) -> tuple[npt.NDArray[np.floating], int]:
    """Return `x` clipped so that `share` of its samples are cut, and how many those are."""
    ceiling = np.quantile(np.abs(x), 1.0 - share)
    return np.clip(x, -ceiling, ceiling), int(np.count_nonzero(np.abs(x) >= ceiling))


def mains(frames: int, hz: float, kind: int, rng: np.random.Generator) -> np.ndarray:
    """Return hum whose frequency wanders by 0.02 Hz, with random strengths and phases."""
    t = np.arange(frames) / RATE
    wander = 0.02 * np.sin(2 * np.pi * t / 17.0 + rng.uniform(0, 6))
    phase = 2 * np.pi * np.cumsum(hz + wander) / RATE
    return sum(
        SPECTRA[kind](n) * rng.uniform(0.5, 1.0) * np.sin(n * phase + rng.uniform(0, 6))
        for n in range(1, HARMONICS + 1)
    )


def _as_recorded(
    x: npt.NDArray[np.float64], rate: int, corner_hz: float
) -> npt.NDArray[np.float64]:
    """Return `x` after a second-order high-pass (the microphone), loudest 40 ms at an RMS of 1."""
    s = 1j * np.fft.rfftfreq(4 * len(x), 1 / rate) / corner_hz
    x = np.fft.irfft(np.fft.rfft(x, 4 * len(x)) * s**2 / (1 + 1.414 * s + s**2))[: 2 * len(x)]
    window = np.ones(round(0.04 * rate))
    return x / np.sqrt(np.convolve(x**2, window / len(window)).max())


def noise_burst(rate: int, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Return a blast made of a half cycle of 15-40 Hz and low-passed noise (turbulence)."""
    attack, decay = rng.uniform(0.003, 0.010), rng.uniform(0.012, 0.040)
    frames = round(0.25 * rate)
    t = np.arange(frames) / rate
    hz = np.fft.rfftfreq(frames, 1 / rate)
    corner = rng.uniform(30, 80)
    spectrum = np.fft.rfft(rng.standard_normal(frames)) / (1 + (hz / corner) ** 2)
    noise = np.fft.irfft(spectrum, frames)
    envelope = np.minimum(t / attack, 1) * np.exp(-np.maximum(t - attack, 0) / decay)
    f = rng.uniform(15, 40)
    half = np.sin(2 * np.pi * f * t) * (t < 0.5 / f) * rng.choice([-1, 1])
    return _as_recorded(0.5 * envelope * noise / noise.std() + half, rate, rng.uniform(20, 40))


def ringing_spike(rate: int, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Return a one-sided spike of 8-15 ms and the ringing of a shock mount at 14-22 Hz after it.

    So look the natural pops of a close-miked reader.
    """
    frames = round(0.4 * rate)
    t = np.arange(frames) / rate
    width, f, decay = rng.uniform(0.008, 0.015), rng.uniform(14, 22), rng.uniform(0.04, 0.07)
    spike = np.sin(np.pi * np.minimum(t / width, 1)) ** 2
    ringing = np.where(t > width, np.sin(2 * np.pi * f * (t - width)) * np.exp(-t / decay), 0)
    return _as_recorded(rng.choice([-1, 1]) * (spike - 0.5 * ringing), rate, 20.0)


def envelope_db(x: np.ndarray, release_s: float = 0.08) -> np.ndarray:
    """Return the level of `x` every 1 ms: it rises at once and falls with a release time."""
    whole = len(x) // BLOCK * BLOCK
    power = np.square(x[:whole].astype(np.float64)).reshape(-1, BLOCK).mean(axis=1)
    keep = np.exp(-0.001 / release_s)
    # The running maximum of power[i] * keep^(n - i), in the logarithm.
    index = np.arange(len(power))
    held = np.maximum.accumulate(np.log(power + 1e-18) - index * np.log(keep)) + index * np.log(
        keep
    )
    return 10.0 / np.log(10.0) * held


def turned_down(x: np.ndarray, gain_db: np.ndarray) -> np.ndarray:
    """Return `x` under a gain given every 1 ms, smoothed over 10 ms."""
    gain = np.repeat(10.0 ** (gain_db / 20.0), BLOCK)
    gain = np.pad(gain, (0, len(x) - len(gain)), mode="edge")
    window = np.hanning(482)[1:-1]
    padded = np.pad(gain, 240, mode="edge")
    total = np.fft.irfft(
        np.fft.rfft(padded, 2 * len(padded)) * np.fft.rfft(window / window.sum(), 2 * len(padded))
    )
    return (x * np.maximum(total[479 : 479 + len(x)], 0.0)).astype(np.float32)


def spectral(x: np.ndarray, gain: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> np.ndarray:
    """Return `x` under a gain per bin that is made from its power and that of its noise.

    The noise is the mean over the half second before the first word.
    """
    window = np.sqrt(np.hanning(SIZE + 1)[:-1])
    padded = np.pad(x.astype(np.float64), SIZE)
    spectra = np.fft.rfft(
        np.lib.stride_tricks.sliding_window_view(padded, SIZE)[::HOP] * window, axis=1
    )
    power = np.abs(spectra) ** 2 + 1e-30
    noise = power[6 : round(0.5 * RATE / HOP)].mean(axis=0)
    out = np.zeros(len(padded))
    for i, frame in enumerate(np.fft.irfft(spectra * gain(power, noise), SIZE, axis=1) * window):
        out[i * HOP : i * HOP + SIZE] += frame
    return (out[SIZE : SIZE + len(x)] / 2.0).astype(np.float32)


def with_bell(voice: Speech, gain_db: float, centre_hz: float = 6700.0, q: float = 1.2) -> Speech:
    """Return the voice through a peaking filter (5-9 kHz), as a brighter microphone would give.

    Peaking filter after R. Bristow-Johnson, "Cookbook formulae for audio EQ biquad filter
    coefficients" (W3C Note, 2021).
    """
    from scipy.signal import lfilter

    a = 10 ** (gain_db / 40)
    w = 2 * np.pi * centre_hz / voice.rate
    alpha = np.sin(w) / (2 * q)
    b = [1 + alpha * a, -2 * np.cos(w), 1 - alpha * a]
    c = [1 + alpha / a, -2 * np.cos(w), 1 - alpha / a]
    samples = lfilter(b, c, voice.samples).astype(np.float32)
    return Speech(voice.name, samples, voice.rate, voice.phones)
