"""Gaps: places where a signal falls to next to nothing from one sample to the next, and comes back.

A gap of zeros stays a gap when the file is resampled, dithered or mixed with a little noise, but it
is no longer zero: the band limit lets the signal ring into it, and the noise fills it. What stays
is a deep hole with sharp edges. The ringing lies just below half of 44.1 or 48 kHz, where a short
low-pass takes most of it away before the levels are looked at.

A stretch of 1.5 ms and more far below the pauses is a gap if there is speech beside it: no room is
quieter than itself. Of the other holes three kinds of numbers are taken, all in dB:

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
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_levels_db, amplitude_ratio
from vocheck.dsp.runs import runs_of

Samples = npt.NDArray[np.floating]
Places = npt.NDArray[np.intp]
Numbers = npt.NDArray[np.float64]
Spans = list[tuple[int, int]]

_BLOCKS_PER_S = 12000  # 4 samples of 48 kHz: the shortest gap looked for, 0.5 ms, fills six blocks
# The low-pass takes the mean of two neighboring samples four times. Its zero is at half of 48 kHz;
# at a multiple of that rate the two samples lie as far apart in time.
_LOWPASS_HZ, _LOWPASS_ORDER = 48000, 4
_SIDE = 12  # blocks: 1 ms
_RING = 2  # blocks that an edge may ring
_CLICK, _CREST = 3, 2.0  # blocks that a click may fill; of a voice the rest is not much lower
_QUIET, _QUIET_SAMPLES = 3, 12  # blocks that must be quiet: 0.25 ms, and no fewer samples
_FALL = amplitude_ratio(-24.0)  # below the side: where a hole is looked at
_END = amplitude_ratio(3.0)  # it ends at this much above that, or at twice its own level
_REACHES_S = (0.008, 0.5)  # the end is looked for within these, one after the other
_CORNER_S = 0.003  # outside of each edge: what its corner is compared with
# Depth, steepness and sharpness count for no more than this: beyond it all holes are gaps alike.
_DEEPEST_DB, _STEEPEST_DB, _SHARPNESS_DB = 70.0, 50.0, (-15.0, 12.0)
_STEEPNESS_WEIGHT = 0.25  # of a decibel of steepness in the score; one of depth counts 1
# Least score of holes up to a length in seconds.
_LENGTHS_S = (0.00034, 0.0013, 0.004, 0.008, 0.06)
_LEAST_SCORES = (72.0, 64.0, 66.0, 82.0, 92.0, 96.0)
_ROOM_QUANTILE, _ROOM_S = 0.1, 0.05  # of a pause's level, if it is so long
_BELOW_ROOM, _BELOW_ROOM_S = amplitude_ratio(-20.0), 0.0015  # a wave is that low for less
_NEAR = 24  # blocks beside a stretch below the room in which speech must be heard: 2 ms
EDGE_S = 0.05  # of a file: silence there with speech on one side only is how it was cut
_PAUSE_S = 0.2  # a longer one with speech on one side only is an emptied pause
_16_BITS, _SAMPLES = 32768.0, 1000  # a file of 16 bits shows by so many samples
_TINY = 1e-9  # keeps a quotient of silences finite; one step of 24 bits is 1e-7


def find_gaps(
    x: Samples, rate_hz: int, least_side: float, pauses_s: Sequence[tuple[float, float]] = ()
) -> Spans:
    """Return the gaps in `x`, shape (frames,), as (first, after the last) sample.

    Parameters
    ----------
    x : ndarray of float, shape (frames,)
    rate_hz : int
    least_side : float
        Least peak beside a gap, as an amplitude.
    pauses_s : sequence of (start, end)
        Where nothing but the room is heard.
    """
    block = max(1, round(rate_hz / _BLOCKS_PER_S))
    width = max(_QUIET, math.ceil(_QUIET_SAMPLES / block))
    peak = _block_peaks(_without_ringing(x, rate_hz), block)
    lead = _SIDE + _RING
    if len(peak) < 2 * lead + width:
        return []
    quiet, loud = _running_max(peak, width), _running_max(peak, _SIDE)
    count = len(quiet) - lead
    is_fall = (quiet[lead:] < _FALL * loud[:count]) & (loud[:count] > least_side)
    is_fall[1:] &= ~is_fall[:-1]
    falls = lead + np.flatnonzero(is_fall)
    room = _BELOW_ROOM * _room(quiet, rate_hz / block, pauses_s)
    if room <= _half_step(x):
        room = 0.0
    below = _below(peak, quiet, room, width, rate_hz / block, least_side)
    found = [(start * block, end * block) for start, end in below]
    holes: Spans = []
    for reach_s in _REACHES_S:
        reach = round(reach_s * rate_hz / block)
        hole = _holes(peak, quiet, loud, falls, reach, width, least_side)
        holes += _judged(x, rate_hz, block, hole)
        falls = falls[hole.end < 0]
    # A hole that starts with such a stretch ends with it, even if a pause follows.
    near = _NEAR * block
    return sorted({*found, *(h for h in holes if all(abs(h[0] - f[0]) > near for f in found))})


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


def _without_ringing(x: Samples, rate_hz: int) -> Samples:
    """Return `x` through a short low-pass that has a zero at half of 44.1 or 48 kHz."""
    step = max(1, round(rate_hz / _LOWPASS_HZ))
    padding = _LOWPASS_ORDER * step
    if len(x) <= padding:
        return x
    smooth = x
    for _ in range(_LOWPASS_ORDER):
        smooth = smooth[step:] + smooth[:-step]
    smooth = smooth * smooth.dtype.type(0.5**_LOWPASS_ORDER)
    return np.pad(smooth, (padding // 2, padding - padding // 2), "edge")


def _room(quiet: Samples, blocks_per_s: float, pauses_s: Sequence[tuple[float, float]]) -> float:
    """Return the level of the quietest pause; 0 where all are short, or one digitally silent."""
    parts = (quiet[int(a * blocks_per_s) : int(b * blocks_per_s)] for a, b in pauses_s)
    long = (part for part in parts if len(part) >= _ROOM_S * blocks_per_s)
    return min((float(np.quantile(part, _ROOM_QUANTILE)) for part in long), default=0.0)


def _half_step(x: Samples) -> float:
    """Return half a step if `x` comes from a file of 16 bits: what its zeros may stand for."""
    some = x[:: len(x) // _SAMPLES + 1] * _16_BITS
    return 0.5 / _16_BITS if np.array_equal(some, np.rint(some)) else 0.0


def _below(
    peak: Samples, quiet: Samples, room: float, width: int, blocks_per_s: float, least_side: float
) -> Spans:
    """Return the stretches softer than `room` that speech stands beside, in blocks."""
    start, end = runs_of(quiet < room).T
    end = end + width - 1
    near = _running_max(peak, _NEAR)
    sides = np.maximum(start - _NEAR, 0), np.minimum(end, len(near) - 1)
    loud = np.stack([near[side] > least_side for side in sides])
    length_s = (end - start) / blocks_per_s
    # A file may begin or end softer than its room: it was cut close, faded, has a codec's lead-in.
    edge = round(EDGE_S * blocks_per_s)
    inside = (start >= edge) & (end <= len(peak) - edge)
    good = loud.all(axis=0) | (loud.any(axis=0) & (length_s < _PAUSE_S) & inside)
    good &= (start >= _NEAR) & (end <= len(peak) - _NEAR)
    # At low rates so many samples, since a wave passes zero more slowly there.
    good &= (length_s >= _BELOW_ROOM_S) & (end - start >= 2 * width)
    return list(zip(start[good].tolist(), end[good].tolist(), strict=True))


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
    return amplitude_levels_db(ratio)
