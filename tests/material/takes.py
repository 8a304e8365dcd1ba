"""The takes that the accuracy scripts of noise, hum and processing plant their faults in."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from tests.material import speech

RATE = 48_000
SPEECH_DBFS = -23.0
"""Active level (ITU-T P.56) of every take."""

WHAT = (
    f"Takes: {len(speech.TEST_VOICES)} synthetic voices (festival, espeak-ng) x 4 takes of two or "
    "three lines at -23 dBFS, 48 kHz, with 0.7 s between the lines. Thresholds were chosen on "
    "other voices and other lines (three synthetic ones, and readers of the VCTK corpus)."
)


@cache
def clean(pause_s: float = 0.7) -> tuple[speech.Speech, ...]:
    """Return 20 synthetic takes with so much digital silence between the lines."""
    lines = speech.TEST_LINES
    groups = (lines[0:2], lines[2:5], lines[5:7], lines[7:10])
    return tuple(
        speech.take(
            voice, group, rate=RATE, pause_s=pause_s, level_dbfs=SPEECH_DBFS, room_db=-np.inf
        )
        for voice in speech.TEST_VOICES
        for group in groups
    )


@cache
def real() -> tuple[speech.Speech, ...]:
    """Return three real readers, each with its own room: 3 s, 20 s of a book, single words."""
    sentence, book, words, _ = speech.unlabelled()
    start = speech.Speech(book.name, book.samples[: 20 * book.rate], book.rate)
    return tuple(
        speech.joined([one], name=one.name, rate=RATE, level_dbfs=SPEECH_DBFS)
        for one in (sentence, start, words)
    )


def scaled(x: npt.NDArray[np.floating], level_dbfs: float) -> npt.NDArray[np.float32]:
    """Return `x` at an RMS level."""
    rms = np.sqrt(np.mean(np.square(x, dtype=np.float64)))
    return (x * (10.0 ** (level_dbfs / 20.0) / rms)).astype(np.float32)


def colored(
    kind: str, frames: int, rng: np.random.Generator, rate: int = RATE
) -> npt.NDArray[np.float32]:
    """Return noise of RMS 1, from 20 Hz on: ``white``, ``pink`` (-3 dB an octave) or ``room``."""
    if kind == "room":
        return speech.room_noise(frames, rate, rng)
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    hz = np.fft.rfftfreq(frames, 1 / rate)
    shape = np.where(hz >= 20.0, 1.0 if kind == "white" else np.maximum(hz, 20.0) ** -0.5, 0.0)
    return scaled(np.fft.irfft(spectrum * shape, frames), 0.0)


def in_room(
    take: speech.Speech, room_db: float, rng: np.random.Generator, kind: str = "room"
) -> npt.NDArray[np.float32]:
    """Return the samples of `take` with noise at a level relative to the speech."""
    return take.samples + scaled(colored(kind, len(take.samples), rng), SPEECH_DBFS + room_db)
