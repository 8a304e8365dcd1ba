"""A recording of any length, heard in stretches of speech: only those are ever in memory.

The file is read twice, block by block. The first time, the level of every 10 ms tells where
somebody speaks (`vocheck.voice.activity`); the second time, each stretch of speech is handed on, at
16 kHz.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.audio.readers import open_audio
from vocheck.dsp.spectrogram import power_spectrogram
from vocheck.recording import Source
from vocheck.voice.activity import FRAME_S, activity_of_bands, band_powers

RATE_HZ = 16_000
"""What the recognizer's model was made for; what tells words apart lies below 8 kHz."""
JOIN_S = 0.7
"""A shorter pause does not end an utterance: readers pause as long between two sentences of a line,
and longer before they start again. Our choice."""
LONGEST_S = 25.0
"""A longer utterance is parted at its longest pause: our choice, for memory."""
_BLOCK_S = 20.0  # long enough that the edges between blocks cost nothing
_EDGE_FRAMES = 4  # frames of 10 ms on either side of a block that its first and last windows reach
_MARGIN_S = 0.15  # of room before and after an utterance, which a recognizer wants to hear

Span = tuple[float, float]
Audio = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Utterance:
    """A stretch of speech between two longer pauses.

    Attributes
    ----------
    start_s, end_s : float
        Of the speech, in the time of the recording.
    phrases : tuple of (start_s, end_s)
        Of it, parted by pauses of 0.2 s and more; in the time of the recording.
    from_s : float
        Where `samples` begin: a little before the speech.
    samples : ndarray of float32, shape (frames,)
        At 16 kHz.
    """

    start_s: float
    end_s: float
    phrases: tuple[Span, ...]
    from_s: float
    samples: Audio


def voice_blocks(path: str) -> tuple[Source, Iterator[Audio]]:
    """Return what a file says of itself, and its voice at 16 kHz, block by block.

    The voice is in the loudest channel, as in `vocheck.recording.Recording.channel`.

    Raises
    ------
    AudioError
        If the file cannot be read; as soon as the blocks are asked for, where only they show it.
    """
    with open_audio(path) as file:
        source = file.source
        channel = 0
        if source.channels > 1:
            energy = np.zeros(source.channels)
            for block in file.blocks():
                energy += np.square(block, dtype=np.float64).sum(axis=0)
            if source.layout is not None:
                energy[[name == "LFE" for name in source.layout]] = 0.0
            channel = int(energy.argmax())
    return source, _resampled(path, channel)


def _resampled(path: str, channel: int) -> Iterator[Audio]:
    import soxr

    size = round(_BLOCK_S * RATE_HZ)
    waiting: list[Audio] = []
    with open_audio(path) as file:
        rate = file.source.rate_hz
        stream = soxr.ResampleStream(rate, RATE_HZ, 1, dtype="float32", quality="HQ")
        for block in file.blocks():
            voice = np.ascontiguousarray(block[:, channel], np.float32)
            waiting.append(stream.resample_chunk(voice) if rate != RATE_HZ else voice)
            if sum(map(len, waiting)) >= size:
                sound = np.concatenate(waiting)
                whole = len(sound) // size * size
                yield from np.split(sound[:whole], range(size, whole, size))
                waiting = [sound[whole:]]
        if rate != RATE_HZ:
            waiting.append(stream.resample_chunk(np.zeros(0, np.float32), last=True))
    if len(last := np.concatenate(waiting)):
        yield last


def find_utterances(path: str) -> tuple[float, list[tuple[Span, ...]]]:
    """Return how long a recording is, and the phrases of each of its utterances.

    Raises
    ------
    AudioError
        If the file cannot be read.
    """
    _, blocks = voice_blocks(path)
    powers = []
    edge = _EDGE_FRAMES * round(FRAME_S * RATE_HZ)
    before, frames = np.zeros(edge, np.float32), 0
    held: Audio | None = None
    for block in blocks:
        frames += len(block)
        if held is not None:
            powers.append(_powers(before, held, block[:edge]))
            before = held[-edge:]
        held = block
    if held is not None:
        powers.append(_powers(before, held, np.zeros(edge, np.float32)))
    duration_s = frames / RATE_HZ
    bands = np.concatenate(powers, axis=1)
    activity = activity_of_bands(bands, duration_s, mostly_speech=False)
    return duration_s, _utterances(activity.phrases)


def _powers(before: Audio, block: Audio, behind: Audio) -> npt.NDArray[np.float32]:
    """Return the band powers of the frames of a block, heard with what surrounds it."""
    sound = np.concatenate((before, block, behind))
    frames = len(block) // round(FRAME_S * RATE_HZ)
    powers = band_powers(power_spectrogram(sound, RATE_HZ))
    return powers[:, _EDGE_FRAMES : _EDGE_FRAMES + frames]


def _utterances(phrases: tuple[Span, ...]) -> list[tuple[Span, ...]]:
    """Join phrases that short pauses part, and part at the longest pause what gets too long."""
    found: list[list[Span]] = []
    for phrase in phrases:
        if found and phrase[0] - found[-1][-1][1] < JOIN_S:
            found[-1].append(phrase)
        else:
            found.append([phrase])
    return [tuple(part) for whole in found for part in _parted(whole)]


def _parted(phrases: list[Span]) -> Iterator[list[Span]]:
    if phrases[-1][1] - phrases[0][0] <= LONGEST_S or len(phrases) == 1:
        yield phrases
        return
    pauses = [after[0] - before[1] for before, after in zip(phrases, phrases[1:], strict=False)]
    cut = int(np.argmax(pauses)) + 1
    yield from _parted(phrases[:cut])
    yield from _parted(phrases[cut:])


def hear(path: str, utterances: list[tuple[Span, ...]]) -> Iterator[Utterance]:
    """Yield each utterance with its sound, in order.

    Parameters
    ----------
    path : str
    utterances : list of tuple of (start_s, end_s)
        The phrases of each, as `find_utterances` gives them.
    """
    _, blocks = voice_blocks(path)
    held, first = np.zeros(0, np.float32), 0  # what was read and may be asked for, and its place
    for phrases in utterances:
        start = max(0, round((phrases[0][0] - _MARGIN_S) * RATE_HZ))
        end = round((phrases[-1][1] + _MARGIN_S) * RATE_HZ)
        parts, length = [held], len(held)
        while first + length < end:
            block = next(blocks, None)
            if block is None:
                break
            parts.append(block)
            length += len(block)
            if first + length <= start:  # all of it lies before the speech
                first, parts, length = first + length, [], 0
        held = np.concatenate(parts) if parts else np.zeros(0, np.float32)
        skip = min(max(0, start - first), len(held))
        held, first = held[skip:], first + skip
        yield Utterance(
            start_s=phrases[0][0],
            end_s=phrases[-1][1],
            phrases=phrases,
            from_s=first / RATE_HZ,
            samples=held[: end - first],
        )
