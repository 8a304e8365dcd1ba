"""Recordings that never stop, put together from readings whose words and times are known.

A line is read again and again out of order, with pauses between; some attempts break off at a
random word; a slate and talk of another voice stand between them, over the noise of a room. What
was put where is the truth that `vocheck.passes` is held against.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import soxr

from tests.material import speech
from tests.material.readings import Reading
from vocheck.voice.level import active_level

Audio = npt.NDArray[np.float32]

SPEECH_DBFS = -24.0


@dataclass(frozen=True, eq=False)
class Spoken:
    """A reading, without silence before and behind it.

    Attributes
    ----------
    samples : ndarray of float32, shape (frames,)
    word_ends_s : tuple of float
        Where it can be broken off.
    """

    samples: Audio
    word_ends_s: tuple[float, ...] = ()


def spoken(reading: Reading, rate: int) -> Spoken:
    """Return a reading whose words are timed, from its first sound to its last."""
    samples = soxr.resample(reading.samples, reading.rate, rate, "HQ").astype(np.float32)
    start_s, end_s = reading.words[0].start_s, reading.words[-1].end_s
    return Spoken(
        samples[round(start_s * rate) : round(end_s * rate)],
        tuple(word.end_s - start_s for word in reading.words),
    )


@dataclass(frozen=True)
class Planted:
    """What was put into a recording, and where."""

    kind: str
    line: str | None
    attempt: int | None
    start_s: float
    end_s: float
    complete: bool


@dataclass(frozen=True)
class Plan:
    """How a recording is made.

    Attributes
    ----------
    attempts : int
        Complete readings of each line.
    broken : float
        Share of them that a broken-off reading goes before.
    slates, talks : float
        How likely a slate, and talk, stands before an attempt.
    noise_dbfs : float
        Noise of the room, rms.
    pause_s : (float, float)
        Least and longest pause between what is spoken.
    """

    attempts: int = 3
    broken: float = 0.25
    slates: float = 0.25
    talks: float = 0.25
    noise_dbfs: float = -72.0
    pause_s: tuple[float, float] = (0.9, 3.0)


def performed(spoken: Spoken, rate: int, rng: np.random.Generator) -> Spoken:
    """Return a reading as if it were read again: pace, pitch and tone up to some percent apart.

    Pace and pitch change together, as those of a tape do.
    """
    factor = float(np.exp(rng.uniform(-0.05, 0.05)))
    samples = soxr.resample(spoken.samples, rate, rate * factor, "HQ").astype(np.float32)
    tilt = float(rng.uniform(-0.25, 0.25))  # up to 4 dB between low and high
    samples = samples - tilt * np.concatenate((samples[:1] * 0, samples[:-1]))
    samples *= 10 ** (rng.uniform(-2.0, 2.0) / 20)
    return Spoken(samples.astype(np.float32), tuple(end * factor for end in spoken.word_ends_s))


def record(
    lines: Mapping[str, Sequence[Spoken]],
    slates: Sequence[Spoken],
    talk: Sequence[Spoken],
    rate: int,
    seed: int,
    plan: Plan | None = None,
) -> tuple[Audio, tuple[Planted, ...]]:
    """Return a long recording and what is in it.

    Parameters
    ----------
    lines : mapping of str to sequence of Spoken
        Readings of each line. Where there are fewer than attempts, they are read `performed` anew.
    slates, talk : sequence of Spoken
        By another voice.
    rate, seed : int
    plan : Plan, optional
    """
    plan = plan or Plan()
    rng = np.random.default_rng(seed)
    order = [line for line in lines for _ in range(plan.attempts)]
    rng.shuffle(order)
    done = dict.fromkeys(lines, 0)
    pieces: list[Audio] = []
    planted: list[Planted] = []
    now = 0

    def put(kind: str, spoken: Spoken, line: str | None = None, complete: bool = True) -> None:
        nonlocal now
        pause = np.zeros(int(rng.uniform(*plan.pause_s) * rate), np.float32)
        start = now + len(pause)
        now = start + len(spoken.samples)
        pieces.extend((pause, spoken.samples))
        attempt = None
        if line is not None:
            done[line] += 1
            attempt = done[line]
        planted.append(Planted(kind, line, attempt, start / rate, now / rate, complete))

    used = dict.fromkeys(lines, 0)
    for line in order:
        own = lines[line]
        take = own[used[line] % len(own)]
        if used[line] >= len(own):
            take = performed(take, rate, rng)
        used[line] += 1
        if slates and rng.random() < plan.slates:
            slate = performed(slates[rng.integers(len(slates))], rate, rng)
            put("slate", _level(slate, rate, -4.0))
        if talk and rng.random() < plan.talks:
            said = performed(talk[rng.integers(len(talk))], rate, rng)
            put("talk", _level(said, rate, -4.0))
        take = _level(take, rate, 0.0)
        if rng.random() < plan.broken and len(take.word_ends_s) > 4:
            broken = _level(performed(own[0], rate, rng), rate, 0.0)
            last = int(rng.integers(2, len(broken.word_ends_s) - 1))
            end = int(broken.word_ends_s[last] * rate)
            part = broken.samples[:end].copy()
            fade = min(len(part), int(0.01 * rate))
            part[-fade:] *= np.linspace(1, 0, fade, dtype=np.float32)
            put("false start", Spoken(part), line, complete=False)
        put("read", take, line)
    pieces.append(np.zeros(rate, np.float32))
    sound = np.concatenate(pieces)
    noise = speech.room_noise(len(sound), rate, rng)
    return (sound + noise * 10 ** (plan.noise_dbfs / 20)).astype(np.float32), tuple(planted)


def _level(spoken: Spoken, rate: int, re_speech_db: float) -> Spoken:
    gain = 10 ** ((SPEECH_DBFS + re_speech_db - active_level(spoken.samples, rate).dbfs) / 20)
    return Spoken((spoken.samples * gain).astype(np.float32), spoken.word_ends_s)
