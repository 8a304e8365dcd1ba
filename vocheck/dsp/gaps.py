"""Gaps: places where a signal falls to next to nothing from one sample to the next, and comes back.

A gap of zeros stays a gap when the file is resampled, dithered or mixed with a little noise, but it
is no longer zero: the band limit lets the signal ring into it, and the noise fills it. What stays
is a deep hole with sharp edges. Three kinds of numbers are taken of each hole, all in dB:

- depth: the peak of the millisecond on either side (a click beside a pause makes no gap, so its two
  or three samples do not count) over the quietest quarter of a millisecond inside; the smaller of
  both sides;
- steepness of each edge: the same over the first quarter of a millisecond that is quiet;
- sharpness of each edge: its greatest second difference over that of the 3 ms outside. A wave that
  passes slowly through zero has no corner, and neither has a pause.

Their sum decides, the steepness by a quarter. Short holes are common in a smooth wave and long ones
in speech (the closure of a stop), so that what is asked depends on the length. The weights and the
least scores are our choice; docs/accuracy.md says on which voices they were set.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.floating]
Places = npt.NDArray[np.intp]
Numbers = npt.NDArray[np.float64]
Spans = list[tuple[int, int]]

_BLOCKS_PER_S = 12000
_SIDE = 12  # blocks: 1 ms
_RING = 2  # blocks that an edge may ring
_CLICK, _CREST = 3, 2.0  # blocks that a click may fill; of a voice the rest is not much lower
_QUIET, _QUIET_SAMPLES = 3, 12  # blocks that must be quiet: 0.25 ms, and no fewer samples
_FALL = 10.0 ** (-24.0 / 20.0)  # below the side: where a hole is looked at
_END = 10.0 ** (3.0 / 20.0)  # it ends at this much above that, or at twice its own level
_REACHES_S = (0.008, 0.5)  # the end is looked for within these, one after the other
_CORNER_S = 0.003  # outside of each edge: what its corner is compared with
_DEEPEST_DB, _STEEPEST_DB, _SHARPNESS_DB = 70.0, 50.0, (-15.0, 12.0)  # no more counts
_STEEPNESS_WEIGHT = 0.25
# Least score of holes up to a length in seconds.
_LENGTHS_S, _LEAST_SCORES = (0.00034, 0.0013, 0.008), (72.0, 62.0, 74.0, 84.0)
_TINY = 1e-9


def find_gaps(x: Samples, rate_hz: int, least_side: float) -> Spans:
    """Return the gaps in `x`, shape (frames,), as (first, after the last) sample.

    Parameters
    ----------
    x : ndarray of float, shape (frames,)
    rate_hz : int
    least_side : float
        Least peak of the millisecond before a gap, as an amplitude.
    """
    block = max(1, round(rate_hz / _BLOCKS_PER_S))
    width = max(_QUIET, math.ceil(_QUIET_SAMPLES / block))
    peak = _block_peaks(x, block)
    lead = _SIDE + _RING
    if len(peak) < 2 * lead + width:
        return []
    quiet, loud = _running_max(peak, width), _running_max(peak, _SIDE)
    count = len(quiet) - lead
    is_fall = (quiet[lead:] < _FALL * loud[:count]) & (loud[:count] > least_side)
    is_fall[1:] &= ~is_fall[:-1]
    falls = lead + np.flatnonzero(is_fall)
    found: Spans = []
    for reach_s in _REACHES_S:
        reach = round(reach_s * rate_hz / block)
        hole = _holes(peak, quiet, loud, falls, reach, width, least_side)
        found += _judged(x, rate_hz, block, hole)
        falls = falls[hole.end < 0]
    return sorted(set(found))


@dataclass(frozen=True)
class _Holes:
    """Holes in terms of blocks, and what is known of them."""

    start: Places
    end: Places  # -1 where it lies beyond reach
    score: Numbers


def _holes(
    peak: Samples,
    quiet: Samples,
    loud: Samples,
    falls: Places,
    reach: int,
    width: int,
    least_side: float,
) -> _Holes:
    """Measure the holes into which the signal falls, as far as they end within `reach` blocks."""
    lead = _SIDE + _RING
    first, side = quiet[falls], loud[falls - lead]
    top = np.maximum(2.0 * first, _END * _FALL * side)[:, np.newaxis]
    back = peak[falls[:, np.newaxis] - np.arange(1, lead + 1)] > top
    start = falls - back.argmax(axis=1)
    ahead = falls[:, np.newaxis] + np.arange(reach)
    rises = peak[np.minimum(ahead, len(peak) - 1)] > top
    length = np.where(rises.any(axis=1), rises.argmax(axis=1), reach)
    end = falls + length
    inside = np.arange(reach) < np.maximum(1, length - width + 1)[:, np.newaxis]
    lowest = np.where(inside, quiet[np.minimum(ahead, len(quiet) - 1)], np.inf).min(axis=1)
    before, after = _beside(peak, start - _SIDE), _beside(peak, end)
    lower = np.minimum(before, after)
    depth = np.minimum(_db(lower, lowest), _DEEPEST_DB)
    steepness = sum(np.minimum(_db(edge, first), _STEEPEST_DB) for edge in (before, after))
    score = depth + _STEEPNESS_WEIGHT * steepness
    whole = (length < reach) & (end < len(loud))
    score[lower < least_side] = -np.inf
    return _Holes(start, np.where(whole, end, -1), score)


def _beside(peak: Samples, first: Places) -> Samples:
    """Return the peak of the millisecond from block `first` on, a click left out of account."""
    side = peak[np.clip(first[:, np.newaxis] + np.arange(_SIDE), 0, len(peak) - 1)]
    side.sort(axis=1)
    level: Samples = np.minimum(side[:, -1], _CREST * side[:, -1 - _CLICK])
    return level


def _judged(x: Samples, rate_hz: int, block: int, hole: _Holes) -> Spans:
    """Return those holes that are gaps, in samples: deep, steep and sharp enough."""
    length_s = (hole.end - hole.start) * block / rate_hz
    least = np.take(_LEAST_SCORES, np.searchsorted(_LENGTHS_S, length_s))
    hopeful = (hole.end >= 0) & (hole.score + 2.0 * _SHARPNESS_DB[1] > least)
    start, end = hole.start[hopeful] * block, hole.end[hopeful] * block
    edge, far = _QUIET * block, round(_CORNER_S * rate_hz)
    sharpness = _sharpness(x, start, edge, block, -far) + _sharpness(x, end, edge, block, far)
    is_gap = hole.score[hopeful] + sharpness > least[hopeful]
    return list(zip(start[is_gap].tolist(), end[is_gap].tolist(), strict=True))


def _sharpness(x: Samples, place: Places, edge: int, block: int, far: int) -> Numbers:
    """Return how far the corners at `place` stand out of the `far` samples outside, in dB."""
    side = 1 if far > 0 else -1
    offsets = np.arange(-block, abs(far))  # from within the hole to far outside
    near = place[:, np.newaxis] + side * np.arange(-block - 1, abs(far) + 1)
    roughness = np.abs(np.diff(x[np.clip(near, 0, len(x) - 1)], 2, axis=1))
    corner = roughness[:, offsets < edge].max(axis=1, initial=0.0)
    outside = roughness[:, offsets >= edge].max(axis=1, initial=0.0)
    return np.clip(_db(corner, outside), *_SHARPNESS_DB)


def _block_peaks(x: Samples, block: int) -> Samples:
    """Return the largest magnitude of each whole block."""
    whole = np.abs(x[: len(x) // block * block])
    peak = whole[::block]
    for k in range(1, block):
        peak = np.maximum(peak, whole[k::block])
    return peak


def _running_max(peak: Samples, width: int) -> Samples:
    """Return the largest of `width` values from each on."""
    largest, reach = peak, 1
    while 2 * reach <= width:
        largest = np.maximum(largest[:-reach], largest[reach:])
        reach *= 2
    rest = width - reach
    return np.maximum(largest[:-rest], largest[rest:]) if rest else largest


def _db(a: Samples, b: Samples) -> Numbers:
    ratio: Numbers = np.maximum(a, _TINY) / np.maximum(b, _TINY)
    return 20.0 * np.log10(ratio)
