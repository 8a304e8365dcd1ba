"""Clipping: tops of the wave cut flat.

What it is
    A wave that asks for more than the converter, the preamplifier or the file can hold loses its
    tops. What is cut off is gone; the corners add harsh overtones.

Method
    *Flat tops.* In each channel and polarity, runs of three or more samples that are equal to
    within 0.04 % of the peak (or half a step of 16 bits) and that the wave enters and leaves with a
    step. Where several runs, or one of four samples, share one level, that is the level of
    clipping, and every top that ends there is counted, however short. The level itself plays no
    part: a take that was clipped at the converter and turned down later is found too.

    *Overs.* Samples at or beyond full scale, as a lossy file shows them when it is decoded.

    *Crests.* A second evidence for takes that were resampled, coded or filtered after clipping, and
    for soft clipping. `flatness` is the time that the half waves reaching the top of their polarity
    spend above 95 % of their peak, over the time above 70 %. Voices differ in it, so that
    `crest_evidence` compares it with that of the same talker's lower half waves, adds how crowded
    the half waves are just below the top, and takes off what chance alone may do with so few.

Source
    The pile-up of samples at the extremes: S. Aleinik and Y. Matveev, "Detection of clipped
    fragments in speech signals", World Academy of Science, Engineering and Technology 8 (2014). The
    constants are our choice.

Units
    ``samples``, ``overs``: counts over all channels. ``fraction``: `samples` over all samples.
    ``level_dbfs``: level of a flat top, re full scale. ``flatness``, ``crest_evidence``: without
    unit; clean speech reads about 0.4 and below 0.09.

Limits of validity
    Direct clipping is found from one sample in 10 000 on, and counted to 5 % from three in 10 000.
    After resampling or coding one in 1000 shows in seven takes of ten, after a low cut in six.
    Limiting rounds the tops; it is no clipping and is not reported.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_ratio, db
from vocheck.recording import Recording
from vocheck.results import Group, Result, Row

FULL_SCALE = 32767 / 32768  # the highest code of 16 bits
_SHORTEST = 3  # samples of a flat top that tells the level of clipping
_LONE_SHORTEST = 4  # ... if there is but one
_TOLERANCE = 4e-4  # of the peak
_HALF_STEP = 0.5 / 32768  # of 16 bits
_QUIETEST = 100 * _HALF_STEP  # a peak below it has too few steps to tell flat from round
_EDGE = 6.0  # tolerances by which the wave falls away on either side
_LOWEST = 0.5  # of the peak: where a level of clipping may lie below a later, louder sound
# What is cut lies this near to the highest sample: converters and codecs round the tops.
_AT_PEAK = amplitude_ratio(-0.25)
_LOW_RUNS = 4  # runs that must share a level of clipping that is not the peak
_MERGE_S = 0.05  # flat tops closer than this are one stretch of clipping

_TOP, _LOWER = 0.9, (0.35, 0.8)  # half waves to compare, of the peak of their polarity
_CROWD = (0.88, 0.76)  # just below the peak, and as much again below that
_CROWD_WEIGHT = 0.05  # per doubling; no more than one doubling counts
_CHANCE = 0.5  # over the root of the half waves at the top: about two standard deviations of a mean
_FEWEST = (5, 20)  # half waves at the top and lower
_FLATTER = 0.15  # by which one crest exceeds the talker's usual flatness to be listed


@dataclass(frozen=True)
class ClippedRun(Result):
    """A stretch of clipping: from its first flat top to its last."""

    start_s: float
    end_s: float
    level_dbfs: float


@dataclass(frozen=True, kw_only=True)
class Clipping(Group):
    """Clipping of a take.

    Attributes
    ----------
    samples : int
        Samples in flat tops, all channels together.
    overs : int
        Samples at or beyond full scale, all channels together.
    fraction : float
        `samples` as a share of all samples.
    runs : tuple of ClippedRun
        Stretches of clipping in order of time.
    flatness : float or None
        Flatness of the half waves that reach the top.
    crest_evidence : float or None
        How much flatter and more crowded they are than the talker's lower ones and chance would
        suggest.
    crests : tuple of ClippedRun
        Where the flattest of these half waves lie, in order of time.
    """

    samples: int
    overs: int
    fraction: float
    runs: tuple[ClippedRun, ...]
    flatness: float | None
    crest_evidence: float | None
    crests: tuple[ClippedRun, ...]


ROWS: tuple[Row, ...] = (Row("fraction", "share of the samples cut flat", "", digits=4),)


def measure(recording: Recording) -> Clipping:
    """Find the clipping of `recording`."""
    samples = recording.samples
    tops = [
        _flat_tops(channel, sign) for channel in np.ascontiguousarray(samples.T) for sign in (1, -1)
    ]
    starts, lengths, levels = _concatenated(tops)
    clipped = int(lengths.sum())
    flatness, evidence, crests = _crests(recording.voice)
    reason = "too few half waves near the top"
    return Clipping(
        samples=clipped,
        overs=_overs(samples),
        fraction=clipped / max(1, samples.size),
        runs=_stretches(starts, starts + lengths, levels, recording.rate),
        flatness=flatness,
        crest_evidence=evidence,
        crests=_stretches(*crests, recording.rate),
        not_measured=dict.fromkeys(("flatness", "crest_evidence"), reason)
        if flatness is None
        else {},
    )


def _overs(samples: npt.NDArray[np.floating]) -> int:
    if not samples.size or max(samples.max(), -samples.min()) < FULL_SCALE:
        return 0
    return int(np.count_nonzero(np.abs(samples) >= FULL_SCALE))


_Tops = tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.float64]]
_NONE: _Tops = (np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros(0))  # no tops


def _concatenated(parts: list[_Tops]) -> _Tops:
    starts, lengths, levels = zip(*(parts or [_NONE]), strict=True)
    return np.concatenate(starts), np.concatenate(lengths), np.concatenate(levels)


def _flat_tops(x: npt.NDArray[np.floating], sign: int) -> _Tops:
    """Return start, length and level of the flat tops of one channel in one polarity."""
    peak = float(sign * (x.max() if sign > 0 else x.min())) if len(x) else 0.0
    if peak <= _QUIETEST:
        return _NONE
    tolerance = max(_TOLERANCE * peak, _HALF_STEP)
    lowest = _LOWEST * peak
    high = np.flatnonzero(x >= lowest if sign > 0 else x <= -lowest)
    flat = (np.diff(high) == 1) & (np.abs(np.diff(x[high])) <= tolerance)
    starts, lengths, levels = _isolated(x, sign, high, flat, _EDGE * tolerance)
    long = lengths >= _SHORTEST
    ceiling = _shared_level(levels[long], lengths[long], peak, tolerance)
    if ceiling is None:
        return _NONE
    # Now that the level of clipping is known, the tops of one and two samples count as well.
    at = high[np.abs(sign * x[high] - ceiling) <= 2 * tolerance]
    return _isolated(x, sign, at, np.diff(at) == 1, 0.0)


def _isolated(
    x: npt.NDArray[np.floating],
    sign: int,
    index: npt.NDArray[np.intp],
    joined: npt.NDArray[np.bool_],
    fall: float,
) -> _Tops:
    """Return the runs of `index`, parted where not `joined`, beside which the wave falls away."""
    if not len(index):
        return _NONE
    breaks = np.flatnonzero(~joined) + 1
    starts = index[np.concatenate(([0], breaks))]
    ends = index[np.concatenate((breaks, [len(index)])) - 1] + 1
    levels = np.minimum(sign * x[starts], sign * x[ends - 1]).astype(np.float64)
    whole = (starts > 0) & (ends < len(x))  # a run cut off by the end of the file tells nothing
    before = sign * x[np.maximum(starts - 1, 0)]
    after = sign * x[np.minimum(ends, len(x) - 1)]
    good = whole & (before < levels - fall) & (after < levels - fall)
    return starts[good], (ends - starts)[good], levels[good]


def _shared_level(
    levels: npt.NDArray[np.float64],
    lengths: npt.NDArray[np.intp],
    peak: float,
    tolerance: float,
) -> float | None:
    """Return the level at which most flat tops lie, if they are enough to call it clipping."""
    if not len(levels):
        return None
    order = np.argsort(levels, kind="stable")
    levels, lengths = levels[order], lengths[order]
    ends = np.searchsorted(levels, levels + 2 * tolerance, side="right")
    counts = ends - np.arange(len(levels))
    first = len(counts) - 1 - int(counts[::-1].argmax())  # of equal counts the highest level
    cluster = slice(first, int(ends[first]))
    level = float(np.median(levels[cluster]))
    if level >= _AT_PEAK * peak:
        enough = counts[first] >= 2 or int(lengths[cluster].max()) >= _LONE_SHORTEST
    else:
        enough = int(np.count_nonzero(lengths[cluster] >= _LONE_SHORTEST)) >= _LOW_RUNS
    return level if enough else None


def _stretches(
    starts: npt.NDArray[np.intp],
    ends: npt.NDArray[np.intp],
    levels: npt.NDArray[np.float64],
    rate: int,
) -> tuple[ClippedRun, ...]:
    """Join what lies closer than 50 ms, whatever its channel and polarity."""
    if not len(starts):
        return ()
    order = np.argsort(starts, kind="stable")
    starts, ends, levels = starts[order], ends[order], levels[order]
    reached = np.maximum.accumulate(ends)
    breaks = np.flatnonzero(starts[1:] - reached[:-1] > _MERGE_S * rate) + 1
    first = np.concatenate(([0], breaks))
    last = np.concatenate((breaks, [len(starts)])) - 1
    tops = np.maximum.reduceat(levels, first)
    return tuple(
        ClippedRun(float(start / rate), float(end / rate), db(float(top) ** 2))
        for start, end, top in zip(starts[first], reached[last], tops, strict=True)
    )


def _crests(x: npt.NDArray[np.float32]) -> tuple[float | None, float | None, _Tops]:
    """Return flatness, evidence and (start, end, level) of the flattest half waves at the top."""
    starts, ends, tops, polarity, share = _half_waves(x)
    top, lower = share > _TOP, (share > _LOWER[0]) & (share < _LOWER[1])
    if np.count_nonzero(top) < _FEWEST[0] or np.count_nonzero(lower) < _FEWEST[1]:
        return None, None, _NONE
    above_95, above_70 = _durations(x, starts, ends, tops)
    flat = float(above_95[top].sum() / above_70[top].sum())
    usual = float(above_95[lower].sum() / above_70[lower].sum())
    crowding = max(
        (1 + np.count_nonzero(own > _CROWD[0]))
        / (1 + np.count_nonzero((own > _CROWD[1]) & (own <= _CROWD[0])))
        for own in (share[polarity], share[~polarity])
    )
    evidence = flat - usual + _CROWD_WEIGHT * float(np.clip(np.log2(crowding), -1.0, 1.0))
    evidence -= _CHANCE / float(np.sqrt(np.count_nonzero(top)))
    listed = top & (above_95 > (usual + _FLATTER) * above_70)
    return flat, evidence, (starts[listed], ends[listed], tops[listed])


def _half_waves(
    x: npt.NDArray[np.float32],
) -> tuple[
    npt.NDArray[np.intp],
    npt.NDArray[np.intp],
    npt.NDArray[np.float64],
    npt.NDArray[np.bool_],
    npt.NDArray[np.float64],
]:
    """Return start, end, peak, polarity and share of the polarity's highest peak.

    Only half waves that reach 35 % of that are returned, and none of a signal too quiet to tell.
    """
    empty = np.zeros(0, np.intp)
    if not len(x):
        return empty, empty, np.zeros(0), np.zeros(0, bool), np.zeros(0)
    positive = x > 0
    starts = np.concatenate(([0], np.flatnonzero(positive[1:] != positive[:-1]) + 1))
    tops = np.maximum.reduceat(np.abs(x), starts).astype(np.float64)
    polarity = positive[starts]
    highest = [max(_QUIETEST, float(tops[own].max(initial=0.0))) for own in (~polarity, polarity)]
    share = tops / np.take(highest, polarity.astype(np.intp))
    keep = (share > _LOWER[0]) & (tops > _QUIETEST)
    ends = np.append(starts[1:], len(x))
    return starts[keep], ends[keep], tops[keep], polarity[keep], share[keep]


def _durations(
    x: npt.NDArray[np.float32],
    starts: npt.NDArray[np.intp],
    ends: npt.NDArray[np.intp],
    tops: npt.NDArray[np.float64],
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Return how many samples of each half wave exceed 95 % and 70 % of its peak."""
    lengths = ends - starts
    offsets = np.cumsum(lengths) - lengths
    inside = np.arange(int(lengths.sum())) + np.repeat(starts - offsets, lengths)
    relative = np.abs(x[inside]) / np.repeat(tops, lengths)
    above_95 = np.add.reduceat((relative > 0.95).astype(np.intp), offsets)
    above_70 = np.add.reduceat((relative > 0.70).astype(np.intp), offsets)
    return above_95, above_70
