"""Sibilance: how sharp the esses are.

What it is
    The sibilants s, z, sh, zh, ch and j carry most of their energy between 2.5 and 12 kHz. A bright
    microphone, a close position or a dental voice makes them stand out of the voice like needles.

Method
    The power spectrum of the voice (21 ms windows every 5 ms) is summed into seven bands from
    100 Hz to 7.8 kHz, averaged over 25 ms, and set against the mean level of the voiced frames. A
    linear discriminant of these levels, and of how the low and the high ones differ from 50 ms
    before and after, says which frames may be a sibilant's. On each run of such frames six small
    networks decide together: how long it is, its spectrum, how steady it is, whether it has a
    pitch, how far it rises out of what is beside it (a t bursts out of a closure, an s grows out of
    a vowel; paper has no voice beside it), and how strong it is among the hisses of the take. The
    level of an event is that of its loudest 25 ms above 2.5 kHz.

Source
    Judging the hiss against the talker's own voiced level: common practice in de-essing, no source.
    Spectra, levels and durations of fricatives: Jongman, Wayland and Wong, "Acoustic
    characteristics of English fricatives", J. Acoust. Soc. Am. 108 (2000), 1252-1263: /s/ lies
    11 dB below the vowels, /f/ 21 dB. The coefficients are fitted by ``tests.training.sibilance``
    to eleven real readers of English (VCTK and two more, force-aligned) and 21 synthetic voices,
    with changes of tone of up to 8 dB, rooms, noise, breaths, paper and cloth added.

Units
    ``ratio_db``: energy of all sibilants above 2.5 kHz relative to the energy of all speech.
    ``p90_db``: level that one sibilant in ten exceeds, relative to the mean level of the voiced
    sounds. ``level_re_voiced_db``: the same of one sibilant. ``peak_hz``: where its spectrum is
    strongest.

Limits of validity
    The scale differs between voices and texts by more than most repairs change it: compare takes of
    the same line, where a change of 2 dB is told reliably. Some strong t and f count as sibilants,
    some weak z do not. Below a sample rate of 16 kHz the hiss is not recorded and nothing is
    measured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import db, levels_db, power_ratio
from vocheck.dsp.regression import standardized
from vocheck.dsp.runs import runs_of
from vocheck.dsp.spectrogram import HOP_S, Spectrogram
from vocheck.recording import Recording
from vocheck.results import Group, Result, Row
from vocheck.voice.activity import activity_of
from vocheck.voice.channel import spectrogram_of
from vocheck.voice.pitch import pitch_of

Values = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

HISS_HZ = (2500.0, 12000.0)  # where sibilants have most of their energy
COEFFICIENTS = "sibilance.npz"
_MIN_RATE_HZ = 16000  # 8 kHz of band: as far as _EDGES_HZ reach
# Two bands of voice, then /sh/ (2.5 to 5 kHz) and /s/ (above) in steps.
_EDGES_HZ = (100.0, 500.0, 1500.0, 2500.0, 3500.0, 5000.0, 6400.0, 7800.0)
_SPECTRUM_HZ = (2000.0, 7800.0)  # whose shape is looked at
_AVERAGE = 5  # frames: 25 ms
_VOICED_DB = 6.0  # by which the bands below 2.5 kHz exceed those above 3.5 kHz in a voiced frame
_FLOOR = 1e-5  # -50 dB re voiced: what is softer is the room
_BESIDE = 10  # frames (50 ms) to either side that a frame is set against
_CLOSURE = 8  # frames (40 ms) beside a sound that may hold the closure of a stop
_NEIGHBORS = 30  # frames (150 ms) beside a sound in which a voice may be heard
_LOUD = 97.0  # percentile of the hiss within the take that a sound is set against
_SHORTEST_S = 0.02  # sibilants last 0.1 s and more (Jongman et al., from memory)
_TYPICAL_S = 0.06  # brings the logarithm of the length near 0


@dataclass(frozen=True)
class Sibilant(Result):
    """One sibilant sound."""

    start_s: float
    end_s: float
    level_re_voiced_db: float
    peak_hz: float


@dataclass(frozen=True, kw_only=True)
class Sibilance(Group):
    """Sibilance of a take.

    Attributes
    ----------
    ratio_db : float or None
        Energy of all sibilants relative to the energy of all speech, in dB.
    p90_db : float or None
        90th percentile of the sibilants' levels relative to the voiced level, in dB.
    events : tuple of Sibilant or None
        In order of time.
    """

    ratio_db: float | None
    p90_db: float | None
    events: tuple[Sibilant, ...] | None


ROWS: tuple[Row, ...] = (
    Row("ratio_db", "sibilance", "dB", shown=True),
    Row("p90_db", "sibilance of the sharpest tenth", "dB"),
)


def measure(recording: Recording) -> Sibilance:
    """Find the sibilants of `recording`."""
    if recording.rate < _MIN_RATE_HZ:
        return _nothing(f"a sample rate of {recording.rate} Hz leaves no room for sibilants")
    frames = hiss_frames(recording)
    if isinstance(frames, str):
        return _nothing(frames)
    networks = _classifier()
    score = networks["frame"] @ frames.inputs + networks["frame_at"]
    starts, ends = runs(score, frames.speech)
    if len(starts):
        good = event_score(networks, event_inputs(frames, score, starts, ends)) > 0.0
        starts, ends = starts[good], ends[good]
    if not len(starts):
        return Sibilance(
            ratio_db=-math.inf,
            p90_db=None,
            events=(),
            not_measured=dict.fromkeys(("ratio_db", "p90_db"), "no sibilant found"),
        )
    spectrogram = spectrogram_of(recording)
    hiss = spectrogram.band(*HISS_HZ).astype(np.float64)
    hiss_level = levels_db(_averaged(hiss / frames.voiced_power) + _FLOOR)
    events = tuple(
        Sibilant(
            start_s=float(spectrogram.times_s[start]),
            end_s=float(spectrogram.times_s[end - 1] + spectrogram.hop_s),
            level_re_voiced_db=float(hiss_level[start:end].max()),
            peak_hz=_peak_hz(spectrogram.power[start:end], spectrogram.frequencies_hz),
        )
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True)
    )
    everything = spectrogram.band(_EDGES_HZ[0], HISS_HZ[1])[frames.speech].sum(dtype=np.float64)
    total = sum(float(hiss[a:b].sum()) for a, b in zip(starts, ends, strict=True))
    return Sibilance(
        ratio_db=db(total / float(everything)),
        p90_db=float(np.percentile([event.level_re_voiced_db for event in events], 90.0)),
        events=events,
    )


def _nothing(reason: str) -> Sibilance:
    return Sibilance(
        ratio_db=None,
        p90_db=None,
        events=None,
        not_measured=dict.fromkeys(("ratio_db", "p90_db", "events"), reason),
    )


@dataclass(frozen=True, eq=False)
class HissFrames:
    """What is known of each frame of 5 ms.

    Attributes
    ----------
    speech : ndarray of bool, shape (frames,)
    voiced_power : float
        Mean power of the voiced frames, from 100 Hz to 7.8 kHz.
    levels : ndarray, shape (bands, frames)
        Levels of the bands re `voiced_power`, in dB.
    low, high : ndarray, shape (frames,)
        Level below 1.5 kHz and above 2.5 kHz, in the same dB.
    inputs : ndarray, shape (inputs, frames)
        What the first discriminant looks at: `levels`, and how `low` and `high` differ from what
        they are 50 ms before and after.
    pitched : ndarray, shape (frames,)
        1 where the voice has a pitch.
    spectra : Spectrogram
    """

    speech: npt.NDArray[np.bool_]
    voiced_power: float
    levels: Values
    low: Values
    high: Values
    inputs: Values
    pitched: Values
    spectra: Spectrogram


def hiss_frames(recording: Recording) -> HissFrames | str:
    """Look at every frame; where there is nothing to measure, the reason."""
    spectrogram, activity = spectrogram_of(recording), activity_of(recording)
    speech = activity.mask(activity.phrases, spectrogram.times_s)
    if not speech.any():
        return "no speech found"
    bands = np.stack([spectrogram.band(a, b) for a, b in pairwise(_EDGES_HZ)]).astype(np.float64)
    voiced = speech & (bands[:3].sum(axis=0) > power_ratio(_VOICED_DB) * bands[4:].sum(axis=0))
    voiced_power = float(bands[:, voiced].sum(axis=0).mean()) if voiced.any() else 0.0
    if voiced_power == 0.0:
        return "no voiced speech found"
    power = _averaged(bands / voiced_power) + _FLOOR
    low, high = levels_db(power[:2].sum(axis=0)), levels_db(power[3:].sum(axis=0))
    padded = np.pad(np.stack([low, high]), ((0, 0), (_BESIDE, _BESIDE)), "edge")
    before, after = padded[:, : -2 * _BESIDE], padded[:, 2 * _BESIDE :]
    levels = levels_db(power)
    pitch = pitch_of(recording)
    nearest = np.searchsorted(pitch.times_s, spectrogram.times_s)
    pitched = np.append(pitch.hz > 0, False)[np.minimum(nearest, len(pitch.hz))]
    return HissFrames(
        speech=speech,
        voiced_power=voiced_power,
        levels=levels,
        low=low,
        high=high,
        inputs=np.concatenate((levels, (low, high) - before, (low, high) - after)),
        pitched=pitched.astype(np.float64),
        spectra=spectrogram,
    )


def runs(score: Values, speech: npt.NDArray[np.bool_]) -> tuple[Places, Places]:
    """Return first and last-plus-one frame of each run that may be a sibilant."""
    starts, ends = runs_of((score > 0.0) & speech).T
    long = (ends - starts) * HOP_S >= _SHORTEST_S
    return starts[long], ends[long]


def event_inputs(frames: HissFrames, score: Values, starts: Places, ends: Places) -> Values:
    """Return what the networks look at, shape (inputs, events)."""
    levels, low, high = frames.levels, frames.low, frames.high
    spectra = _shape(frames.spectra, starts, ends)
    sums = _over(np.add, np.vstack((score, levels, frames.pitched, spectra)), starts, ends)
    steady = _over(np.add, np.stack((high, low, high**2, low**2)), starts, ends)
    high_mean, low_mean, high_square, low_square = steady / (ends - starts)
    strongest, loudest = _over(np.maximum, np.stack((score, high)), starts, ends)
    total = levels_db(power_ratio(levels).sum(axis=0))
    closures = [
        _over(np.minimum, total, *beside)
        for beside in ((starts - _CLOSURE, starts), (ends, ends + _CLOSURE))
    ]
    neighbors = ((starts - _NEIGHBORS, starts), (ends, ends + _NEIGHBORS))
    voices = [_over(np.maximum, low, *beside) for beside in neighbors]
    pitched = [_over(np.add, frames.pitched, *beside) / _NEIGHBORS for beside in neighbors]
    return np.vstack(
        (
            np.log2((ends - starts) * HOP_S / _TYPICAL_S),
            sums / (ends - starts),
            strongest,
            loudest,
            loudest - np.percentile(high[frames.speech], _LOUD),
            loudest - high_mean,
            low_mean,
            np.sqrt(np.maximum(high_square - high_mean**2, 0.0)),
            np.sqrt(np.maximum(low_square - low_mean**2, 0.0)),
            loudest - closures,
            closures,
            voices,
            pitched,
        )
    )


def _shape(spectra: Spectrogram, starts: Places, ends: Places) -> Values:
    """Return centroid in kHz and flatness in dB of each frame's hiss, shape (2, frames).

    They are 0 in frames that are in none of the runs.
    """
    inside = np.zeros(len(spectra.times_s), bool)
    for start, end in zip(starts, ends, strict=True):
        inside[start:end] = True
    first, last = np.searchsorted(spectra.frequencies_hz, _SPECTRUM_HZ)
    power = spectra.power[inside, first:last] + np.float32(1e-20)
    mean = power.mean(axis=1, dtype=np.float64)
    khz = (spectra.frequencies_hz[first:last] / 1000.0).astype(np.float32)
    shape = np.zeros((2, len(inside)))
    shape[0, inside] = (power @ khz) / (mean * (last - first))
    shape[1, inside] = levels_db(power).mean(axis=1) - levels_db(mean)
    return shape


def _over(operation: np.ufunc, values: Values, starts: Places, ends: Places) -> Values:
    """Return the reduction of `values` along the last axis, over frames from starts to ends.

    Beyond the edges of the take the frames at the edges are repeated.
    """
    padding = [(0, 0)] * (values.ndim - 1) + [(_NEIGHBORS, _NEIGHBORS + 1)]
    padded = np.pad(values, padding, "edge")
    places = np.stack((starts, ends), axis=1).ravel() + _NEIGHBORS
    reduced: Values = operation.reduceat(padded, places, axis=-1)[..., ::2]
    return reduced


def event_score(networks: Mapping[str, Values], inputs: Values) -> Values:
    """Return what the networks make of each event, shape (events,); positive is a sibilant."""
    x = standardized(inputs.T, networks["mean"], networks["spread"])
    hidden = np.tanh(x @ networks["hidden"] + networks["hidden_at"])  # (networks, events, units)
    each = (hidden @ networks["out"][..., np.newaxis])[..., 0]
    score: Values = each.mean(axis=0) + networks["out_at"]
    return score


@cache
def _classifier() -> dict[str, Values]:
    with resources.files(__package__).joinpath(COEFFICIENTS).open("rb") as file:
        return dict(np.load(file))


def _averaged(power: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return the running mean over `_AVERAGE` frames along the last axis."""
    from scipy.ndimage import uniform_filter1d

    mean: npt.NDArray[np.float64] = uniform_filter1d(power, _AVERAGE, axis=-1, mode="constant")
    return np.maximum(mean, 0.0)  # the running sum may leave a negative rounding error


def _peak_hz(power: npt.NDArray[np.float32], frequencies_hz: npt.NDArray[np.float64]) -> float:
    """Return where the mean spectrum, smoothed over nine bins (0.4 kHz), is highest."""
    first, last = np.searchsorted(frequencies_hz, (2000.0, HISS_HZ[1]))
    spectrum = np.convolve(power[:, first:last].mean(axis=0), np.ones(9) / 9, mode="same")
    return float(frequencies_hz[first + int(spectrum.argmax())])
