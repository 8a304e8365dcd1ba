"""Breaths: where the talker breathes in, heard. Information for the editor, and no fault.

Method: a breath is a noise without pitch between the room's noise and the voice. Most of its energy
lies between 700 Hz and 4 kHz, little below 450 Hz (there is no voice in it) and not much above
5 kHz (it is no /s/). Frames of 30 ms that look like that, for 0.18 to 1.2 s on end and next to
something quieter, are reported with their mean level relative to the active speech level.

Sources
-------
After Ruinskiy and Lavner, "An effective algorithm for automatic detection and exact demarcation of
breath sounds in speech and song signals", IEEE TASLP 15(3), 2007, in its choice of features (level,
zero crossings and spectrum, edges); theirs is trained, this one is a set of rules, which are our
choice.

Limits of validity
------------------
The room's noise must lie 15 dB or more below the breath. Long unvoiced sounds at the end of a
phrase, creaky voice and rustling clothes look alike and are reported now and then. A breath that
runs straight into a word is cut where the word begins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import db, power_ratio
from vocheck.dsp.runs import joined, runs_of
from vocheck.recording import Recording
from vocheck.results import Group, Result, Row
from vocheck.voice.activity import activity_of
from vocheck.voice.channel import spectrogram_of
from vocheck.voice.level import active_level_of
from vocheck.voice.pitch import pitch_of

_FRAME = 6  # hops of 5 ms
_ABOVE_FLOOR_DB = 5.0  # noise seldom swings as far above its floor
_BELOW_SPEECH_DB = 8.0  # louder is voice
# The voice, where a breath lies, and where /s/ lies.
_LOW_HZ, _BODY_HZ, _HISS_HZ = (80.0, 450.0), (700.0, 4000.0), (5000.0, 12000.0)
_BODY_OVER_LOW_DB = -3.0  # a voiced sound has more below
_HISS_OVER_BODY_DB = 4.0  # an /s/ has more above
_LENGTH_S = (0.18, 1.2)  # shorter are stops, longer is noise of the room
_GAP_S = 0.03  # a breath may flicker this long
_SIDE_S = 0.1  # how far beside the breath something quieter must be found
_SIDE_DB = 6.0  # a breath stands out of the pause beside it by as much
_NO_SPEECH = "no speech was found to compare with"


@dataclass(frozen=True, kw_only=True)
class Breath(Result):
    """One breath.

    Attributes
    ----------
    start_s, end_s : float
    level_re_speech_db : float
        Mean level relative to the active speech level.
    """

    start_s: float
    end_s: float
    level_re_speech_db: float


@dataclass(frozen=True, kw_only=True)
class Breaths(Group):
    """Breaths of one recording.

    Attributes
    ----------
    events : tuple of Breath, or None
        In order of time.
    """

    events: tuple[Breath, ...] | None


ROWS: tuple[Row, ...] = ()


def measure(recording: Recording) -> Breaths:
    """Find the breaths."""
    active = active_level_of(recording).dbfs
    if active == -math.inf or not activity_of(recording).phrases:
        return Breaths(events=None, not_measured={"events": _NO_SPEECH})
    spectrogram = spectrogram_of(recording)
    hop_s = spectrogram.hop_s
    low, body, hiss = (
        _averaged(spectrogram.band(*edges)) for edges in (_LOW_HZ, _BODY_HZ, _HISS_HZ)
    )
    level = low + body + hiss
    floor = float(np.percentile(level, 5))
    top = power_ratio(active)
    pitch = pitch_of(recording)
    times = spectrogram.times_s
    voiced = np.interp(times, pitch.times_s, pitch.hz > 0) > 0.5 if len(pitch.hz) else times < 0
    breath = (
        ~voiced
        & (level > floor * power_ratio(_ABOVE_FLOOR_DB))
        & (level < top * power_ratio(-_BELOW_SPEECH_DB))
        & (body > low * power_ratio(_BODY_OVER_LOW_DB))
        & (hiss < body * power_ratio(_HISS_OVER_BODY_DB))
    )
    side = round(_SIDE_S / hop_s)
    events = []
    for start, end in joined(runs_of(breath).tolist(), round(_GAP_S / hop_s) + 1):
        if not _LENGTH_S[0] <= (end - start) * hop_s <= _LENGTH_S[1]:
            continue
        mean = float(level[start:end].mean(dtype=np.float64))
        before, after = level[max(0, start - side) : start], level[end : end + side]
        quiet = min(float(part.min()) for part in (before, after) if len(part))
        if quiet < mean * power_ratio(-_SIDE_DB):
            events.append(
                Breath(
                    start_s=start * hop_s,
                    end_s=end * hop_s,
                    level_re_speech_db=db(mean) - active,
                )
            )
    return Breaths(events=tuple(events))


def _averaged(power: npt.NDArray[np.float32]) -> npt.NDArray[np.float64]:
    """Return the mean over 30 ms around each frame."""
    total = np.concatenate(([0.0], np.cumsum(np.pad(power, _FRAME // 2, "edge"), dtype=np.float64)))
    return np.asarray((total[_FRAME + 1 :] - total[: -_FRAME - 1]) / (_FRAME + 1))
