"""Which line of a script one take is, told from its words."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass

import numpy as np

from vocheck.passes.listen import RATE_HZ, Utterance
from vocheck.passes.listened import Listened
from vocheck.passes.scripted import LEAST_FIT, LEAST_LEAD, LEAST_POINTS, ScriptReader, sureness
from vocheck.passes.voices import cepstra_of, voice_of
from vocheck.recording import Recording
from vocheck.results import Result
from vocheck.script.text import Script
from vocheck.voice.activity import activity_of
from vocheck.voice.channel import voice_at

_readers = threading.local()
"""The reader of the last script of each thread: loading one takes a second, none may serve two."""


@dataclass(frozen=True, kw_only=True)
class HeardLine(Result):
    """Which line a take is.

    Attributes
    ----------
    line : str or None
        ``None`` where nobody can tell.
    confidence : float
        0 to 1.
    """

    line: str | None
    confidence: float


def script_key(script: Script) -> str:
    """Return what tells a script from another."""
    return json.dumps(list(script.items()), ensure_ascii=False)


def hear_line(recording: Recording, script: Script) -> HeardLine:
    """Tell which line of a script a take is, by its words.

    The line of which most is read in it; more than one reading of it may be.

    Raises
    ------
    SessionError
        If the script is not in English.
    """
    phrases = activity_of(recording).phrases
    if not phrases:
        return HeardLine(line=None, confidence=0.0)
    sound = voice_at(recording, RATE_HZ)
    reader = _reader(script)
    heard = Utterance(phrases[0][0], phrases[-1][1], phrases, 0.0, sound)
    voice = voice_of(sound, *cepstra_of(sound))
    words = reader.hear(heard)
    readings = [
        read
        for read, _, _ in reader.readings([Listened(phrases, voice, np.zeros((0, 1), "f4"), words)])
        if read.fit >= LEAST_FIT and read.lead >= LEAST_LEAD and read.points >= LEAST_POINTS
    ]
    points: dict[str, float] = {}
    for read in readings:
        points[read.line] = points.get(read.line, 0.0) + read.points
    if not points:
        return HeardLine(line=None, confidence=0.0)
    line = max(points, key=lambda name: points[name])
    share = points[line] / sum(points.values())
    best = max(sureness(read) for read in readings if read.line == line)
    return HeardLine(line=line, confidence=round(share * best, 2))


def _reader(script: Script) -> ScriptReader:
    kept: dict[str, ScriptReader] = _readers.__dict__
    key = script_key(script)
    if key not in kept:
        kept.clear()
        kept[key] = ScriptReader(script)
    return kept[key]
