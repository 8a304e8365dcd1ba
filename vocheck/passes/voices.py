"""What an utterance sounds like: whose voice it may be, or whether it is a voice at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import power_ratio
from vocheck.dsp.spectrogram import Spectrogram, power_spectrogram
from vocheck.passes.listen import RATE_HZ, Audio
from vocheck.voice.cepstra import mel_cepstra
from vocheck.voice.pitch import PITCH_RATE_HZ, track_pitch

COEFFICIENTS = 13  # as usual for speech
_MELS = 40  # usual with so many coefficients
_BAND_HZ = (60.0, 7600.0)  # of a voice at 16 kHz
_RANGE_DB = 45.0  # below the loudest band: keeps room noise from looking like speech
_FRAME_STEP = 2  # of the spectrogram's 5 ms: 10 ms
_LEAST_DB = 30.0  # below the loudest frame of an utterance, frames say little of the voice
_CLAP_S = 0.05  # in so short a time a clap gives most of its energy
_MOST = 0.6  # of it
_STEADY = 0.8  # share of the energy in one tone, and of the frames in which it is the same
_LEAST_SPREAD = 1.0  # of a cepstrum, in decibels: nobody repeats himself better
_SEMITONES_APART = 3.0  # of the middle pitch: one talker's utterances of a session lie nearer
_FEWEST_UTTERANCES = 3  # tell nothing of a spread
_NORMAL = 1.4826  # a standard deviation over the median deviation of a normal distribution
_KEPT_PERCENT, _ROUNDS = 60.0, 4  # of the utterances, in each round; our choice
OTHER_VOICE = 2.1
"""From this distance on, in spreads of the voice that reads, an utterance is more likely of another
voice. A rough number, found while the spread was reckoned a little differently: in 15 made-up
sessions of voices set aside for choosing, 9 in 100 of the talker's own readings lay farther, and 6
in 100 utterances of others nearer."""

OTHER_OF_SEVERAL = 3.0
"""The same for the middle of several utterances of the same words: our choice."""


@dataclass(frozen=True, eq=False)
class Voice:
    """What a stretch of sound is like.

    Attributes
    ----------
    timbre : ndarray, shape (coefficients - 1,)
        Mean mel-frequency cepstra without level, of its louder frames.
    pitch_st : float or None
        Middle pitch in semitones; ``None`` where nothing is voiced.
    noise : {"clap", "beep"} or None
        Where it is no voice.
    """

    timbre: npt.NDArray[np.float64]
    pitch_st: float | None
    noise: str | None


def cepstra_of(sound: Audio) -> tuple[Spectrogram, npt.NDArray[np.float32]]:
    """Return the spectrogram of a sound at 16 kHz, and its cepstra every 10 ms."""
    peak = float(np.abs(sound).max(initial=0.0))
    spectrogram = power_spectrogram(sound / np.float32(peak or 1.0), RATE_HZ)
    cepstra = mel_cepstra(
        spectrogram.power[::_FRAME_STEP],
        RATE_HZ,
        bands=_MELS,
        band_hz=_BAND_HZ,
        coefficients=COEFFICIENTS,
        range_db=_RANGE_DB,
    )
    return spectrogram, cepstra


def voice_of(sound: Audio, spectrogram: Spectrogram, cepstra: npt.NDArray[np.float32]) -> Voice:
    """Return what a stretch of sound at 16 kHz is like, given what `cepstra_of` returns of it."""
    power = spectrogram.power[::_FRAME_STEP].sum(axis=1)
    loud = power > power.max(initial=0.0) * power_ratio(-_LEAST_DB)
    timbre = cepstra[loud, 1:].mean(axis=0) if loud.any() else np.zeros(COEFFICIENTS - 1)
    step = RATE_HZ // PITCH_RATE_HZ
    hz = track_pitch(_decimated(sound, step), PITCH_RATE_HZ).voiced_hz
    return Voice(
        timbre=timbre.astype(np.float64),
        pitch_st=12.0 * float(np.log2(np.median(hz))) if len(hz) else None,
        noise=_noise(spectrogram),
    )


def _decimated(sound: Audio, step: int) -> Audio:
    from vocheck.dsp.resample import resample

    return resample(sound, RATE_HZ, RATE_HZ // step)


def _noise(spectrogram: Spectrogram) -> str | None:
    """Return what is no voice: a clap spends itself at once, a beep is one steady tone."""
    power = spectrogram.power
    frames = power.sum(axis=1)
    total = float(frames.sum())
    if total <= 0.0:
        return None
    size = max(1, round(_CLAP_S / spectrogram.hop_s))
    if np.convolve(frames, np.ones(size), "valid").max(initial=0.0) > _MOST * total:
        return "clap"
    loud = power[frames > 0.1 * frames.max()]
    peak = loud.argmax(axis=1)
    middle = int(np.median(peak))
    near = loud[:, max(0, middle - 1) : middle + 2].sum()
    steady = float(np.mean(np.abs(peak - middle) <= 1))
    return "beep" if near > _STEADY * loud.sum() and steady > _STEADY else None


class Talker:
    """The voice that reads, by utterances most of which are its own.

    Parameters
    ----------
    voices : sequence of Voice
        Three or more, or nothing is known.
    weights : sequence of float
        How long each of them is.
    """

    def __init__(self, voices: Sequence[Voice], weights: Sequence[float]) -> None:
        self._known = len(voices) >= _FEWEST_UTTERANCES
        if not self._known:
            return
        timbres = np.array([voice.timbre for voice in voices])
        pitches = np.array([np.nan if v.pitch_st is None else v.pitch_st for v in voices])
        kept = np.array(weights, float)
        for _ in range(_ROUNDS):  # what is farthest is left out: it may be of another voice
            used = kept > 0.0
            self._middle = np.array([_weighted_median(c, kept) for c in timbres.T])
            apart = np.abs(timbres[used] - self._middle)
            self._spread = np.maximum(_NORMAL * np.median(apart, axis=0), _LEAST_SPREAD)
            voiced = used & ~np.isnan(pitches)
            self._pitch_st = (
                _weighted_median(pitches[voiced], kept[voiced]) if voiced.any() else None
            )
            distances = np.array([self._distance(voice) for voice in voices])
            limit = np.percentile(distances, _KEPT_PERCENT)
            kept = np.where(distances <= limit, np.array(weights, float), 0.0)

    def is_other(self, *voices: Voice) -> bool:
        """Return whether a voice is more likely another one.

        Several are of utterances of the same words: who says them twice is seldom another.
        """
        if not self._known:
            return False
        distance = float(np.median([self._distance(voice) for voice in voices]))
        return distance >= (OTHER_VOICE if len(voices) == 1 else OTHER_OF_SEVERAL)

    def _distance(self, voice: Voice) -> float:
        apart = float(np.sqrt(np.mean(((voice.timbre - self._middle) / self._spread) ** 2)))
        if voice.pitch_st is None or self._pitch_st is None:
            return apart
        return float(np.hypot(apart, (voice.pitch_st - self._pitch_st) / _SEMITONES_APART))


def _weighted_median(values: npt.NDArray[np.float64], weights: npt.NDArray[np.float64]) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order[int(np.searchsorted(total, total[-1] / 2))]])
