"""Takes: a voice with the noise, room, tone, level and hiss that real ones have."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from tests.material import speech
from tests.material.planted import with_bell
from tests.material.speech import Phone, Speech
from tests.training.sibilance.voices import Voice
from vocheck.voice.level import active_level

Signal = npt.NDArray[np.float32]

_TAKE_S = 18.0  # lines are joined up to this length
_COPIES = {"real": 3, "synthetic": 3, "espeak": 1}
_BELL_DB = 8.0  # the voice is made duller or sharper by up to this
_HISSES = 4  # per take, in its pauses
NOISE = "noise"  # label of a hiss that is no speech


def takes(voice: Voice, seed: int) -> Iterator[Speech]:
    """Return takes of one voice; the hisses put into their pauses are labelled `NOISE`."""
    rng = np.random.default_rng((seed, *voice.name.encode()))
    for copy in range(_COPIES[voice.family]):
        for number, lines in enumerate(_grouped(voice.lines)):
            joined = speech.joined(lines, name=voice.name, rate=lines[0].rate, pause_s=0.7)
            plain = copy == 0 and number % 2 == 0  # what a good booth delivers
            yield joined if plain else _varied(joined, rng)


def _grouped(lines: tuple[Speech, ...]) -> Iterator[list[Speech]]:
    ends = np.cumsum([line.duration_s for line in lines])
    by_time = itertools.groupby(zip(lines, ends, strict=True), lambda pair: pair[1] // _TAKE_S)
    for _, group in by_time:
        yield [line for line, _ in group]


def _varied(take: Speech, rng: np.random.Generator) -> Speech:
    """Return the take in some room, through some microphone, with hisses in its pauses."""
    take = with_bell(take, rng.uniform(-_BELL_DB, _BELL_DB), rng.uniform(3500.0, 7000.0), 1.0)
    x = take.samples.copy()
    if rng.random() < 0.4:
        x += _reverberation(x, take.rate, rng)
    level = active_level(x, take.rate).dbfs
    phones = list(take.phones)
    if rng.random() < 0.6:
        edges = [(0.0, 0.0), *((p.start_s, p.end_s) for p in take.phones), (take.duration_s, 0.0)]
        pauses = [(a, b) for (_, a), (b, _) in itertools.pairwise(edges) if b - a > 0.4]
        for start_s, end_s in pauses[:: max(1, len(pauses) // _HISSES)]:
            hiss = _hiss(end_s - start_s - 0.12, take.rate, rng)
            place = int(
                rng.uniform(start_s + 0.05, end_s - 0.05 - len(hiss) / take.rate) * take.rate
            )
            strength = 10 ** ((level + rng.uniform(-40.0, -8.0)) / 20)
            x[place : place + len(hiss)] += (strength * hiss).astype(np.float32)
            phones.append(Phone(NOISE, place / take.rate, (place + len(hiss)) / take.rate))
    noise = speech.room_noise(len(x), take.rate, rng)
    x += noise * np.float32(10 ** ((level + rng.uniform(-65.0, -30.0)) / 20))
    x *= np.float32(10 ** ((rng.uniform(-35.0, -15.0) - level) / 20))
    return Speech(take.name, x, take.rate, tuple(phones))


def _reverberation(x: Signal, rate: int, rng: np.random.Generator) -> Signal:
    """Return the sound of a small room, as noise that dies away (0.1 to 0.5 s to -60 dB)."""
    from scipy.signal import fftconvolve

    time = np.arange(int(0.5 * rate)) / rate
    tail = rng.standard_normal(len(time)) * 10 ** (-3 * time / rng.uniform(0.1, 0.5))
    tail[: int(0.002 * rate)] = 0.0
    tail *= 10 ** (rng.uniform(-18.0, -4.0) / 20) / np.sqrt(np.square(tail).sum())
    return np.asarray(fftconvolve(x, tail)[: len(x)], np.float32)


def _hiss(longest_s: float, rate: int, rng: np.random.Generator) -> Signal:
    """Return a breath, paper, cloth, a stand being moved or a cymbal, RMS about 1."""
    kind = rng.choice(["breath", "paper", "cloth", "cymbal", "spray"])
    shortest_s, reach_s, low_hz, high_hz = {
        "breath": (0.15, 0.5, 500.0, 5000.0),
        "paper": (0.1, 0.6, 1500.0, 10000.0),
        "cloth": (0.1, 0.6, 200.0, 2500.0),
        "cymbal": (0.04, 0.2, 5000.0, 12000.0),
        "spray": (0.1, 0.6, 1000.0, 12000.0),
    }[kind]
    frames = int(min(longest_s, rng.uniform(shortest_s, reach_s)) * rate)
    hz = np.fft.rfftfreq(frames, 1 / rate)
    low_hz, high_hz = low_hz * rng.uniform(0.7, 1.4), high_hz * rng.uniform(0.7, 1.4)
    shape = 1 / (1 + (low_hz / np.maximum(hz, 1.0)) ** 4) / (1 + (hz / high_hz) ** 4)
    x = np.fft.irfft(np.fft.rfft(rng.standard_normal(frames)) * shape, frames)
    time = np.arange(frames) / frames
    if kind == "cymbal":
        envelope = np.exp(-5 * time)
    elif kind in ("paper", "cloth"):  # many small events
        points = max(3, int(frames / rate / rng.uniform(0.005, 0.04)))
        crackle = rng.exponential(1.0, points) ** 1.5
        envelope = np.interp(time, np.linspace(0, 1, points), crackle) * np.sin(np.pi * time)
    else:
        envelope = np.sin(np.pi * time ** rng.uniform(0.5, 1.5))
    x *= envelope
    return np.asarray(x / np.sqrt(np.mean(np.square(x))), np.float32)
