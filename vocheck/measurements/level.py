"""Level: how loud the voice was recorded, and whether it stayed there.

What it is
    `active_dbfs` is the active speech level: the RMS level of the voice while the talker speaks,
    pauses left out, so that a take with long pauses is not called quiet. All "re speech" levels
    of the other groups refer to it. `rms_dbfs` is the plain RMS of the whole take, pauses included.
    `crest_db` is how far the highest sample stands above the active level: 12 to 20 dB in a plain
    voice recording; below 10 dB it has been limited or clipped. `dc_offset` is where the
    wave rests (on the worst channel), as a fraction of full scale. `slope_db` is how much the voice
    rose (positive) or sank from the first to the last word; `spread_db` is how much it varied on
    the way.

Method
    Active level: ITU-T P.56 (12/2011), Method B. DC offset: the mean of the softest quarter of the
    blocks of 50 ms, since a voice itself has a mean: breath presses on a microphone. Slope: the
    level of the speech in windows of 3 s, every second, each counted by the speech it holds; a
    straight line through them by least squares; its rise from the start of the first phrase to the
    end of the last. Spread: 95th less 10th percentile of the level of the speech in windows of 1 s.
    Both use the frames of 10 ms that hold speech, from 80 Hz to 8 kHz, so that rumble does not
    count.

Sources
    ITU-T P.56 (12/2011), clause 6.4. Slope and spread are this project's own.

Units
    dBFS, RMS of a full-scale square wave = 0 dBFS (a full-scale sine reads -3.01 dBFS); dB;
    fraction of full scale.

Limits of validity
    P.56 levels below about 15 dB of SNR include noise. The slope needs 6 s of take and 3 s of
    speech; words and performance differ, so a slope within +-4 dB says nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import db, levels_db
from vocheck.dsp.frames import blocked
from vocheck.recording import Recording
from vocheck.results import Group, Row
from vocheck.voice.activity import FRAME_S, activity_of
from vocheck.voice.channel import spectrogram_of
from vocheck.voice.level import active_level_of

_BAND_HZ = (80.0, 8000.0)  # the voice, without rumble
_SLOPE_WINDOW_S, _SLOPE_HOP_S = 3.0, 1.0  # a phrase or so, and three looks at each
_SPREAD_WINDOW_S, _SPREAD_HOP_S = 1.0, 0.1  # a few words, looked at ten times
_MIN_FILL = 0.4  # a window counts when this much of it is speech
_MIN_SPEECH_S = 3.0  # one window of the slope
# Three periods of the lowest voice; the quarter in which nobody speaks.
_DC_BLOCK_S, _DC_SHARE = 0.05, 0.25
_MIN_TAKE_S = 6.0  # two windows of the slope: fewer make no line


@dataclass(frozen=True, kw_only=True)
class Level(Group):
    """Level of a take.

    Attributes
    ----------
    active_dbfs : float
        Active speech level (ITU-T P.56).
    rms_dbfs : float
        RMS level of the whole take, pauses included.
    crest_db : float or None
        Highest sample above the active level; ``None`` for silence.
    dc_offset : float
        Mean of the samples as a fraction of full scale, of the channel where it is largest.
    dc_dbfs : float
        The same as a level.
    dc_re_speech_db : float or None
        The same less the active level; ``None`` for silence.
    slope_db : float or None
        Rise of the speech level from the first word to the last, along a straight line.
    spread_db : float or None
        95th less 10th percentile of the speech level in windows of 1 s.
    """

    active_dbfs: float
    rms_dbfs: float
    crest_db: float | None
    dc_offset: float
    dc_dbfs: float
    dc_re_speech_db: float | None
    slope_db: float | None
    spread_db: float | None


ROWS: tuple[Row, ...] = (
    Row("active_dbfs", "speech level", "dBFS", shown=True),
    Row("rms_dbfs", "RMS of the whole take", "dBFS"),
    Row("crest_db", "peak above speech level", "dB"),
    Row("dc_dbfs", "DC offset", "dBFS"),
    Row("slope_db", "rise from first to last word", "dB"),
    Row("spread_db", "spread of the speech level", "dB"),
)


def measure(recording: Recording) -> Level:
    """Measure the level of the channel that carries the voice."""
    voice = recording.voice
    active = active_level_of(recording).dbfs
    missing: dict[str, str] = {}
    rms = db(float(np.vdot(voice, voice).real) / len(voice)) if len(voice) else -math.inf
    crest = None
    if active == -math.inf:
        missing["crest_db"] = missing["dc_re_speech_db"] = "silence"
    else:
        peak = max(float(voice.max()), -float(voice.min()))
        crest = db(peak * peak) - active
    dc = _dc_offset(recording)
    slope, spread, reason = _drift(recording)
    if slope is None:
        missing["slope_db"] = reason
    if spread is None:
        missing["spread_db"] = reason
    return Level(
        active_dbfs=active,
        rms_dbfs=rms,
        crest_db=crest,
        dc_offset=dc,
        dc_dbfs=db(dc * dc),
        dc_re_speech_db=None if active == -math.inf else db(dc * dc) - active,
        slope_db=slope,
        spread_db=spread,
        not_measured=missing,
    )


def _dc_offset(recording: Recording) -> float:
    if not recording.samples.size:
        return 0.0
    size = min(round(_DC_BLOCK_S * recording.rate), len(recording.samples))
    rests = []
    for channel in recording.samples.T:
        blocks = blocked(channel, size)
        means = blocks.mean(axis=1, dtype=np.float64)
        moving = np.einsum("ij,ij->i", blocks, blocks, dtype=np.float64) / size - means**2
        softest = np.argsort(moving)[: math.ceil(_DC_SHARE * len(means))]
        rests.append(float(means[softest].mean()))
    return max(rests, key=abs)


def _drift(recording: Recording) -> tuple[float | None, float | None, str]:
    """Return slope, spread and, where one is missing, the reason."""
    speech = activity_of(recording).speech
    spoken_s = float(speech.sum()) * FRAME_S
    if spoken_s < _MIN_SPEECH_S:
        return None, None, f"only {spoken_s:.1f} s of speech; {_MIN_SPEECH_S:.0f} s are needed"
    spectrogram = spectrogram_of(recording)
    times = np.arange(len(speech)) * FRAME_S
    frame = np.minimum(
        np.round((times + FRAME_S / 2) / spectrogram.hop_s).astype(int),
        len(spectrogram.power) - 1,
    )
    power = spectrogram.band(*_BAND_HZ).astype(np.float64)[frame] * speech
    _, levels, _ = _windows(power, speech, _SPREAD_WINDOW_S, _SPREAD_HOP_S)
    spread = None
    if len(levels):
        spread = float(np.subtract(*np.percentile(levels, (95, 10))))
    if len(speech) * FRAME_S < _MIN_TAKE_S:
        return None, spread, f"shorter than {_MIN_TAKE_S:.0f} s"
    centres, levels, weights = _windows(power, speech, _SLOPE_WINDOW_S, _SLOPE_HOP_S)
    if len(levels) < 3:
        return None, spread, "too little speech in any 3 s to follow its level"
    # np.polyfit weighs residuals, not their squares.
    per_second = float(np.polyfit(centres, levels, 1, w=np.sqrt(weights))[0])
    spoken = np.flatnonzero(speech)
    return per_second * float(spoken[-1] - spoken[0]) * FRAME_S, spread, ""


def _windows(
    power: npt.NDArray[np.float64], speech: npt.NDArray[np.bool_], window_s: float, hop_s: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return centre (s), level (dB) and seconds of speech of the windows with enough speech."""
    size, hop = round(window_s / FRAME_S), round(hop_s / FRAME_S)
    starts = np.arange(0, len(power) - size + 1, hop)
    energy = np.concatenate(([0.0], np.cumsum(power)))
    held = np.concatenate(([0], np.cumsum(speech)))
    moment = np.concatenate(([0.0], np.cumsum(np.arange(len(speech)) * speech)))
    spoken = held[starts + size] - held[starts]
    total = energy[starts + size] - energy[starts]
    use = (spoken >= _MIN_FILL * size) & (total > 0.0)
    starts, spoken, total = starts[use], spoken[use], total[use]
    # A window stands at the middle of the speech it holds, not at its own.
    centres = (moment[starts + size] - moment[starts]) / spoken * FRAME_S
    return centres, levels_db(total / spoken), spoken * FRAME_S
