"""Where the talker speaks: an energy detector in two bands.

Method: the level of a low band (120-4000 Hz) and a high band (3-9 kHz) is followed in 10 ms frames.
The floor of a band is the 5th percentile of its level, the speech its 95th; speech starts where
either band rises above an on-threshold between the two and ends below an off-threshold. On booth
recordings (SNR of 30 dB and more) this agrees with labelled speech as well as a neural detector
does; below 20 dB neither is good.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import db, levels_db
from vocheck.dsp.frames import blocked
from vocheck.dsp.runs import joined, runs_of
from vocheck.dsp.spectrogram import Spectrogram
from vocheck.recording import Recording, once
from vocheck.voice.channel import spectrogram_of

FRAME_S = 0.01  # one period of the lowest voice
_BANDS_HZ = ((120.0, 4000.0), (3000.0, 9000.0))  # vowels; /s/ and /f/, which have little below
_MIN_RANGE_DB = 10.0  # a band whose loud and soft frames differ by less carries no speech
_TOP_OF_LOUD = 90  # percent of the frames that stand out: of speech, about 95 of all of it
_MAX_RANGE_DB = 60.0  # speech has no more; what lies lower is a gate at work
_SILENCE = 1e-15  # of a band's power: far below the last bit of any recording
_FILL_S = 0.15  # a gap shorter than this inside a phrase is a stop consonant, not a pause
_DROP_S = 0.06  # an island shorter than this is a click, not speech
_PAD_S = (0.03, 0.06)  # before and after: soft onsets and releases
_PAUSE_S = 0.2  # a pause shorter than this does not end a phrase (Campione & Veronis 2002)
_ERODE_S = (0.1, 0.05)  # of a pause: the release of the word before, the onset of the one after


@dataclass(frozen=True, eq=False)
class Activity:
    """Speech activity of one recording.

    Attributes
    ----------
    speech : ndarray of bool, shape (frames,)
        Whether each frame of 10 ms holds speech.
    phrases : tuple of (start_s, end_s)
        Stretches of speech parted by pauses of 0.2 s or more.
    pauses : tuple of (start_s, end_s)
        Stretches between phrases, and before the first and after the last one.
    usable_pauses : tuple of (start_s, end_s)
        The pauses without the release of the word before and the onset of the word after: where
        noise can be measured.
    """

    speech: npt.NDArray[np.bool_]
    phrases: tuple[tuple[float, float], ...]
    pauses: tuple[tuple[float, float], ...]
    usable_pauses: tuple[tuple[float, float], ...]

    def mask(
        self, spans: tuple[tuple[float, float], ...], times_s: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.bool_]:
        """Return which of `times_s` lie inside one of `spans`."""
        inside = np.zeros(len(times_s), bool)
        for start, end in spans:
            inside[np.searchsorted(times_s, start) : np.searchsorted(times_s, end)] = True
        return inside


def find_activity(spectrogram: Spectrogram, duration_s: float) -> Activity:
    """Find speech, phrases and pauses in a recording of `duration_s` seconds."""
    return activity_of_bands(band_powers(spectrogram), duration_s)


def band_powers(spectrogram: Spectrogram) -> npt.NDArray[np.float32]:
    """Return the power of each band every 10 ms, shape (bands, frames)."""
    per_frame = max(1, round(FRAME_S / spectrogram.hop_s))
    bands = [spectrogram.band(low, high) for low, high in _BANDS_HZ]
    return np.array([blocked(band, per_frame).mean(axis=1) for band in bands], np.float32)


def activity_of_bands(
    powers: npt.NDArray[np.float32], duration_s: float, *, mostly_speech: bool = True
) -> Activity:
    """Find speech, phrases and pauses by the power of each band.

    Parameters
    ----------
    powers : ndarray of float32, shape (bands, frames)
        As `band_powers` gives them; those of a long recording may come from one part after another.
    duration_s : float
    mostly_speech : bool
        False where there may be little of it in a long recording: what is loud is then told by
        what stands out of the floor.
    """
    count = int(duration_s / FRAME_S)
    speech = np.zeros(count, bool)
    for power in powers[:, :count]:
        if len(power) and power.any():
            speech[: len(power)] |= _hysteresis(levels_db(power, _SILENCE), mostly_speech)
    speech = _tidy(speech)
    phrases = joined(runs_of(speech).tolist(), round(_PAUSE_S / FRAME_S))
    pauses = _between(phrases, count)
    usable = [
        (
            start + (round(_ERODE_S[0] / FRAME_S) if start > 0 else 0),
            end - (round(_ERODE_S[1] / FRAME_S) if end < count else 0),
        )
        for start, end in pauses
    ]
    return Activity(
        speech=speech,
        phrases=_seconds(phrases, count, duration_s),
        pauses=_seconds(pauses, count, duration_s),
        usable_pauses=_seconds([(a, b) for a, b in usable if b > a], count, duration_s),
    )


@once
def activity_of(recording: Recording) -> Activity:
    """Return where the talker speaks in a recording."""
    return find_activity(spectrogram_of(recording), recording.duration_s)


def _hysteresis(level: npt.NDArray[np.float64], mostly_speech: bool) -> npt.NDArray[np.bool_]:
    # Digital silence (padding, a closed gate) says nothing about the room, so it is left out.
    sounding = level[level > db(_SILENCE)]
    if not len(sounding):
        return np.zeros(len(level), bool)
    floor, top = np.percentile(sounding, (5, 95))
    if not mostly_speech:
        loud = sounding[sounding > floor + _MIN_RANGE_DB]
        top = max(top, np.percentile(loud, _TOP_OF_LOUD)) if len(loud) else top
    floor = max(floor, top - _MAX_RANGE_DB)
    spread = top - floor
    if spread < _MIN_RANGE_DB:
        return np.zeros(len(level), bool)
    on = level > floor + max(8.0, min(0.45 * spread, spread - 18.0))
    off = level > floor + max(5.0, min(0.33 * spread, spread - 26.0))
    # A frame above the lower threshold counts if its run holds a frame above the higher one.
    starts, ends = runs_of(off).T
    hits = np.concatenate(([0], np.cumsum(on)))
    keep = hits[ends] > hits[starts]
    result = np.zeros(len(level) + 1, np.int8)
    np.add.at(result, starts[keep], 1)
    np.add.at(result, ends[keep], -1)
    return np.cumsum(result)[:-1] > 0


def _tidy(speech: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    runs = joined(runs_of(speech).tolist(), round(_FILL_S / FRAME_S))
    before, after = (round(pad / FRAME_S) for pad in _PAD_S)
    tidy = np.zeros(len(speech), bool)
    for start, end in runs:
        if end - start >= round(_DROP_S / FRAME_S):
            tidy[max(0, start - before) : end + after] = True
    return tidy


def _between(phrases: list[tuple[int, int]], count: int) -> list[tuple[int, int]]:
    edges = [0, *(edge for phrase in phrases for edge in phrase), count]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a]


def _seconds(
    spans: list[tuple[int, int]], count: int, duration_s: float
) -> tuple[tuple[float, float], ...]:
    return tuple(
        (start * FRAME_S, duration_s if end == count else end * FRAME_S) for start, end in spans
    )
