"""What a recording of a room holds: claps (or other impulses), a sweep, or steady room tone.

An impulse is recognised by its attack (10 dB or more within 20 ms, up to near the loudest level of
the recording) and by what follows: the level only falls until the noise or the next impulse.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import levels_db, power_ratio
from vocheck.dsp.frames import blocked, framed

Signal = npt.NDArray[np.float64]
Excitation = Literal["impulse", "sweep", "room tone"]

_BLOCK_S = 0.002  # short beside an attack, one period of 500 Hz
_LOOK_BACK_S = 0.02  # a syllable rises more slowly than _ATTACK_DB within this time
_ATTACK_DB = 10.0  # see _LOOK_BACK_S; our choice
_OVER_FLOOR_DB = 20.0  # nearer to the noise no decay is left to measure
_BELOW_LOUDEST_DB = 20.0  # claps of one file differ by less; handling noise is softer
_MIN_GAP_S = 0.05  # nearer than this it is a reflection
_PRE_S = 0.2  # noise before the onset that lets the band filters settle
_GUARD_S = 0.01  # kept clear of the next impulse
_POST_S = 0.5  # noise after the decay, at least; twice the decay if that is longer
_SLOW_S = 0.02  # smooths the flutter of a decay, not its fall
_REBOUND_DB = 9.0  # how far a decay may rise again: flutter and beating do by less, speech by more
_REBOUND_RANGE_DB = 35.0  # below, the noise beats as much as a decay could
_IMPULSES_PER_S = 1.5  # claps come slower, so that each dies away; syllables come faster
_STEADY_DB = 9.0  # spread of the level of room tone in blocks of 50 ms, 10th to 90th percentile
_BUMP_DB = 12.0  # the loudest block of room tone over its 90th percentile
_ZERO_RUN_S = 0.01  # noise holds no run of zeros as long: a gate made it
_RUMBLE_HZ = 100.0  # a small booth carries no clap below, but traffic
_TINY = 1e-20  # of power: keeps a logarithm finite


@dataclass(frozen=True)
class Impulse:
    """One impulse with what belongs to it.

    Attributes
    ----------
    start, peak, end : int
        Samples: the stretch to analyse, and the loudest block in it.
    interrupted : bool
        The next impulse came before the decay had sunk into the noise.
    gated : bool
        Digital silence cuts the decay off.
    """

    start: int
    peak: int
    end: int
    interrupted: bool = False
    gated: bool = False


def trim_silence(x: Signal) -> tuple[int, int]:
    """Return where digital silence ends at the head and begins at the tail of `x`."""
    sounding = np.flatnonzero(x)
    return (int(sounding[0]), int(sounding[-1]) + 1) if len(sounding) else (0, 0)


def find_impulses(x: Signal, rate_hz: int) -> tuple[Impulse, ...]:
    """Find the impulses in `x`, shape (frames,), and what belongs to each."""
    x = _without_rumble(x, rate_hz)
    block = max(1, round(_BLOCK_S * rate_hz))
    level = _levels(x, block)
    if not len(level):
        return ()
    floor = _floor(level)
    back = round(_LOOK_BACK_S / _BLOCK_S)
    # What came before the file began counts as its floor: a response may start with its impulse.
    before = framed(np.concatenate((np.full(back, floor), level[:-1])), back).max(axis=1)
    threshold = max(floor + _OVER_FLOOR_DB, level.max() - _BELOW_LOUDEST_DB)
    attacks = np.flatnonzero((level >= threshold) & (level - before >= _ATTACK_DB))
    gap = round(_MIN_GAP_S / _BLOCK_S)
    onsets: list[int] = []
    for attack in attacks.tolist():
        if not onsets or attack - onsets[-1] >= gap:
            onsets.append(attack)
    return tuple(
        _extent(x, rate_hz, level, floor, onset, following, previous)
        for previous, onset, following in zip(
            [None, *onsets], onsets, [*onsets[1:], None], strict=False
        )
    )


def _extent(
    x: Signal,
    rate_hz: int,
    level: Signal,
    floor: float,
    onset: int,
    following: int | None,
    previous: int | None,
) -> Impulse:
    block = max(1, round(_BLOCK_S * rate_hz))
    last = len(level) if following is None else following
    peak = onset + int(np.argmax(level[onset : min(last, onset + round(_MIN_GAP_S / _BLOCK_S))]))
    slow = _smooth(level[peak:last], round(_SLOW_S / _BLOCK_S))
    sunk = np.flatnonzero(slow <= floor + 3.0)
    end = len(x) if following is None else following * block - round(_GUARD_S * rate_hz)
    if len(sunk):
        after = max(round(_POST_S / _BLOCK_S), 2 * int(sunk[0]))
        end = min(end, (peak + int(sunk[0]) + after) * block)
    start = onset * block - round(_PRE_S * rate_hz)
    if previous is not None:
        start = max(start, (previous + onset) // 2 * block)
    start = max(0, start)
    silent = np.flatnonzero(frozen_samples(x[peak * block : end], rate_hz))
    if len(silent):
        end = peak * block + int(silent[0])
    return Impulse(
        start=start,
        peak=peak * block,
        end=end,
        interrupted=following is not None and not len(sunk),
        gated=len(silent) > 0,
    )


def frozen_samples(x: Signal, rate_hz: int) -> npt.NDArray[np.bool_]:
    """Return which samples lie in a run of identical ones of 10 ms or more: what a gate leaves."""
    edges = np.flatnonzero(np.diff(x, prepend=np.nan, append=np.nan) != 0.0)
    runs = np.diff(edges)
    return np.repeat(runs >= _ZERO_RUN_S * rate_hz, runs)


def recognise(x: Signal, rate_hz: int) -> Excitation | None:
    """Return what `x`, shape (frames,), holds; ``None`` for none of these."""
    x = _without_rumble(x, rate_hz)
    if is_sweep(x, rate_hz):
        return "sweep"
    if is_steady(x, rate_hz):
        return "room tone"
    found = find_impulses(x, rate_hz)
    if found and len(found) <= 1 + _IMPULSES_PER_S * len(x) / rate_hz:
        rebounds = [_rebound_db(x[impulse.peak : impulse.end], rate_hz) for impulse in found]
        if float(np.median(rebounds)) <= _REBOUND_DB:
            return "impulse"
    return None


def is_steady(x: Signal, rate_hz: int) -> bool:
    """Return whether the level of `x` keeps within a few decibels, as room tone does."""
    level = _levels(x, max(1, round(0.05 * rate_hz)))
    if len(level) < 10:
        return False
    low, high, top = np.percentile(level, (10.0, 90.0, 100.0))
    return bool(high - low < _STEADY_DB and top - high < _BUMP_DB)


def is_sweep(x: Signal, rate_hz: int) -> bool:
    """Return whether one tone glides through the loud part of `x`."""
    size = 1 << int(np.ceil(np.log2(0.05 * rate_hz)))
    frames = blocked(x, size) * np.hanning(size)
    if len(frames) < 10:
        return False
    power = np.abs(np.fft.rfft(frames)) ** 2
    energy = power.sum(axis=1)
    loud = energy > 0.01 * energy.max()
    power, energy = power[loud], energy[loud]
    if len(power) < 8:
        return False
    peaks = power.argmax(axis=1)
    # A gliding tone stays within a few bins of its peak; how many depends on its speed.
    width = 3 + 0.15 * peaks[:, np.newaxis]
    near = np.abs(np.arange(power.shape[1]) - peaks[:, np.newaxis]) <= width
    tonal = (power * near).sum(axis=1) > 0.8 * energy
    never_falling = np.diff(peaks) >= 0
    upward = never_falling.mean() > 0.85 and peaks[-1] > 8 * max(1, peaks[0])
    return bool(tonal.mean() > 0.7 and upward)


def _without_rumble(x: Signal, rate_hz: int) -> Signal:
    """Return `x` above 100 Hz: rumble that hides a decay says nothing of what was recorded."""
    from scipy.signal import butter, sosfilt

    if not len(x):
        return x
    # Digital silence stays so: a gate is found by it.
    filtered = sosfilt(butter(2, _RUMBLE_HZ, "highpass", fs=rate_hz, output="sos"), x)
    return np.where(frozen_samples(x, rate_hz), 0.0, filtered)


def _rebound_db(x: Signal, rate_hz: int) -> float:
    """Return the largest rise of the level after a fall, in blocks of 20 ms."""
    level = _levels(x, max(1, round(_SLOW_S * rate_hz)))
    if len(level) < 2:
        return 0.0
    # What rises again far below the peak is noise.
    level = np.maximum(level, level.max() - _REBOUND_RANGE_DB)
    return float(np.max(level - np.minimum.accumulate(level)))


def _levels(x: Signal, block: int) -> Signal:
    """Return the level of each whole block in decibels."""
    power = blocked(np.square(x), block).mean(axis=1)
    levels: Signal = levels_db(power + _TINY)
    return levels


def _floor(level: Signal) -> float:
    """Return a low percentile of the level, digital silence left out."""
    sounding = level[level > -190.0]
    return float(np.percentile(sounding, 15.0)) if len(sounding) else -200.0


def _smooth(level: Signal, width: int) -> Signal:
    """Return the level of the power averaged over `width` blocks from each on."""
    if not len(level):
        return level
    power = power_ratio(level)
    total = np.concatenate(([0.0], np.cumsum(power)))
    ends = np.minimum(np.arange(len(level)) + width, len(level))
    smooth: Signal = levels_db(
        np.maximum(total[ends] - total[:-1], 0.0) / (ends - np.arange(len(level))) + _TINY
    )
    return smooth
