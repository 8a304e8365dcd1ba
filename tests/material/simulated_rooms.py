"""Simulated rooms whose reverberation is known, from two unlike generators.

``shoebox``: a rectangular room, image sources up to order 4-8 and ray tracing after that
(pyroomacoustics), from booths of 0.9 x 0.9 x 1.9 m to living rooms. Each wall has its own
absorption by frequency. Mouth and microphone stand 0.1 to 1 m apart, sometimes further; in half of
the rooms they are directional, which leaves 2 to 6 dB less of the room.

``shaped_noise``: octave bands of Gaussian noise with exponential decays, early reflections and the
direct sound 3 dB below to 24 dB above the rest; sometimes two decays, as of a booth with its door
open.

`varied` makes more of each: another place of the microphone, other surfaces.

A simulator flatters a method trained on it. Two of them tell by how much: see
docs/accuracy/reverberation.md.
"""

from __future__ import annotations

import warnings
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy import fft, signal

RATE_HZ = 16000
OCTAVES_HZ = (500.0, 1000.0, 2000.0, 4000.0)
MIDDLE = slice(0, 3)  # of OCTAVES_HZ: 500 Hz to 2 kHz, over which the voice's room is averaged
SHORTEST_S = 0.03  # reverberation below this is all the same to a voice

_DIRECT = 24  # samples from the peak of a response on (1.5 ms) that are the direct sound
# What `varied` changes: the level of the room in dB, the logarithm of its time, and how far the
# ranges between these edges differ in both.
_FURTHER_DB, _LONGER = (-14.0, 3.0), (-0.4, 0.25)
_VARIED_EDGES_HZ, _LONGER_SPREAD, _TONE_SPREAD_DB = (700.0, 2000.0), 0.15, 1.5

Kind = Literal["shoebox", "shaped_noise"]
Signal = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Room:
    """A room response and what is true of it.

    Attributes
    ----------
    kind : str
    seed : int
    response : ndarray, shape (frames,)
        At 16 kHz, the direct sound 1.
    rt60_s : float
        T30 of the decay after the direct sound, mean of the octaves 500 Hz to 2 kHz.
    octaves_s : tuple of float
        The same in each of `OCTAVES_HZ`.
    c50_db, edt_s : float
        Of the whole response, mean of 500 Hz to 2 kHz.
    curvature : float
        T30 / T20 of the late decay.
    """

    kind: str
    seed: int
    response: npt.NDArray[np.float32]
    rt60_s: float
    octaves_s: tuple[float, ...]
    c50_db: float
    edt_s: float
    curvature: float

    @property
    def straight(self) -> bool:
        """Whether the decay is one line; of others, the time is a matter of definition."""
        return 0.75 <= self.curvature <= 1.35


def rooms(kind: Kind, seeds: range, cache: Path, processes: int | None = None) -> list[Room]:
    """Return one room per seed, from the cache where it is there."""
    cache.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(processes) as pool:
        found = list(pool.map(partial(_room, kind, cache), seeds, chunksize=10))
    return [room for room in found if room is not None]


def _room(kind: Kind, cache: Path, seed: int) -> Room | None:
    file = cache / f"{kind}-{seed}.npz"
    if file.exists():
        with np.load(file) as data:
            response = data["response"]
    else:
        response = (shoebox if kind == "shoebox" else shaped_noise)(seed).astype(np.float32)
        np.savez(file, response=response)
    return describe(kind, seed, response)


def describe(kind: str, seed: int, response: npt.NDArray[np.float32]) -> Room | None:
    """Measure a noise-free response; ``None`` where an octave holds no decay of 35 dB."""
    peak = int(np.argmax(np.abs(response)))
    whole = response[max(0, peak - 16) :].astype(np.float64)
    late = response[peak + int(0.0025 * RATE_HZ) :].astype(np.float64)
    t20, t30, c50, edt = [], [], [], []
    for centre_hz in OCTAVES_HZ:
        sos = _octave(centre_hz)
        levels = _schroeder(signal.sosfilt(sos, late) ** 2)
        t20.append(_line(levels, -5.0, -25.0))
        t30.append(_line(levels, -5.0, -35.0))
        power = signal.sosfilt(sos, whole) ** 2
        early = int(0.05 * RATE_HZ) + 16
        c50.append(10 * np.log10(power[:early].sum() / (power[early:].sum() + 1e-20)))
        edt.append(_line(_schroeder(power), 0.0, -10.0))
    if not np.isfinite(t30).all() or not np.isfinite(edt[MIDDLE]).all():
        return None
    return Room(
        kind=kind,
        seed=seed,
        response=response,
        rt60_s=float(np.mean(t30[MIDDLE])),
        octaves_s=tuple(map(float, t30)),
        c50_db=float(np.mean(c50[MIDDLE])),
        edt_s=float(np.mean(edt[MIDDLE])),
        curvature=float(np.mean(t30[MIDDLE]) / np.mean(t20[MIDDLE])),
    )


def varied(room: Room, rng: np.random.Generator) -> Room:
    """Return the room with the microphone elsewhere and with other surfaces.

    All that follows the direct sound is made softer or louder, and in each of three ranges of
    frequency it decays faster or slower (Bryan, ICASSP 2020). Where nothing sensible comes out, the
    room stays as it is.
    """
    response = room.response.astype(np.float64)
    peak = int(np.argmax(np.abs(response)))
    late = response[peak + _DIRECT :]
    t = (np.arange(len(late)) + _DIRECT) / RATE_HZ
    size = fft.next_fast_len(2 * len(late), real=True)
    spectrum = fft.rfft(late, size)
    octave = np.log2(np.maximum(fft.rfftfreq(size, 1 / RATE_HZ), 20.0))
    above = [1 / (1 + np.exp(-8 * (octave - np.log2(edge)))) for edge in _VARIED_EDGES_HZ]
    shares = (1 - above[0], above[0] * (1 - above[1]), above[0] * above[1])
    longer = rng.uniform(*_LONGER)
    gain_db = rng.uniform(*_FURTHER_DB)
    changed = np.zeros(len(late))
    for share in shares:
        time_s = room.rt60_s * np.exp(longer + rng.normal(0, _LONGER_SPREAD))
        decay = 10 ** (-3 * t * (1 / time_s - 1 / room.rt60_s))
        level = 10 ** ((gain_db + rng.normal(0, _TONE_SPREAD_DB)) / 20)
        changed += level * decay * fft.irfft(spectrum * share, size)[: len(late)]
    response[peak + _DIRECT :] = changed
    found = describe(room.kind, room.seed, response.astype(np.float32))
    if found is None or found.rt60_s < SHORTEST_S or np.argmax(np.abs(response)) != peak:
        return room
    return found


def _octave(centre_hz: float) -> Any:
    edges = [centre_hz * 10**-0.15, centre_hz * 10**0.15]
    return signal.butter(4, edges, "bandpass", fs=RATE_HZ, output="sos")


def _schroeder(power: Signal) -> Signal:
    energy = np.cumsum(power[::-1])[::-1]
    energy = energy[energy > 0]
    return np.asarray(10 * np.log10(energy / energy[0])) if len(energy) else np.zeros(1)


def _line(levels: Signal, upper_db: float, lower_db: float) -> float:
    if levels[-1] > lower_db:
        return float("nan")
    first, last = np.argmax(levels <= upper_db), np.argmax(levels <= lower_db)
    if last - first < 3:
        return float("nan")
    slope = np.polyfit(np.arange(first, last) / RATE_HZ, levels[first:last], 1)[0]
    return float(-60.0 / slope) if slope < 0 else float("nan")


def _wanted_s(rng: np.random.Generator) -> float:
    """Draw a reverberation time: mostly booths and rooms, some up to 3 s so that more is told."""
    low, high = (0.05, 1.2) if rng.random() < 0.85 else (1.0, 3.0)
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def shoebox(seed: int) -> Signal:
    """Simulate a rectangular room."""
    import pyroomacoustics as pra

    rng = np.random.default_rng((1, seed))
    pra.random.seed(numpy=seed, libroom=seed)
    while True:
        if rng.random() < 0.45:  # booths
            size = np.array([rng.uniform(0.9, 2.2), rng.uniform(0.9, 2.2), rng.uniform(1.9, 2.4)])
        else:
            size = np.array([rng.uniform(2, 7), rng.uniform(1.8, 5.5), rng.uniform(2.2, 3.4)])
        wanted_s = _wanted_s(rng)
        volume, surface = size.prod(), 2 * (size.prod() / size).sum()
        absorption = 1 - np.exp(-0.161 * volume / (surface * wanted_s))  # Eyring
        if not 0.02 <= absorption <= 0.9:
            continue
        centres = np.array([125, 250, 500, 1000, 2000, 4000])

        def wall(absorption: float = absorption, centres: Any = centres) -> Any:
            tilt = (centres / 700.0) ** rng.uniform(-0.1, 0.5)
            values = np.clip(absorption * tilt * np.exp(rng.uniform(-0.5, 0.5)), 0.01, 0.97)
            description = {"description": "", "coeffs": values.tolist(), "center_freqs": centres}
            return pra.Material(description, float(rng.uniform(0.05, 0.5)))

        sides = ("east", "west", "north", "south", "ceiling", "floor")
        room = pra.ShoeBox(
            size,
            fs=RATE_HZ,
            materials={side: wall() for side in sides},
            max_order=int(rng.integers(4, 9)),
            air_absorption=True,
            ray_tracing=True,
        )
        room.set_ray_tracing(
            n_rays=4000,
            receiver_radius=0.25 if size.min() > 1.2 else 0.15,
            energy_thres=1e-7,
            time_thres=min(3.5, 1.6 * wanted_s + 0.2),
            hist_bin_size=0.004,
        )
        source = size * rng.uniform(0.25, 0.75, 3)
        source[2] = np.clip(source[2], 1.0, min(1.8, size[2] - 0.2))
        distance = rng.uniform(0.1, 1.0) if rng.random() < 0.75 else rng.uniform(0.5, 2.5)
        for _ in range(50):
            direction = rng.standard_normal(3) * (1, 1, 0.3)
            direction /= np.linalg.norm(direction)
            microphone = source + distance * direction
            if (microphone > 0.15).all() and (microphone < size - 0.15).all():
                break
        else:
            continue
        directional = rng.random() < 0.5
        room.add_source(source)
        room.add_microphone(microphone)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            room.compute_rir()
        h = np.asarray(room.rir[0][0], np.float64)
        h = signal.sosfilt(signal.butter(2, 60, "highpass", fs=RATE_HZ, output="sos"), h)
        peak = int(np.argmax(np.abs(h)))
        start = max(0, peak - 40)
        h, peak = h[start:], peak - start
        if directional:  # a cardioid microphone and a mouth take 2 to 6 dB off the room
            h[peak + _DIRECT :] *= 10 ** (-rng.uniform(2, 6) / 20)
        return np.asarray(h / np.abs(h).max())


def shaped_noise(seed: int) -> Signal:
    """Make a response of decaying noise."""
    rng = np.random.default_rng((2, seed))
    wanted_s = _wanted_s(rng)
    octaves = np.array([125, 250, 500, 1000, 2000, 4000, 8000.0])
    distance = np.log2(octaves / 500)
    low, high = rng.uniform(-0.2, 0.05), rng.uniform(-0.15, 0.06)  # change per octave
    times_s = wanted_s * np.maximum(0.3, 1 + np.where(distance < 0, low, high) * distance)
    # Some rooms have a second, slower and softer decay: the corridor behind an open door.
    second = rng.random() < 0.15
    slower, softer = rng.uniform(1.3, 2.2), 10 ** (-rng.uniform(15, 30) / 20)
    count = int(RATE_HZ * max(0.25, 1.3 * times_s.max()))
    t = np.arange(count) / RATE_HZ
    tail = np.zeros(count)
    for centre_hz, time_s, gain_db in zip(octaves, times_s, rng.uniform(-3, 3, 7), strict=True):
        noise = rng.standard_normal(count + 2000)
        if centre_hz < 8000:
            sos = _octave(centre_hz)
        else:
            sos = signal.butter(3, 5656, "highpass", fs=RATE_HZ, output="sos")
        noise = signal.sosfilt(sos, noise)[2000:]
        envelope = 10 ** (-3 * t / time_s)
        if second:
            envelope = np.hypot(envelope, softer * 10 ** (-3 * t / (slower * time_s)))
        tail += 10 ** (gain_db / 20) * noise * envelope
    delay = int(RATE_HZ * rng.uniform(0.001, 0.008))
    tail = np.concatenate((np.zeros(delay), tail))
    scale = np.sqrt((tail[: RATE_HZ // 50] ** 2).sum() / 3)
    for _ in range(rng.integers(2, 8)):  # early reflections
        at = delay + int(rng.exponential(0.006) * RATE_HZ)
        if at < len(tail):
            tail[at] += rng.choice([-1, 1]) * rng.uniform(0.3, 2) * scale
    direct_db = rng.uniform(-3, 24)
    h = tail / np.sqrt((tail**2).sum()) * 10 ** (-direct_db / 20)
    h[0] += 1
    return np.concatenate((np.zeros(40), h))
