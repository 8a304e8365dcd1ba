"""Stretches of a signal that repeat an earlier one: an audio buffer that was played twice.

`exact_repeats` finds those that are equal sample for sample, whatever their length and lag.
`near_repeats` finds what resampling, dither or a little noise has left of a buffer played twice in
a row. Vowels nearly repeat themselves, too, but they do so softly and for many periods. A buffer
does it to within the noise, for as long as the lag and no longer, and stops at once.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_ratio, levels_db
from vocheck.dsp.frames import blocked

Samples = npt.NDArray[np.floating]
Places = npt.NDArray[np.intp]
Numbers = npt.NDArray[np.float64]
Spans = list[tuple[int, int]]

_LAG_S = 0.5  # longest lag
_HASH = np.uint64(0x9E3779B97F4A7C15)  # Fibonacci hashing: 2**64 over the golden ratio, odd

# Exact
_SHORTEST_S = 0.001
_MARK_DB = -20.0  # re `level`: crests above this are compared
_SOFT = amplitude_ratio(-60.0)  # re the same: of the softer crests one in 16 is compared
_PERIODS = 6  # a stretch that repeats more often than this is periodic by nature

# Near
_NEAR_MARK_DB = -20.0
_NEAR_SHORTEST_S = 0.009
_BIN_LOG_HEIGHT, _BIN_S = 0.06, 0.0001  # crests in one bin are compared ...
_CLOSE_LOG_HEIGHT, _CLOSE_S = 0.04, 0.00004  # ... and must agree this well, three in a row
_NEIGHBORS = 3  # in a bin
_WINDOW_S = 0.0015  # either side of a place: what the two playings are compared in
_EQUAL_DB = -30.0  # residual re signal that counts as a repeat
_DIFFERENT_DB = -10.0  # ... and what shows that it is none
_BLOCK_S = 0.001
_CONTRAST_DB = 26.0  # by which the residual outside exceeds that inside
_SOFTEST_DB = -30.0  # re `level`: softer blocks count as this loud
_SHORTER_S, _LONGER_S = 0.003, 0.001  # by which a stretch may differ from its lag
_TAPS = 16  # of the interpolation between samples


def exact_repeats(x: Samples, rate_hz: int, level: float) -> Spans:
    """Return the stretches of `x`, shape (frames,), that repeat an earlier stretch exactly.

    `level` is the active speech level as an RMS. Stretches are (first, after the last) sample.
    """
    marks = _marks(x, level * amplitude_ratio(_MARK_DB))
    if len(marks) < 2:
        return []
    bits = np.ascontiguousarray(x, np.float32).view(np.uint32)
    pairs = (bits[marks].astype(np.uint64) << np.uint64(32)) | bits[marks + 1]
    first, second = _alike(pairs, marks, 1)
    near = second - first <= round(_LAG_S * rate_hz)
    first, second = first[near], second[near]
    alike = (x[first - 1] == x[second - 1]) & (x[first + 2] == x[second + 2])
    first, second = first[alike], second[alike]
    shortest = max(16, round(_SHORTEST_S * rate_hz))
    found: Spans = []
    reached: dict[int, int] = {}  # per lag: up to where it has been compared
    by_time = np.argsort(second, kind="stable")
    for a, b in zip(first[by_time].tolist(), second[by_time].tolist(), strict=True):
        lag = b - a
        if b < reached.get(lag, 0):
            continue
        start, end = _extent(x, a, b)
        reached[lag] = end
        if end - start >= shortest and end - start <= _PERIODS * lag:
            found.append((start, end))
    return found


def _marks(x: Samples, threshold: float) -> Places:
    """Return the places by which stretches are compared: steep zero crossings, and crests."""
    if len(x) < 4:
        return np.zeros(0, np.intp)
    slope = x[1:] - x[:-1]
    positive = x > 0
    rising = slope > 0
    crossing = positive[2:-1] != positive[1:-2]
    height = np.abs(x[1:-2])
    crest = rising[1:-1] != rising[:-2]
    steep = np.abs(slope[1:-1]) > 0.1 * threshold
    marks = (crossing & steep) | (crest & (height > threshold))
    # Of the soft crests some are enough for a long buffer of room noise. They are chosen by their
    # values, so that both playings give the same ones.
    soft = np.flatnonzero(crest & ~marks & (height > _SOFT * threshold))
    bits = np.ascontiguousarray(x[soft + 1], np.float32).view(np.uint32)
    marks[soft[(bits * np.uint32(_HASH >> np.uint64(32))) >> np.uint32(28) == 0]] = True
    return np.flatnonzero(marks) + 1


def _extent(x: Samples, a: int, b: int) -> tuple[int, int]:
    """Return the stretch around `b` over which `x` equals itself around `a`."""
    step = 256
    end = b
    while end < len(x):
        size = min(step, len(x) - end)
        differs = np.flatnonzero(x[end : end + size] != x[end - b + a : end - b + a + size])
        if len(differs):
            end += int(differs[0])
            break
        end += size
        step *= 2
    step = 256
    start = b
    while start > b - a:
        size = min(step, start - (b - a))
        differs = np.flatnonzero(x[start - size : start] != x[start - size - b + a : start - b + a])
        if len(differs):
            start -= size - 1 - int(differs[-1])
            break
        start -= size
        step *= 2
    return start, end


def near_repeats(x: Samples, rate_hz: int, level: float) -> Spans:
    """Return the stretches of `x`, shape (frames,), that play the stretch before them again.

    Meant for a low rate, such as 16 kHz: buffers of 8 ms and more are found. `level` is the active
    speech level as an RMS. Stretches are (first, after the last) sample.
    """
    place, lag = _candidates(x, rate_hz, level * amplitude_ratio(_NEAR_MARK_DB))
    if not len(place):
        return []
    half = round(_WINDOW_S * rate_hz)
    lag, residual = _compared(x, place, lag, half)
    # A vowel goes on repeating itself one lag before and after; a buffer does not.
    good = residual < _EQUAL_DB
    for side in (-1, 1):
        beside = place[good] + side * np.rint(lag[good]).astype(np.intp)
        good[good] = _residual_db(x, beside, lag[good], half) > _DIFFERENT_DB
    place, lag = place[good], lag[good]
    # Many crests tell of one stretch: one look for each half of a lag is enough.
    halves = np.stack([np.rint(lag), place // np.rint(0.5 * lag)], axis=1)
    found: Spans = []
    for one in np.unique(halves, axis=0, return_index=True)[1].tolist():
        found += _stretch(x, rate_hz, level, int(place[one]), float(lag[one]))
    return sorted(set(found))


def _candidates(x: Samples, rate_hz: int, least: float) -> tuple[Places, Numbers]:
    """Return places and lags at which three crests in a row are much the same as before."""
    rising = np.diff(np.abs(x)) > 0
    crest = np.flatnonzero(rising[:-1] & ~rising[1:]) + 1
    crest = crest[np.abs(x[crest]) > least]
    if len(crest) < 4:
        return np.zeros(0, np.intp), np.zeros(0)
    left, middle, right = (x[crest + k].astype(np.float64) for k in (-1, 0, 1))
    bend = left - 2.0 * middle + right  # of the parabola through the three, never 0 at a crest
    shift = 0.5 * (left - right) / np.where(bend == 0.0, 1.0, bend)
    time = crest + shift
    height = np.log(np.abs(middle - 0.25 * (left - right) * shift))
    step = np.diff(time)
    bins = np.floor(height / _BIN_LOG_HEIGHT).astype(np.int64) * 2 + (middle > 0)
    key = (bins[:-2] << 40) ^ (bins[1:-1] << 20)
    key ^= np.floor(step[:-1] / (_BIN_S * rate_hz)).astype(np.int64)
    first, second = _alike(key.astype(np.uint64), np.arange(len(key)), _NEIGHBORS)
    lag = time[second] - time[first]
    close = (lag < _LAG_S * rate_hz) & (lag > _NEAR_SHORTEST_S * rate_hz)
    first, second = first[close], second[close]
    close = np.ones(len(first), bool)
    for k in (0, 1):
        close &= np.abs(step[first + k] - step[second + k]) < _CLOSE_S * rate_hz
    for k in (0, 1, 2):
        close &= np.abs(height[first + k] - height[second + k]) < _CLOSE_LOG_HEIGHT
    first, second = first[close], second[close]
    return crest[second + 1], time[second + 1] - time[first + 1]


def _alike(key: npt.NDArray[np.uint64], place: Places, neighbors: int) -> tuple[Places, Places]:
    """Return pairs of places with equal keys, the earlier one first.

    Each place is paired with the next `neighbors` ones that have its key. One integer holds a hash
    of the key above and the place below: a single sort brings equal keys together, in order of
    time.
    """
    bits = np.uint64(int(place[-1]).bit_length() if len(place) else 1)
    keys = np.sort(((key * _HASH) >> bits << bits) | place.astype(np.uint64))
    places = (keys & ((np.uint64(1) << bits) - np.uint64(1))).astype(np.intp)
    keys >>= bits
    same = [np.flatnonzero(keys[k:] == keys[:-k]) for k in range(1, neighbors + 1)]
    first = [places[index] for index in same]
    second = [places[index + k] for k, index in enumerate(same, 1)]
    return np.concatenate(first), np.concatenate(second)


def _compared(x: Samples, place: Places, lag: Numbers, half: int) -> tuple[Numbers, Numbers]:
    """Return the lags made exact, and the residual of the comparison in dB."""
    here = _window(x, place - half, 2 * half)
    there = _delayed(x, place - half, 2 * half, lag)
    slope = np.gradient(there, axis=1)
    # One Newton step towards the lag of the least residual.
    better = lag - ((here - there) * slope).sum(axis=1) / (np.square(slope).sum(axis=1) + 1e-30)
    return better, _residual_db(x, place, better, half)


def _residual_db(x: Samples, place: Places, lag: Numbers, half: int) -> Numbers:
    here = _window(x, place - half, 2 * half)
    rest = np.square(here - _delayed(x, place - half, 2 * half, lag)).sum(axis=1)
    return _db(rest, np.square(here).sum(axis=1))


def _window(x: Samples, first: Places, size: int) -> Numbers:
    """Return `size` samples from each of `first` on; beyond the ends there is silence."""
    index = first[:, np.newaxis] + np.arange(size)
    inside = (index >= 0) & (index < len(x))
    return np.where(inside, x[np.clip(index, 0, len(x) - 1)], 0.0).astype(np.float64)


def _delayed(x: Samples, first: Places, size: int, lag: Numbers) -> Numbers:
    """Return the same of `x` delayed by `lag` samples, which need not be whole (windowed sinc)."""
    whole = np.floor(-lag).astype(np.intp)
    taps = np.arange(1 - _TAPS // 2, _TAPS // 2 + 1)
    distance = (-lag - whole)[:, np.newaxis] - taps
    weights = np.sinc(distance) * np.cos(np.pi * distance / (_TAPS + 2)) ** 2
    wide = _window(x, first + whole + taps[0], size + _TAPS - 1)
    delayed = np.zeros((len(first), size))
    for k in range(_TAPS):
        delayed += weights[:, k : k + 1] * wide[:, k : k + size]
    return delayed


def _stretch(x: Samples, rate_hz: int, level: float, at: int, lag: float) -> Spans:
    """Return the stretch around `at` that repeats itself after `lag`, if it is a buffer's."""
    block = round(_BLOCK_S * rate_hz)
    blocks = int((lag + 5 * block) / block) + 1  # either side: a stretch and what is beside it
    first, size = np.array([at - blocks * block]), 2 * blocks * block
    here, there = _window(x, first, size)[0], _delayed(x, first, size, np.array([lag]))[0]
    rest = blocked(np.square(here - there), block).mean(axis=1)
    power = blocked(np.square(here), block).mean(axis=1)
    softest = (level * amplitude_ratio(_SOFTEST_DB)) ** 2
    differs = np.flatnonzero(_db(rest, np.maximum(power, softest)) > _EQUAL_DB + 2.0)
    before, after = differs[differs < blocks], differs[differs >= blocks]
    if not len(before) or not len(after):
        return []
    start, end = int(before[-1]) + 1, int(after[0])
    if not lag - _SHORTER_S * rate_hz <= (end - start) * block <= lag + _LONGER_S * rate_hz:
        return []
    inside = _ratio_db(rest, power, start, end)
    outside = min(_ratio_db(rest, power, start - 4, start), _ratio_db(rest, power, end, end + 4))
    if outside < max(_DIFFERENT_DB, inside + _CONTRAST_DB):
        return []
    origin = int(first[0])
    return [(origin + start * block, origin + end * block)]


def _ratio_db(rest: Numbers, power: Numbers, start: int, end: int) -> float:
    part = slice(max(0, start), end)
    return float(_db(rest[part].sum(), power[part].sum()))


def _db(power: Numbers, reference: Numbers) -> Numbers:
    level: Numbers = levels_db((power + 1e-30) / (reference + 1e-30))
    return level
