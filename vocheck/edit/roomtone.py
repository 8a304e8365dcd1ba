"""Room tone of a take, for the gaps between lines: out of its own pauses.

The silences before, between and behind the words are cut to where nothing stands out: no breath, no
click, no decay of a word. These stretches are put end to end, again and again as needed, with
crossfades.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import levels_db
from vocheck.dsp.frames import blocked
from vocheck.dsp.runs import runs_of
from vocheck.edit.fades import crossfade
from vocheck.edit.plan import Piece, voice_channel

AFTER_WORD_S, BEFORE_WORD_S = 0.1, 0.05
"""What is left of a silence's ends to the word before and the onset of the one after, as it is
where noise is measured (`vocheck.voice.activity`)."""
FRAME_S = 0.02
"""In which the level is looked at: a click does not hide in it."""
STANDS_OUT_DB = 3.0
"""Levels of steady noise in frames of 20 ms lie within 3 dB of their median (the standard deviation
for 50 Hz of bandwidth and more is below 2 dB)."""
LEAST_S = 0.12
"""A shorter stretch would be heard as a flutter when it comes again and again."""
FADE_S = 0.03
"""Of each joint. Our choice: long against a click, short against a gap."""
MOST_S = 10.0
"""So much tone is enough for any gap; more is not kept in memory."""


def room_tone(piece: Piece) -> npt.NDArray[np.float64] | None:
    """Return stretches of a take in which nobody speaks, end to end; ``None`` where there are none.

    Raises
    ------
    AudioError
        If the take cannot be read.
    """
    medium, speech = piece.medium, piece.take.result.measurements.speech
    rate = medium.rate_hz
    edges = [0.0, *(edge for p in speech.phrases for edge in (p.start_s, p.end_s))]
    edges.append(piece.take.result.source.duration_s)
    silences = [
        (start + (AFTER_WORD_S if i else 0.0), end - BEFORE_WORD_S)
        for i, (start, end) in enumerate(zip(edges[::2], edges[1::2], strict=True))
    ]
    size = round(FRAME_S * rate)
    parts, levels, kept = [], [], 0
    for start_s, end_s in silences:
        first, last = medium.sample(start_s), medium.sample(end_s)
        last = min(last, first + round(MOST_S * rate) - kept)
        if last - first < round(LEAST_S * rate):
            continue
        part = voice_channel(piece, first, last - first).astype(np.float64)
        frames = blocked(part, size)
        parts.append(part)
        levels.append(levels_db(np.square(frames).mean(axis=1), 1e-30))
        kept += len(part)
    if not parts:
        return None
    usual = float(np.median(np.concatenate(levels)))
    steady = [
        part[start * size : end * size]
        for part, level in zip(parts, levels, strict=True)
        for start, end in runs_of(level <= usual + STANDS_OUT_DB)
        if (end - start) * size >= round(LEAST_S * rate)
    ]
    return _end_to_end(steady, round(FADE_S * rate)) if steady else None


def repeated(tone: npt.NDArray[np.float64], length: int, rate_hz: int) -> npt.NDArray[np.float64]:
    """Return so many samples of room tone, begun again as often as needed."""
    fade = round(FADE_S * rate_hz)
    if len(tone) >= length:
        return tone[:length]
    times = -(-(length - fade) // (len(tone) - fade))
    return _end_to_end([tone] * times, fade)[:length]


def _end_to_end(parts: list[npt.NDArray[np.float64]], fade: int) -> npt.NDArray[np.float64]:
    made = [parts[0]]
    for part in parts[1:]:
        before = made.pop()
        made += [before[:-fade], crossfade(before[-fade:], part[:fade]), part[fade:]]
        if len(made[-1]) < fade:  # what the next fade needs in one piece
            made[-2:] = [np.concatenate(made[-2:])]
    return np.concatenate(made)
