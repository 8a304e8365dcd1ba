"""Clicks: single wrong samples from the digital chain, and the ticks of a dry mouth.

Digital clicks
    ``digital``: one to a few wrong samples (a lost clock, static, a bad splice), anywhere in the
    take. Method: each sample of a voice can be predicted from the 24 before it; what the
    prediction leaves over, the residual, is small, and large at a click. But it is large at the
    burst of a /t/ and at a glottal pulse too. So the samples themselves are put to the test: nine
    in a row are replaced by what least squares makes of their surroundings. If that takes away 98
    % of the energy of the residual within the reach of those samples, and the 7 ms on both sides
    are calmer than the click, then nine samples were wrong and the rest was right: a digital
    click. A burst lasts longer and stays. The level is the height of the change.

    Prediction is costly, so it is made only where the second difference of the signal says that
    something is rough: its peak in 2 ms over 3 times the median of 60 ms around, over the
    third-largest of its neighbors within 14 ms, which are the glottal pulses, and over 1.5 times
    anything but itself within 3 ms.
Mouth clicks
    ``mouth``: lips and tongue part with a tick of 1 to 6 ms. Inside speech such a tick cannot be
    told from a stop consonant, so ticks are counted only in the pauses and close to their edges,
    where the ear hears them too. A tick rises 18 dB above the medians of what lies before and of
    what lies after it (first difference of the signal at a rate of 16 kHz, in blocks of 1 ms), is
    over after 8 ms, and stands alone, unlike a glottal pulse. Outside the pauses that speech
    activity finds, nearly all of the 100 ms before and after it must be quiet: the burst that
    opens a word is followed by the word. ``mouth_per_minute`` is their number per minute of take.
    The level is the peak of the tick, without the rumble below it.

Sources
-------
Godsill and Rayner, "Digital Audio Restoration", Springer 1998, chapter 5: prediction residual, and
least-squares interpolation of samples; Vaseghi, "Advanced Digital Signal Processing and Noise
Reduction", chapter on impulsive noise. Length of mouth clicks (0.8 to 6 ms, median 2.5 ms): an
openly published collection of 464 hand-marked ones. The thresholds are our choice.

Limits of validity
------------------
Weak digital clicks hide in loud speech: half of those 20 dB below the speech level (peak against
RMS) are found, nine of ten at the speech level. A click that a converter or a codec has smeared
over more than nine samples is not called digital. Mouth clicks more than 35 dB below the speech
level are not reported. Some are missed in pauses shorter than a quarter of a second.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_db, amplitude_ratio
from vocheck.dsp.frames import blocked, framed
from vocheck.recording import Recording
from vocheck.results import Group, Result, Row
from vocheck.voice.activity import activity_of
from vocheck.voice.channel import voice_at
from vocheck.voice.level import active_level_of

_Array = npt.NDArray[np.float32]
_Places = npt.NDArray[np.intp]

# Digital clicks
_HIGHEST_RATE_HZ = 48000  # above it the search works on a copy at this rate
_LOWEST_RATE_HZ = 8000
_BLOCK_S = 0.002
_AROUND_BLOCKS = 15  # either side: 60 ms in all
_PULSE_BLOCKS = 7  # either side: 14 ms, a glottal period or two
_SUSPECT_OVER_MEDIAN = 3.0
_SUSPECT_OVER_THIRD = 1.0
_ALONE_S = 0.003
_SUSPECT_OVER_OTHERS = 1.5
_SUSPECTS_PER_S = 50.0  # more than that is no click but the sound itself
_ORDER = 24
_SEGMENT = 1024
_WRONG = 9  # samples in a row that may be wrong
_SEARCH_S = 0.0006  # how far from the suspect its click may lie
_NEAR_S = 0.007  # how far around it the residual must be smaller
_PROMISING = 4.0
_EXPLAINED = 50.0
_OVER_NEAR = 1.5
_AUDIBLE_DB = -40.0  # re active level: a weaker click is not reported

# Mouth clicks
_MOUTH_RATE_HZ = 16000
_MOUTH_BLOCK = 16  # 1 ms
_CREST_BLOCKS = 5  # a click is the highest block within so many either side
_BEFORE_BLOCKS = (-35, -5)
_AFTER_BLOCKS = (8, 40)
_WORD_BLOCKS = (-100, 100)  # around a tick outside the pauses that were found
_WORD_SHARE = 0.15  # of it that may be loud: with more the tick belongs to a word
_PULSES_BLOCKS = 30  # either side: no train of glottal pulses
_PULSE_LEVEL = 0.35
_CONTRAST = amplitude_ratio(18.0)  # over the median on both sides
_LONGEST_BLOCKS = 8
_WIDTH_LEVEL = 0.25  # -12 dB: where the length of a tick is taken
_MOUTH_AUDIBLE_DB = -35.0  # re active level, peak
_RUMBLE_S = 0.003  # a running mean this long is taken off before the peak is read
_QUIET = 3e-6  # full scale: no tick is told from a background below half a step of 18 bits


@dataclass(frozen=True, kw_only=True)
class Click(Result):
    """One click.

    Attributes
    ----------
    time_s : float
    level_dbfs : float
        Height of the click alone: of the wrong samples over the right ones, or of the tick without
        the rumble below it.
    """

    time_s: float
    level_dbfs: float


@dataclass(frozen=True, kw_only=True)
class Clicks(Group):
    """Clicks of one recording.

    Attributes
    ----------
    digital : tuple of Click, or None
        Wrong samples, anywhere.
    mouth : tuple of Click, or None
        Ticks of lips and tongue, in the pauses and at their edges.
    mouth_per_minute : float or None
        How many of the latter there are in a minute of take.
    """

    digital: tuple[Click, ...] | None
    mouth: tuple[Click, ...] | None
    mouth_per_minute: float | None


ROWS: tuple[Row, ...] = (Row("mouth_per_minute", "mouth clicks per minute", ""),)


def measure(recording: Recording) -> Clicks:
    """Find digital clicks and mouth clicks."""
    reasons: dict[str, str] = {}
    active = active_level_of(recording).dbfs
    digital: tuple[Click, ...] | None = None
    mouth: tuple[Click, ...] | None = None
    if recording.rate < _LOWEST_RATE_HZ:
        reasons["digital"] = f"sampled at less than {_LOWEST_RATE_HZ // 1000} kHz"
    else:
        digital = _digital(recording, active)
    if not activity_of(recording).phrases:
        reasons["mouth"] = reasons["mouth_per_minute"] = "no speech was found"
    else:
        mouth = _mouth(recording, active)
        # A digital click in a pause is a tick as well; it is reported once.
        wrong = np.array([click.time_s for click in digital or ()])
        mouth = tuple(c for c in mouth if not (np.abs(wrong - c.time_s) < 2 * _BLOCK_S).any())
    return Clicks(
        digital=digital,
        mouth=mouth,
        mouth_per_minute=None if mouth is None else 60.0 * len(mouth) / recording.duration_s,
        not_measured=reasons,
    )


def _digital(recording: Recording, active_dbfs: float) -> tuple[Click, ...]:
    rate = min(recording.rate, _HIGHEST_RATE_HZ)
    x = voice_at(recording, rate)
    if len(x) < _SEGMENT or active_dbfs == -math.inf:
        return ()
    threshold = amplitude_ratio(active_dbfs + _AUDIBLE_DB)
    suspects = _suspects(x, rate)
    if len(suspects) > _SUSPECTS_PER_S * recording.duration_s + 10:
        return ()
    clicks = []
    padded = np.pad(x, _SEGMENT // 2 + _ORDER)
    view = framed(padded, _SEGMENT + _ORDER)
    for start in range(0, len(suspects), 512):  # keeps the working set small
        part = suspects[start : start + 512]
        segments = view[part]
        found = _repair(segments, _predictors(segments), rate)
        promising = found.explained > _PROMISING
        segments, part, found = segments[promising], part[promising], found.where(promising)
        promising = _over_near(segments, found, rate) > 1.0
        segments, part, found = segments[promising], part[promising], found.where(promising)
        # Again for those, with the prediction fitted to the repaired signal: the click no longer
        # hides itself.
        repaired = segments.copy()
        rows = np.arange(len(part))[:, np.newaxis]
        repaired[rows, _ORDER + found.first[:, np.newaxis] + np.arange(_WRONG)] += found.change
        found = _repair(segments, _predictors(repaired), rate)
        heights = np.abs(found.change).max(axis=1, initial=0.0)
        is_click = (
            (found.explained > _EXPLAINED)
            & (_over_near(segments, found, rate) > _OVER_NEAR)
            & (heights > threshold)
        )
        peaks = found.first + np.abs(found.change).argmax(axis=1) if len(part) else found.first
        clicks += [
            Click(
                time_s=float(max(0, place + peak - _SEGMENT // 2) / rate),
                level_dbfs=amplitude_db(float(height)),
            )
            for place, peak, height in zip(
                part[is_click], peaks[is_click], heights[is_click], strict=True
            )
        ]
    return tuple(clicks)


def _suspects(x: _Array, rate: int) -> _Places:
    """Return where `x` is rougher than around: a first look that costs little.

    The roughness is the second difference. It whitens speech well enough to show every click, and
    shows much else besides.
    """
    rough = np.abs(x[2:] - 2.0 * x[1:-1] + x[:-2])
    size = max(2, round(_BLOCK_S * rate))
    blocks = blocked(rough, size)
    top = blocks.max(axis=1)
    # Of neighboring blocks the rougher one stands for both.
    crest = top > 0
    crest[1:] &= top[1:] >= top[:-1]
    crest[:-1] &= top[:-1] > top[1:]
    chosen = np.flatnonzero(crest)
    pulses = framed(np.pad(top, _PULSE_BLOCKS), 2 * _PULSE_BLOCKS + 1)[chosen]
    third = np.partition(pulses, -4, axis=1)[:, -4]  # the fourth, counting the block itself
    chosen = chosen[top[chosen] > _SUSPECT_OVER_THIRD * third]
    around = framed(np.pad(top, _AROUND_BLOCKS, mode="edge"), 2 * _AROUND_BLOCKS + 1)[chosen]
    chosen = chosen[top[chosen] > _SUSPECT_OVER_MEDIAN * np.median(around, axis=1)]
    places: _Places = chosen * size + blocks[chosen].argmax(axis=1)
    # And of those, the ones that stand alone: bursts and pulses are rough before and after too.
    reach = round(_ALONE_S * rate)
    apart = np.arange(-reach, reach + 1)
    apart = apart[np.abs(apart) >= _WRONG]
    others = rough[np.clip(places[:, np.newaxis] + apart, 0, len(rough) - 1)].max(axis=1)
    alone: _Places = places[rough[places] > _SUSPECT_OVER_OTHERS * others] + 1
    return alone


@dataclass(frozen=True)
class _Repair:
    """What is left of suspects when `_WRONG` samples in a row may be changed."""

    predictors: _Array
    first: _Places  # the first of those samples, counted in the segment after its lead-in
    change: npt.NDArray[np.float64]  # (suspects, _WRONG): what to add to them
    explained: npt.NDArray[np.float64]  # energy of the residual before, over that after

    def where(self, chosen: npt.NDArray[np.bool_]) -> _Repair:
        """Return the repairs of the chosen suspects."""
        return _Repair(
            self.predictors[chosen],
            self.first[chosen],
            self.change[chosen],
            self.explained[chosen],
        )


def _repair(segments: _Array, predictors: _Array, rate: int) -> _Repair:
    """Interpolate the suspects by least squares (Godsill and Rayner 1998, section 5.2).

    `segments`, shape (suspects, lead-in of `_ORDER` + `_SEGMENT`), have the suspect in the middle.
    """
    # A wrong sample shows in the residual as a copy of the predictor: look for that copy.
    reach = max(1, round(_SEARCH_S * rate)) + _WRONG
    start = _SEGMENT // 2 - reach
    residual = _residual(segments, predictors, start, start + 2 * reach + 1 + _ORDER)
    matched = np.zeros((len(segments), 2 * reach + 1))
    for k in range(_ORDER + 1):
        matched += predictors[:, k : k + 1] * residual[:, k : k + matched.shape[1]]
    peak = _WRONG + np.abs(matched[:, _WRONG:-_WRONG]).argmax(axis=1)
    wrong = (peak - _WRONG // 2)[:, np.newaxis] + np.arange(_WRONG)
    # The normal equations: the copies of the predictor at two places have in common what the
    # predictor has with itself at that distance.
    a = predictors.astype(np.float64)
    common = [(a[:, k:] * a[:, : _ORDER + 1 - k]).sum(axis=1) for k in range(_WRONG)]
    distance = np.abs(np.subtract.outer(np.arange(_WRONG), np.arange(_WRONG)))
    normal = np.stack(common, axis=1)[:, distance]
    aim = np.take_along_axis(matched, wrong, axis=1)
    change = -np.linalg.solve(normal, aim[..., np.newaxis])[..., 0]
    touched = wrong[:, :1] + np.arange(_WRONG + _ORDER)
    before = np.square(np.take_along_axis(residual, touched, axis=1), dtype=np.float64).sum(axis=1)
    after = np.maximum(before + (change * aim).sum(axis=1), 0.0)
    tiny = np.finfo(np.float32).tiny
    return _Repair(predictors, start + wrong[:, 0], change, before / (after + 1e-7 * before + tiny))


def _over_near(segments: _Array, repair: _Repair, rate: int) -> npt.NDArray[np.float64]:
    """Return the peak of the residual at each click over the largest around, after the repair."""
    rows = np.arange(len(segments))[:, np.newaxis]
    residual = _residual(segments, repair.predictors, 0, _SEGMENT)
    touched = repair.first[:, np.newaxis] + np.arange(_WRONG + _ORDER)
    peak = np.abs(residual[rows, touched]).max(axis=1)
    for j in range(_WRONG):
        residual[rows, touched[:, j : j + _ORDER + 1]] += (
            repair.change[:, j : j + 1] * repair.predictors
        )
    near = round(_NEAR_S * rate)
    around = repair.first[:, np.newaxis] + _WRONG // 2 + np.arange(-near, near)
    largest = np.abs(residual[rows, np.clip(around, 0, _SEGMENT - 1)]).max(axis=1)
    over: npt.NDArray[np.float64] = peak / (largest + np.finfo(np.float32).tiny)
    return over


def _residual(segments: _Array, predictors: _Array, start: int, end: int) -> _Array:
    """Return what the prediction leaves over of the samples from `start` to `end` of `segments`."""
    residual = np.zeros((len(segments), end - start), np.float32)
    for k in range(_ORDER + 1):
        lag = _ORDER - k
        residual += predictors[:, k : k + 1] * segments[:, start + lag : end + lag]
    return residual


def _predictors(segments: _Array) -> _Array:
    """Return the prediction-error filters of `segments`, shape (suspects, `_ORDER` + 1).

    Autocorrelation method; the Levinson recursion runs over the order, for all segments at once.
    """
    windowed = segments[:, _ORDER:] * np.hanning(_SEGMENT).astype(np.float32)
    spectrum = np.fft.rfft(windowed, _SEGMENT + 2 * _ORDER + 8)  # 1080 = 2^3 3^3 5: fast
    r = np.fft.irfft(spectrum.real**2 + spectrum.imag**2)[:, : _ORDER + 1].astype(np.float64)
    r[:, 0] = r[:, 0] * (1.0 + 1e-7) + 1e-12  # a grain of white noise: no frame is perfectly tonal
    a = np.zeros_like(r)
    a[:, 0] = 1.0
    error = r[:, 0].copy()
    for k in range(1, _ORDER + 1):
        reflection = -(a[:, :k] * r[:, k:0:-1]).sum(axis=1) / error
        a[:, 1 : k + 1] += reflection[:, np.newaxis] * a[:, k - 1 :: -1][:, :k]
        error *= 1.0 - reflection**2
    return a.astype(np.float32)


def _mouth(recording: Recording, active_dbfs: float) -> tuple[Click, ...]:
    x = voice_at(recording, _MOUTH_RATE_HZ)
    count = len(x) // _MOUTH_BLOCK
    if count < _AFTER_BLOCKS[1]:
        return ()
    block_s = _MOUTH_BLOCK / _MOUTH_RATE_HZ
    rough = np.abs(np.diff(x[: count * _MOUTH_BLOCK], prepend=x[:1]))
    top = rough.reshape(count, _MOUTH_BLOCK).max(axis=1)
    in_pause = np.zeros(count, bool)
    for start, end in activity_of(recording).pauses:
        in_pause[int(start / block_s) : int(end / block_s)] = True
    reach = _CREST_BLOCKS
    crests = framed(np.pad(top, reach), 2 * reach + 1).max(axis=1)
    threshold = amplitude_ratio(active_dbfs + _MOUTH_AUDIBLE_DB)
    found = np.flatnonzero((top >= crests) & (top > 0.2 * threshold))
    found = found[top[found] > _CONTRAST * _QUIET]
    margin = _WORD_BLOCKS[1]
    padded = np.pad(top, margin, mode="edge")
    # Each test is made on what the tests before it have left.
    for span in (_BEFORE_BLOCKS, _AFTER_BLOCKS):
        around = padded[margin + found[:, np.newaxis] + np.arange(*span)]
        found = found[top[found] > _CONTRAST * np.median(around, axis=1)]
    for span in ((_WORD_BLOCKS[0], _BEFORE_BLOCKS[1]), (_AFTER_BLOCKS[0], _WORD_BLOCKS[1])):
        around = padded[margin + found[:, np.newaxis] + np.arange(*span)]
        word = np.quantile(around, 1.0 - _WORD_SHARE, axis=1)
        found = found[in_pause[found] | (top[found] > _CONTRAST * word)]
    apart = np.abs(np.arange(-_PULSES_BLOCKS, _PULSES_BLOCKS + 1))
    apart = np.flatnonzero(apart >= _CREST_BLOCKS) - _PULSES_BLOCKS
    pulses = np.partition(padded[margin + found[:, np.newaxis] + apart], -2, axis=1)[:, -2]
    found = found[pulses < _PULSE_LEVEL * top[found]]
    # Length: the blocks around the crest, without a gap, above a quarter of it.
    width = 2 * _LONGEST_BLOCKS
    around = padded[margin + found[:, np.newaxis] + np.arange(-width, width + 1)]
    low = around <= _WIDTH_LEVEL * top[found][:, np.newaxis]
    right = np.where(low[:, width:].any(axis=1), low[:, width:].argmax(axis=1), width)
    left = np.where(low[:, width::-1].any(axis=1), low[:, width::-1].argmax(axis=1), width)
    found = found[right + left - 1 <= _LONGEST_BLOCKS]
    clicks = []
    mean = round(_RUMBLE_S * _MOUTH_RATE_HZ)
    for block in found.tolist():
        start = max(0, (block - 2) * _MOUTH_BLOCK - mean)
        piece = x[start : (block + 8) * _MOUTH_BLOCK + mean]
        tick = np.abs(piece - np.convolve(piece, np.full(mean, 1.0 / mean), "same"))[mean:-mean]
        peak = int(np.argmax(tick))
        if tick[peak] > threshold:
            clicks.append(
                Click(
                    time_s=(start + mean + peak) / _MOUTH_RATE_HZ,
                    level_dbfs=amplitude_db(float(tick[peak])),
                )
            )
    return tuple(clicks)
