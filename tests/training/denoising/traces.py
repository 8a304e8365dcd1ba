"""What the networks of `tests.training.denoising` look at: traces of a denoiser in a take.

Some fifty numbers describe the take: how steady the pauses are; how the level in each bin of the
spectrum spreads over time and frequency there, which is known for the noise of a room (5.57 dB) and
differs where a program has opened and closed bins; how near the softest moments of each band come
to the noise of the pauses *while* words are spoken, which a program that closes between words
cannot hide; how rough the soft parts of the spectrum are under the voice; and how steeply the sound
comes out of the pauses. None of them depends on the gain, nor on the level of the pauses.

From 16 kHz on, with 0.2 s of pause and some speech.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import levels_db, power_ratio
from vocheck.dsp.spectrogram import Spectrogram
from vocheck.dsp.weighting import power_gain
from vocheck.recording import Recording
from vocheck.voice.activity import Activity, activity_of
from vocheck.voice.channel import spectrogram_of
from vocheck.voice.level import active_level_of

_Levels = npt.NDArray[np.float32]
_Frames = npt.NDArray[np.intp]

# The networks were fitted with all that follows: a change of any number asks for a new fit.
_MIN_RATE_HZ = 16_000  # holds the band below
_BAND_HZ = (200.0, 7000.0)  # above rumble and hum, below the edge of lossy codecs
_GROUPS_HZ = ((200.0, 1000.0), (1000.0, 3000.0), (3000.0, 7000.0))
_LEAST_DB = -117.0  # re speech, in a bin: digital silence counts as so much
_SILENT_DB = -97.0  # re speech, in all: digital silence
_EDGE_S = 0.011  # half a window: frames that reach out of the pause are left out
_MIN_PAUSE = 8  # frames of 5 ms in a row
_MIN_PAUSES, _MIN_WORDS = 40, 60  # frames in all
_PAUSE_STEP = 2  # of the frames: half a window apart, neighbors hardly depend on each other
_WORD_STEP = 5  # a whole window apart
_LAG = 3  # pause steps: 30 ms
_BINS = 4  # so far apart bins of a Hann window are independent
_DISTURBED_DB = 3.0  # over the median of the pauses: a breath, a click
_MARGINS_S = (0.06, 0.12)  # of a phrase: the activity's pads
_MIN_PHRASE_S = 0.25  # less leaves hardly a frame between the margins
_SOFT_DB = -25.0  # re the mean of the words in the same bin
_RISE = 3  # frames: 15 ms
_BEFORE, _INTO = 12, 40  # frames around the start of a phrase


def traces(recording: Recording) -> dict[str, float] | str:
    """Return the traces of a take by name; where they are not to be had, the reason."""
    if recording.rate < _MIN_RATE_HZ:
        return f"a sample rate of {recording.rate} Hz; {_MIN_RATE_HZ} Hz are needed"
    activity = activity_of(recording)
    if not activity.phrases:
        return "no speech was found"
    spectrogram = spectrogram_of(recording)
    pauses = _pauses(spectrogram, activity)
    words = _words(spectrogram, activity)
    if sum(map(len, pauses)) < _MIN_PAUSES:
        return "too little pause"
    if len(words) < _MIN_WORDS:
        return "too little speech"
    speech = power_ratio(active_level_of(recording).dbfs)
    least = speech * power_ratio(_LEAST_DB)
    tracks = _tracks(spectrogram, speech)
    bins = slice(*np.searchsorted(spectrogram.frequencies_hz, _BAND_HZ))
    noise = _noise(spectrogram, tracks, pauses, bins, least)
    if noise is None:
        return "too little pause that is not disturbed"
    quiet = np.concatenate(pauses)
    return {
        **_steadiness(spectrogram, tracks, quiet, speech),
        **_texture(noise.residuals, noise.groups),
        **_under_words(spectrogram, words, noise, bins, least),
        **_edges(tracks, spectrogram, activity),
        **_softest(tracks, words, quiet),
    }


class _Tracks(NamedTuple):
    """Levels re speech, one value for each frame."""

    weighted: _Levels  # A-weighted
    band: _Levels  # of `_BAND_HZ`
    high: _Levels  # of the highest of `_GROUPS_HZ`


class _Noise(NamedTuple):
    """What the pauses hold, bin by bin."""

    level: _Levels  # mean over time, of each bin
    residuals: list[_Levels]  # of each pause: about its own means over time and over frequency
    groups: list[slice]  # the bins of each of `_GROUPS_HZ`


def _pauses(spectrogram: Spectrogram, activity: Activity) -> list[_Frames]:
    found = []
    for start, end in activity.usable_pauses:
        first, last = np.searchsorted(spectrogram.times_s, (start + _EDGE_S, end - _EDGE_S))
        if last - first > _MIN_PAUSE:
            found.append(np.arange(first, last))
    return found


def _words(spectrogram: Spectrogram, activity: Activity) -> _Frames:
    before, after = _MARGINS_S
    spans = tuple((a + before, b - after) for a, b in activity.phrases if b - a > _MIN_PHRASE_S)
    return np.flatnonzero(activity.mask(spans, spectrogram.times_s))


def _tracks(spectrogram: Spectrogram, speech: float) -> _Tracks:
    hz = spectrogram.frequencies_hz
    weights = np.stack(
        [
            power_gain("A", hz),
            (hz >= _BAND_HZ[0]) & (hz < _BAND_HZ[1]),
            (hz >= _GROUPS_HZ[-1][0]) & (hz < _GROUPS_HZ[-1][1]),
        ],
        axis=1,
    ).astype(np.float32)
    power = spectrogram.power @ weights / np.float32(speech)
    levels = levels_db(power, power_ratio(_LEAST_DB))
    return _Tracks(*np.ascontiguousarray(levels.T))


def _noise(
    spectrogram: Spectrogram, tracks: _Tracks, pauses: list[_Frames], bins: slice, least: float
) -> _Noise | None:
    hz = spectrogram.frequencies_hz[bins]
    loudest = np.median(tracks.band[np.concatenate(pauses)]) + _DISTURBED_DB
    levels, residuals = [], []
    for pause in pauses:
        calm = pause[tracks.band[pause] <= loudest]
        if len(calm) < _MIN_PAUSE:
            continue
        level = levels_db(spectrogram.power[pause[::_PAUSE_STEP], bins], least)
        levels.append(level[tracks.band[pause[::_PAUSE_STEP]] <= loudest])
        about = level - level.mean(axis=1, keepdims=True)
        residuals.append(about - about.mean(axis=0))
    if not levels or not sum(map(len, levels)):
        return None
    groups = [slice(*np.searchsorted(hz, group)) for group in _GROUPS_HZ]
    return _Noise(np.concatenate(levels).mean(axis=0), residuals, groups)


def _steadiness(
    spectrogram: Spectrogram, tracks: _Tracks, pauses: _Frames, speech: float
) -> dict[str, float]:
    level = tracks.weighted[pauses]
    low, middle, high = map(float, np.percentile(level, (5, 50, 90)))
    return {
        "pause_silent": float(
            np.mean(spectrogram.power[pauses].sum(axis=1) < speech * power_ratio(_SILENT_DB))
        ),
        "pause_std": float(level.std()),
        "pause_spread": high - low,
        "pause_low": float(np.mean(level < middle - 6.0)),
    }


def _texture(residuals: list[_Levels], groups: list[slice]) -> dict[str, float]:
    """Return how the level in a bin of the pauses spreads, over time and over frequency."""
    every = np.concatenate(residuals)
    flat = every.ravel()
    deviation = float(flat.std()) + 1e-9
    found = {
        "texture_skew": float(np.mean(flat**3)) / deviation**3,
        "texture_kurtosis": float(np.mean(flat**4)) / deviation**4,
        "texture_low": float(np.mean(flat < -15.0)),
        "texture_high": float(np.mean(flat > 7.0)),
    }
    pairs = [(one[:-_LAG], one[_LAG:]) for one in residuals if len(one) > 2 * _LAG]
    for i, group in enumerate(groups):
        part = every[:, group]
        variance = float(part.var()) + 1e-9
        found[f"texture_std_{i}"] = float(np.sqrt(variance))
        beside = part[:, :-_BINS] * part[:, _BINS:]
        found[f"texture_beside_{i}"] = float(beside.mean()) / variance
        products = [(early[:, group] * late[:, group]).ravel() for early, late in pairs]
        later = float(np.concatenate(products).mean()) if products else 0.0
        found[f"texture_later_{i}"] = later / variance
    return found


def _under_words(
    spectrogram: Spectrogram, words: _Frames, noise: _Noise, bins: slice, least: float
) -> dict[str, float]:
    """Return what lies in the soft cells of the spectrum while words are spoken."""
    thin = words[::_WORD_STEP]
    power = spectrogram.power[thin, bins]
    level = levels_db(power, least)
    speech = levels_db(power.mean(axis=0), least)
    over_noise, over_speech = level - noise.level, level - speech
    # Neighbors in the same phrase: what lies between is one window.
    near = np.diff(thin) == _WORD_STEP
    change = np.diff(level, axis=0)[near]
    soft_pair = np.minimum(over_speech[1:], over_speech[:-1])[near] < _SOFT_DB
    across = level[:, _BINS:] - level[:, :-_BINS]
    found = {}
    for i, group in enumerate(noise.groups):
        shares = (2, 10, 25, 50)
        for share, value in zip(shares, np.percentile(over_noise[:, group], shares), strict=True):
            found[f"words_re_noise_{share}_{i}"] = float(value)
        found[f"words_near_{i}"] = float(np.mean(np.abs(over_noise[:, group] + 1.0) < 6.0))
        found[f"words_below_{i}"] = float(np.mean(over_noise[:, group] < -12.0))
        soft = soft_pair[:, group]
        found[f"soft_share_{i}"] = float(soft.mean()) if soft.size else 0.0
        found[f"soft_change_{i}"], found[f"soft_tail_{i}"] = _spread(change[:, group][soft])
        inner = slice(group.start, group.stop - _BINS)
        beside = across[:, inner][over_speech[:, inner] < _SOFT_DB]
        found[f"soft_across_{i}"], _ = _spread(beside)
    return found


def _spread(values: _Levels) -> tuple[float, float]:
    """Return the standard deviation, and how far the outermost twentieth lies beyond the median."""
    if values.size < 50:
        return np.nan, np.nan
    size = np.abs(values)
    middle, tail = np.percentile(size, (50, 95))
    return float(values.std()), float(tail / (middle + 1e-6))


def _edges(tracks: _Tracks, spectrogram: Spectrogram, activity: Activity) -> dict[str, float]:
    """Return how steeply the sound rises into the phrases."""
    found = {}
    starts = np.searchsorted(spectrogram.times_s, [start for start, _ in activity.phrases])
    for name, level in (("all", tracks.weighted), ("high", tracks.high)):
        steepest = []
        for start in starts.tolist():
            part = level[max(0, start - _BEFORE) : start + _INTO]
            if len(part) > _BEFORE:
                steepest.append(float((part[_RISE:] - part[:-_RISE]).max()))
        found[f"{name}_rise_3"] = float(np.median(steepest)) if steepest else np.nan
        found[f"{name}_rise_3_most"] = max(steepest, default=np.nan)
    return found


def _softest(tracks: _Tracks, words: _Frames, pauses: _Frames) -> dict[str, float]:
    """Return how soft the softest moments within phrases are."""
    softest, soft = map(float, np.percentile(tracks.weighted[words], (1, 5)))
    pause = float(np.median(tracks.weighted[pauses]))
    return {"soft_over_pause": soft - pause, "softest_over_pause": softest - pause}
