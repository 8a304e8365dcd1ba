"""Takes of real readers in rooms and noise, for the detectors that are trained on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
import soxr
from scipy.signal import butter, oaconvolve, sosfilt

from vocheck.audio.codecs import Coding, RoundTrip
from vocheck.voice.level import active_level

Samples = npt.NDArray[np.float32]

SPEECH_DBFS = -23.0
CODINGS = (
    *(("aac", 96), ("aac", 128), ("aac", 192), ("mp3", 128), ("mp3", 192), ("opus", 64)),
    *(("opus", 96), ("mp3", 96), ("aac", 64)),
)
_COLORS = ("white", "pink", "room", "brown", "tilt")


@dataclass(frozen=True, eq=False)
class Reader:
    """One person: sentences at one rate and at the same level."""

    name: str
    rate: int
    sentences: tuple[Samples, ...]


@dataclass(frozen=True, eq=False)
class Reading:
    """Sentences parted by the reader's own room, and where nobody speaks (in seconds)."""

    samples: Samples
    rate: int
    gaps_s: tuple[tuple[float, float], ...]


def readers(folder: Path) -> list[Reader]:
    """Return the readers of a folder of ``SPEAKER_NUMBER.flac``, by name."""
    files: dict[str, list[Path]] = {}
    for file in sorted(folder.glob("*_*.flac")):
        files.setdefault(file.name.partition("_")[0], []).append(file)
    found = []
    for name, own in sorted(files.items()):
        loaded = [soundfile.read(file, dtype="float32", always_2d=True) for file in own]
        found.append(reader(name, [x[:, 0] for x, _ in loaded], loaded[0][1]))
    return found


def reader(name: str, sentences: Sequence[Samples], rate: int) -> Reader:
    """Return a reader whose sentences are brought to `SPEECH_DBFS`."""
    centered = [x - x.mean() for x in sentences]
    gains = [10.0 ** ((SPEECH_DBFS - active_level(x, rate).dbfs) / 20.0) for x in centered]
    leveled = [(x * gain).astype(np.float32) for x, gain in zip(centered, gains, strict=True)]
    return Reader(name, rate, tuple(leveled))


def rms(x: npt.ArrayLike) -> float:
    return float(np.sqrt(np.mean(np.square(x, dtype=np.float64)) + 1e-30))


def resampled(x: Samples, rate: int, new: int) -> Samples:
    return x.astype(np.float32) if rate == new else soxr.resample(x.astype("f4"), rate, new, "HQ")


def read(reader: Reader, rng: np.random.Generator, seconds: tuple[float, float]) -> Reading:
    """Return sentences in random order, parted by the reader's own room noise."""
    wanted = rng.uniform(*seconds) * reader.rate
    rate, parts, gaps, total = reader.rate, [], [], 0
    order = list(rng.permutation(len(reader.sentences)))
    fade = np.linspace(0.0, 1.0, int(0.01 * rate))
    while total < wanted:
        index = order.pop(0) if order else int(rng.integers(len(reader.sentences)))
        x = reader.sentences[index] * 10.0 ** (rng.normal(0.0, 1.0) / 20.0)
        gap = int(rng.uniform(0.3, 0.9) * rate)
        room = _like(_softest(x, rate), gap, rng)
        x[: len(fade)] *= fade
        x[-len(fade) :] *= fade[::-1]
        gaps.append((total, total + gap))
        parts += [room, x]
        total += gap + len(x)
    gap = int(rng.uniform(0.3, 0.9) * rate)
    parts.append(_like(_softest(reader.sentences[index], rate), gap, rng))
    gaps.append((total, total + gap))
    spans = tuple((start / rate, end / rate) for start, end in gaps)
    return Reading(np.concatenate(parts).astype(np.float32), rate, spans)


def _softest(x: Samples, rate: int) -> Samples:
    """Return the softest fifth of a second."""
    size = int(0.2 * rate)
    if len(x) < 3 * size:
        return x[:size]
    sums = np.concatenate(([0.0], np.cumsum(np.square(x, dtype=np.float64))))
    start = int(np.argmin(sums[size:][:: size // 8] - sums[:-size][:: size // 8])) * (size // 8)
    return x[start : start + size]


def _like(x: Samples, frames: int, rng: np.random.Generator) -> Samples:
    """Return noise with the spectrum of `x`."""
    window = np.hanning(len(x))
    size = np.abs(np.fft.rfft(x * window)) / np.sqrt(np.sum(window**2))
    shape = np.interp(np.linspace(0, 1, frames // 2 + 1), np.linspace(0, 1, len(size)), size)
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(frames)) * shape, frames)
    return noise.astype(np.float32)


def noise(frames: int, rate: int, rng: np.random.Generator) -> Samples:
    """Return noise of RMS 1 and of any color; some of it swells, some of it hums."""
    kind = str(rng.choice(_COLORS))
    hz = np.fft.rfftfreq(frames, 1 / rate)
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    low = np.maximum(hz, 20.0)
    shapes = {
        "white": np.ones_like(hz),
        "pink": low**-0.5,
        "room": np.hypot(1.0, 500.0 / low),
        "brown": 1.0 / low,
        "tilt": low ** rng.uniform(-0.8, 0.3) / (1.0 + (low / rng.uniform(2000, 16000)) ** 2),
    }
    x = np.fft.irfft(np.where(hz >= 20.0, spectrum * shapes[kind], 0.0), frames)
    if rng.random() < 0.4:
        turns = max(2, int(frames / rate / rng.uniform(0.3, 2.0)))
        swell_db = rng.normal(0.0, rng.uniform(0.5, 3.0), turns + 1)
        at = np.linspace(0, frames, turns + 1)
        x *= 10.0 ** (np.interp(np.arange(frames), at, swell_db) / 20.0)
    if rng.random() < 0.3:
        base = rng.choice([50.0, 60.0, rng.uniform(80, 400)])
        t = np.arange(frames) / rate
        hum = sum(np.sin(2 * np.pi * base * k * t + k) / k for k in range(1, 9))
        x += rms(x) * rng.uniform(0.1, 1.0) * hum
    return (x / rms(x)).astype(np.float32)


def room(rng: np.random.Generator, rate: int) -> npt.NDArray[np.float64]:
    """Return the response of a small room: noise that dies away behind a direct sound."""
    rt60, direct_db = rng.uniform(0.1, 0.45), rng.uniform(2.0, 16.0)
    frames = int(rt60 * rate * 1.1)
    h = rng.standard_normal(frames) * 10.0 ** (-3.0 * np.arange(frames) / rate / rt60)
    h[: int(0.002 * rate)] = 0.0
    h *= 10.0 ** (-direct_db / 20.0) / np.sqrt(np.sum(h**2))
    h[0] = 1.0
    return h


def coded(x: Samples, rate: int, coding: Coding) -> Samples:
    """Return what a lossy codec leaves."""
    own = rate if rate in (44_100, 48_000) else 48_000
    trip = RoundTrip(coding, own, 1)
    y = resampled(x, rate, own)[:, np.newaxis].astype(np.float64)
    decoded = np.concatenate([*trip.feed(y), *trip.finish()])[:, 0]
    back = resampled(decoded.astype(np.float32), trip.rate_hz, rate)
    return np.pad(back, (0, max(0, len(x) - len(back))))[: len(x)]


def finished(x: Samples, rate: int, rng: np.random.Generator, codec_share: float) -> Samples:
    """Return a take after a low cut, tone, compression, gain, codec and 16 bits, each at times."""
    if rng.random() < 0.3:
        x = sosfilt(butter(2, rng.uniform(50, 100), "high", fs=rate, output="sos"), x)
    if rng.random() < 0.3:
        spectrum, hz = np.fft.rfft(x), np.fft.rfftfreq(len(x), 1 / rate)
        tilt_db = rng.uniform(-6.0, 6.0)
        at = np.log2(np.maximum(hz, 50.0) / rng.uniform(500, 3000))
        x = np.fft.irfft(spectrum * 10.0 ** (tilt_db / 20.0 * np.clip(at / 2, -1, 1)), len(x))
    if rng.random() < 0.12:
        width = rate // 100
        level = np.sqrt(np.convolve(np.square(x), np.ones(width) / width, "same") + 1e-12)
        x = x * np.minimum(1.0, (level / rms(x)) ** -0.5) * 1.5
    x = (x * 10.0 ** (rng.uniform(-10.0, 5.0) / 20.0)).astype(np.float32)
    peak = float(np.abs(x).max())
    if peak > 0.95:
        x = x * np.float32(0.95 / peak)
    if rng.random() < codec_share:
        x = coded(x, rate, Coding(*CODINGS[int(rng.integers(len(CODINGS)))]))
    if rng.random() < 0.6:
        x = np.round(x * 32768) / 32768
    return x.astype(np.float32)


def in_small_room(x: Samples, rate: int, rng: np.random.Generator) -> Samples:
    return oaconvolve(x, room(rng, rate))[: len(x)].astype(np.float32)
