"""Scrambled stretches: samples in a row that are no sound, but random numbers.

A block of a file that was overwritten, or a buffer that was read as what it is not, turns into
white noise near full scale. It starts and stops from one sample to the next, which no sound that
went through air and a microphone does.

The roughness of the signal, its second difference, shows such a stretch far above what is before
and after it. Four things are asked of it: it is rougher than anything for 3 ms on both sides, and
than anything for 30 ms on both sides, by a margin; and inside it, the difference of neighboring
samples carries more energy than the samples do (white noise: twice as much) and changes its sign at
random. The burst of a stop, a mouth click and hiss each lack at least one of them.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vocheck.dsp.frames import blocked
from vocheck.dsp.runs import runs_of

Spans = list[tuple[int, int]]

_BLOCK_S = 0.001  # shorter than what is looked at on either side
LONGEST_S = 0.025
"""Longest stretch that is looked for: a longer one is noise that everybody hears."""
_FAR_BLOCKS, _GUARD_BLOCKS = 30, 26  # how far is looked, and how far a stretch may reach
_FAR_TOP = 2.2  # of the roughest block: over the roughest at that distance
_EDGE = 0.2  # of the peak of the roughness: below it a stretch has ended
_CALM_S = 0.0005  # for so long
_GUARD = 9  # samples beside a stretch that its own edge or a resampler's ringing roughens
_NEAR_S, _FAR_S = 0.003, 0.03  # half a glottal period; a few of them, or a burst and its hiss
# Chosen on 15 minutes of 169 untouched readings at 16 to 48 kHz, none of which has such a place
# (docs/accuracy/dropouts.md, written by tests.accuracy.dropouts).
_OVER_NEAR, _OVER_FAR, _WHITE, _TURNS = 5.0, 1.5, 1.0, 0.45
_FEWEST = 10  # samples: fewer are a click


def scrambled_stretches(x: npt.NDArray[np.floating], rate: int, least: float) -> Spans:
    """Return the scrambled stretches of `x`, shape (frames,), as (first, after the last) sample.

    Those whose roughness has an RMS below `least` are left out.
    """
    size = max(8, round(_BLOCK_S * rate))
    rough = np.diff(np.diff(x))
    np.abs(rough, out=rough)
    if len(rough) < 2 * _FAR_BLOCKS * size:
        return []
    return [
        span
        for block in _suspects(blocked(rough, size).max(axis=1), least)
        if (span := _stretch(x, rough, block * size, size, rate, least)) is not None
    ]


def _suspects(top: npt.NDArray[np.floating], least: float) -> list[int]:
    """Return the blocks that are the roughest within reach, and rougher than what lies beyond."""
    if top.max() < least:
        return []
    from scipy.ndimage import maximum_filter1d

    width = _FAR_BLOCKS - _GUARD_BLOCKS + 1
    beyond = (_FAR_BLOCKS + _GUARD_BLOCKS) // 2
    around = maximum_filter1d(top, width, mode="nearest")
    padded = np.pad(around, beyond, mode="edge")
    far = np.maximum(padded[: len(top)], padded[2 * beyond :])
    crest = top >= maximum_filter1d(top, 2 * _GUARD_BLOCKS + 1, mode="nearest")
    chosen: list[int] = np.flatnonzero(crest & (top > _FAR_TOP * far) & (top > least)).tolist()
    return chosen


def _stretch(
    x: npt.NDArray[np.floating],
    rough: npt.NDArray[np.floating],
    place: int,
    size: int,
    rate: int,
    least: float,
) -> tuple[int, int] | None:
    """Return the stretch that is roughest in the block at `place`, where it is a scrambled one."""
    longest = round(LONGEST_S * rate)
    origin = max(0, place - longest)
    piece = rough[origin : place + size + longest]
    peak = place - origin + int(rough[place : place + size].argmax())
    over = piece > _EDGE * piece[peak]
    # Single calm samples belong to the stretch; it ends where it is calm for longer.
    calm = [tuple(run) for run in runs_of(~over) if run[1] - run[0] > _CALM_S * rate]
    start = origin + max((end for _, end in calm if end <= peak), default=0)
    end = origin + min((begin for begin, _ in calm if begin > peak), default=len(piece))
    if not _FEWEST <= end - start <= longest:
        return None
    height = float(np.sqrt(np.mean(np.square(rough[start:end], dtype=np.float64))))
    if height < least:
        return None
    for reach_s, margin in ((_NEAR_S, _OVER_NEAR), (_FAR_S, _OVER_FAR)):
        reach = round(reach_s * rate)
        before = rough[max(0, start - reach) : max(0, start - _GUARD)]
        after = rough[end + _GUARD : end + _GUARD + reach]
        if min(len(before), len(after)) < round(_NEAR_S * rate) // 2:
            return None  # at the very ends nobody can tell
        if height <= margin * max(before.max(), after.max()):
            return None
    inside = x[start + 1 : end + 1].astype(np.float64)
    step = np.diff(inside)
    is_white = np.vdot(step, step) > _WHITE * np.vdot(inside, inside)
    turns = np.mean(np.signbit(step[1:]) != np.signbit(step[:-1]))
    return (start, end + 2) if is_white and turns > _TURNS else None
