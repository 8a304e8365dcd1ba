"""Takes with and without a ceiling, behind what may happen to a recording afterwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import minimum_filter1d, uniform_filter1d
from scipy.signal import butter, oaconvolve, sosfilt

from tests.training import takes
from tests.training.takes import CODINGS, SPEECH_DBFS, Reader, Samples
from vocheck.audio.codecs import Coding

KINDS = ("clean", "clipped", "limited", "driven")
CHAINS = {
    "codec": 0.35, "low cut": 0.25, "low cut, codec": 0.15, "resampled": 0.1, "tone": 0.1,
    "room": 0.05,
}  # fmt: skip
"""What comes after the ceiling, and how often."""
_SECONDS = (3.0, 12.0)
_CLIPPED_SHARES = (1e-3, 5e-2)
_LIMITED_DB = (1.0, 10.0)


@dataclass(frozen=True, eq=False)
class Take:
    """One take.

    Attributes
    ----------
    samples : ndarray of float32, shape (frames,)
    rate : int
    kind, chain : str
    share : float
        Share of the samples that stood above the ceiling; 0 without one.
    """

    samples: Samples
    rate: int
    kind: str
    chain: str
    share: float


def take(reader: Reader, kind: str, seed: int) -> Take:
    """Return a take of one of `KINDS`."""
    rng = np.random.default_rng(seed)
    longest = float(np.exp(rng.uniform(*np.log(_SECONDS))))
    reading = takes.read(reader, rng, (longest, longest))
    rate = int(rng.choice((44_100, 48_000)))
    x = takes.resampled(reading.samples, reading.rate, rate)
    x = x[: len(x) // (rate // 10) * (rate // 10)]  # transforms of prime length take a second
    x = as_recorded(x, rate, rng)
    x, share = ceiling(x, rate, kind, rng)
    chain = str(rng.choice(list(CHAINS), p=list(CHAINS.values())))
    x, rate = processed(x, rate, chain, rng)
    return Take(x, rate, kind, chain, share)


def as_recorded(x: Samples, rate: int, rng: np.random.Generator) -> Samples:
    """Return `x` in a room and noise, some of it compressed or after a low cut."""
    if rng.random() < 0.35:
        x = takes.in_small_room(x, rate, rng)
    if rng.random() < 0.25:
        x = compressed(x, rate, rng.uniform(0.2, 0.6))
    if rng.random() < 0.3:
        x = low_cut(x, rate, rng)
    gain = 10.0 ** ((SPEECH_DBFS - rng.uniform(35, 70)) / 20.0)
    return (x + takes.noise(len(x), rate, rng) * np.float32(gain)).astype(np.float32)


def compressed(x: Samples, rate: int, exponent: float) -> Samples:
    """Turn down what is louder than the mean by a share of its level in dB."""
    width = rate // 200
    level = np.sqrt(np.convolve(np.square(x), np.ones(width) / width, "same") + 1e-12)
    return (x * np.minimum(1.0, (level / takes.rms(x)) ** -exponent)).astype(np.float32)


def low_cut(x: Samples, rate: int, rng: np.random.Generator) -> Samples:
    order = int(rng.choice([1, 2, 2, 4]))
    filtered = sosfilt(butter(order, rng.uniform(40, 130), "high", fs=rate, output="sos"), x)
    return filtered.astype(np.float32)


def ceiling(x: Samples, rate: int, kind: str, rng: np.random.Generator) -> tuple[Samples, float]:
    """Return `x` under a ceiling, and which share of it stood above."""
    if kind == "clean":
        return x, 0.0
    if kind == "clipped":
        share = float(np.exp(rng.uniform(*np.log(_CLIPPED_SHARES))))
        if rng.random() < 0.25:  # one polarity, as an offset does
            sign = 1.0 if rng.random() < 0.5 else -1.0
            return sign * np.minimum(sign * x, np.quantile(sign * x, 1.0 - share)), share
        top = np.quantile(np.abs(x), 1.0 - share)
        return np.clip(x, -top, top), share
    if kind == "driven":
        drive = rng.uniform(1.2, 4.0)
        return np.tanh(drive * x / np.abs(x).max()).astype(np.float32), 0.0
    depth_db = rng.uniform(*_LIMITED_DB)
    top = float(np.abs(x).max()) * 10.0 ** (-depth_db / 20.0)
    share = float(np.mean(np.abs(x) > top))
    limited = _looking_ahead if rng.random() < 0.5 else _releasing
    return limited(x, rate, top, rng), share


def _looking_ahead(x: Samples, rate: int, top: float, rng: np.random.Generator) -> Samples:
    gain = np.minimum(1.0, top / np.maximum(np.abs(x), 1e-9))
    width = max(2, int(rate * rng.uniform(0.001, 0.008)))
    return (x * uniform_filter1d(minimum_filter1d(gain, 2 * width + 1), width)).astype(np.float32)


def _releasing(x: Samples, rate: int, top: float, rng: np.random.Generator) -> Samples:
    """Limit at once, and let go slowly."""
    step = rate // 4000
    blocks = len(x) // step
    peaks = np.abs(x[: blocks * step]).reshape(-1, step).max(axis=1)
    needed = np.minimum(1.0, top / np.maximum(peaks, 1e-9))
    needed = minimum_filter1d(needed, 2 * int(rng.uniform(2, 12)) + 1)
    keep = float(np.exp(-1.0 / (4000.0 * rng.uniform(0.02, 0.2))))
    gains, now = np.empty(blocks), 1.0
    for i, value in enumerate(needed.tolist()):
        now = min(value, 1.0 - (1.0 - now) * keep)
        gains[i] = now
    every = np.interp(np.arange(len(x)), (np.arange(blocks) + 0.5) * step, gains)
    return np.clip(x * every, -1.02 * top, 1.02 * top).astype(np.float32)


def processed(x: Samples, rate: int, chain: str, rng: np.random.Generator) -> tuple[Samples, int]:
    """Return `x` after one of `CHAINS`, at a random level, and its rate."""
    if "low cut" in chain:
        x = low_cut(x, rate, rng)
    elif chain == "tone":
        spectrum, hz = np.fft.rfft(x), np.fft.rfftfreq(len(x), 1 / rate)
        at = np.log2(np.maximum(hz, 50.0) / rng.uniform(500, 5000)) / 2.0
        gain = 10.0 ** (rng.uniform(-6.0, 6.0) / 20.0 * np.clip(at, -1.0, 1.0))
        x = np.fft.irfft(spectrum * gain, len(x))
    elif chain == "room":
        x = oaconvolve(x, takes.room(rng, rate))[: len(x)]
    elif chain == "resampled":
        new = int(rng.choice([16_000, 22_050, 32_000, 44_100, 48_000, 96_000]))
        x, rate = takes.resampled(x, rate, new), new
    x = (x * (10.0 ** (rng.uniform(-12.0, -0.3) / 20.0) / np.abs(x).max())).astype(np.float32)
    if "codec" in chain:
        x = takes.coded(x, rate, Coding(*CODINGS[int(rng.integers(len(CODINGS)))]))
    else:
        x = np.round(x * 32768) / 32768
    return x.astype(np.float32), rate
