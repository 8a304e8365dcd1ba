"""Takes: a dry voice in a simulated room, with the noise and the small differences of real ones."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from tests.material.dry_voices import RATE_HZ, Voice
from tests.material.simulated_rooms import Room, varied
from vocheck.voice.speech_decays import Decays, find_decays

Signal = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Take:
    """What was found in one take, and what is true of it.

    `altered` is a take in a varied room or through a gate, made for learning alone.
    """

    decays: Decays
    room: Room
    voice: str
    snr_db: float
    altered: bool = False


def random_takes(
    rooms: Sequence[Room],
    voices: Sequence[Voice],
    count: int,
    seed: int,
    processes: int | None = None,
) -> list[Take]:
    """Return takes of 2 to 20 s at 15 to 62 dB SNR, every room in turn, real voices preferred."""
    with ProcessPoolExecutor(processes, initializer=_share, initargs=(rooms, voices, seed)) as pool:
        return list(pool.map(_random_take, range(count), chunksize=20))


# Shares of the takes in a varied room, through a gate, and with clicks or dropouts.
_VARIED, _GATED, _FAULTY = 0.6, 0.1, 0.4
_PACES = (17, 26)  # see `record`

_shared: tuple[Sequence[Room], Sequence[Voice], int] = ((), (), 0)  # of one worker process


def _share(*what: Any) -> None:
    global _shared
    _shared = what  # type: ignore[assignment]


def _random_take(index: int) -> Take:
    rooms, voices, seed = _shared
    rng = np.random.default_rng((seed, index))
    weights = np.array([0.35 if voice.synthetic else 1.0 for voice in voices])
    voice = voices[rng.choice(len(voices), p=weights / weights.sum())]
    duration_s = float(np.exp(rng.uniform(np.log(2.0), np.log(20.0))))
    simulated, snr_db = rooms[index % len(rooms)], rng.uniform(15.0, 62.0)
    room = varied(simulated, rng) if rng.random() < _VARIED else simulated
    samples = record(room, voice, duration_s, snr_db, rng, _PACES)
    gated, faulty = rng.random() < _GATED, rng.random() < _FAULTY
    if gated:
        samples = _gated(samples, rng)
    if faulty:
        _damage(samples, rng)
    forgotten = replace(room, response=np.zeros(0, np.float32))
    altered = gated or room is not simulated
    return Take(find_decays(samples), forgotten, voice.name, snr_db, altered)


def _damage(x: Signal, rng: np.random.Generator) -> None:
    """Put clicks or dropouts into a take, which have nothing to do with its room.

    A fit on clean takes only mistakes them for decays.
    """
    level = 10 ** (_active_db(x) / 20)
    for _ in range(1 + rng.poisson(rng.choice([0.3, 1.0, 2.0]) * len(x) / RATE_HZ)):
        if rng.random() < 0.8:
            count = int(rng.integers(2, RATE_HZ // 150))
            tick = rng.standard_normal(count) * np.exp(-np.arange(count) / (0.3 * count))
            change = level * 10 ** (rng.uniform(-25, 10) / 20) * tick / np.abs(tick).max()
        else:
            count, change = int(RATE_HZ * np.exp(rng.uniform(np.log(0.003), np.log(0.1)))), None
        place = int(rng.integers(0, max(1, len(x) - count)))
        if change is None:
            x[place : place + count] = 0.0
        else:
            x[place : place + count] += change[: len(x) - place].astype(np.float32)


def _gated(x: Signal, rng: np.random.Generator) -> Signal:
    """Return a take whose soft moments a gate turned down by 3 to 15 dB."""
    from scipy.ndimage import maximum_filter1d
    from scipy.signal import lfilter

    frame = RATE_HZ // 200  # 5 ms
    power = np.mean(np.square(x[: len(x) // frame * frame].reshape(-1, frame), dtype=float), axis=1)
    threshold = 10 ** ((_active_db(x) - rng.uniform(18.0, 30.0)) / 10)
    hold = int(rng.integers(1, 20))
    opened = maximum_filter1d((power > threshold).astype(float), 2 * hold + 1)
    kept = np.exp(-1 / rng.uniform(2.0, 30.0))  # 10 to 150 ms to close
    closed = 1 - lfilter([1 - kept], [1, -kept], opened)
    gain_db = -rng.uniform(3.0, 15.0) * np.interp(
        np.arange(len(x)), np.arange(len(closed)) * frame + frame / 2, closed
    )
    return np.asarray(x * 10 ** (gain_db / 20), np.float32)


def take(
    room: Room, voice: Voice, duration_s: float, snr_db: float, rng: np.random.Generator
) -> Take:
    """Return the decays of one take."""
    samples = record(room, voice, duration_s, snr_db, rng)
    return Take(find_decays(samples), room, voice.name, snr_db)


def record(
    room: Room,
    voice: Voice,
    duration_s: float,
    snr_db: float,
    rng: np.random.Generator,
    paces: tuple[int, int] = (18, 23),
) -> Signal:
    """Return one take at 16 kHz, shape (frames,).

    `paces` are the bounds of pace and pitch, of which 20 is the reader's own; higher is slower.
    """
    from scipy import fft
    from scipy.signal import resample_poly

    count = int(duration_s * RATE_HZ)
    dry = voice.read((paces[1] / 20 + 0.05) * duration_s, rng)
    dry = resample_poly(dry, 20, int(rng.integers(*paces)))[:count]
    size = fft.next_fast_len(count + len(room.response), real=True)
    frequencies = fft.rfftfreq(size, 1 / RATE_HZ)
    spectrum = fft.rfft(dry, size) * fft.rfft(room.response, size)
    spectrum *= _tilt(frequencies, rng.uniform(-6, 6), rng.uniform(-6, 6))
    wet = fft.irfft(spectrum, size)[:count]
    noise = fft.irfft(_noise(frequencies, rng), size)[:count] * size
    if rng.random() < 0.25:
        noise += _hum(count, rng)
    return np.asarray(wet + 10 ** ((_active_db(wet) - snr_db) / 20) * noise, np.float32)


def _tilt(frequencies: Signal, low_db: float, high_db: float) -> Signal:
    """Return gains that raise or lower bass and treble, as microphones and voices differ."""
    octaves = np.log2(np.maximum(frequencies, 20.0) / 1000.0) / 3.0
    gain_db = np.where(octaves < 0, -octaves * low_db, octaves * high_db)
    return np.asarray(10 ** (gain_db / 20), np.float32)


def _noise(frequencies: Signal, rng: np.random.Generator) -> npt.NDArray[np.complex64]:
    """Return the spectrum of room or microphone noise at 0 dB between 100 Hz and 7.5 kHz."""
    shape = np.maximum(frequencies, 30.0) ** -rng.choice([0.0, 0.5, 0.8, 1.0])
    parts = rng.standard_normal((2, len(frequencies)), np.float32) * shape
    inside = slice(*np.searchsorted(frequencies, (100.0, 7500.0)))
    parts /= np.sqrt(2 * np.sum(parts[:, inside] ** 2))
    return np.asarray(parts[0] + 1j * parts[1], np.complex64)


def _hum(count: int, rng: np.random.Generator) -> Signal:
    """Return mains hum with its harmonics, some 0 to 20 dB below the noise."""
    mains_hz = rng.choice([50.0, 60.0])
    t = np.arange(count, dtype=np.float32) / np.float32(RATE_HZ)
    hum = np.zeros(count, np.float32)
    for harmonic in range(1, 9):
        level = 10 ** (rng.uniform(-20, 0) / 20)
        hum += level * np.sin(
            np.float32(2 * np.pi) * (np.float32(harmonic * mains_hz) * t + np.float32(rng.random()))
        )
    return hum


def _active_db(x: Signal) -> float:
    """Return the level of the 20 ms frames within 25 dB of the loud ones (95th percentile)."""
    frames = x[: len(x) // 320 * 320].reshape(-1, 320)
    power = np.mean(np.square(frames, dtype=np.float64), axis=1)
    loud = np.percentile(power, 95)
    return float(10 * np.log10(power[power > loud * 10**-2.5].mean()))
