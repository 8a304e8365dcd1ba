"""Where to join two takes in their pauses: where they differ least.

The pause at a join begins in one take and ends in the other. Its length stays the mean of the two,
within 10 ms, so the read keeps its pace. Searched is where in the pause the change falls, and by
how much the second take is moved against the first, so that hum and rumble go on in phase. What
counts is the energy of the difference over the crossfade: it is least where both takes are quiet
and alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.edit.stretches import stretch

STEP_S = 0.0005
"""How finely it is searched: a fifth of a period of a hum's harmonic at 400 Hz."""

MOST_LAG_S = 0.01
"""Half a period of 50 Hz: within it, hum of any phase finds its like."""


@dataclass(frozen=True, kw_only=True)
class Side:
    """A take at a join.

    Attributes
    ----------
    path : str
    rate_hz, frames : int
        Of the recording.
    channel : int
        The one with the voice, from 0.
    start, middle, end : int
        The pause and the place that was proposed in it, in samples of the recording.
    """

    path: str
    rate_hz: int
    frames: int
    channel: int
    start: int
    middle: int
    end: int


def best_place(before: Side, after: Side, fade_s: float) -> tuple[int, int]:
    """Return at which sample to leave one take, and at which to enter the other.

    The proposed places, where one of them does not pause or the rates differ.

    Raises
    ------
    AudioError
        If a take cannot be read.
    """
    rate = before.rate_hz
    fade, most_lag = max(2, round(fade_s * rate)), round(MOST_LAG_S * rate)
    room = fade // 2 + most_lag
    low = max(before.start - before.middle, after.start - after.middle) + room
    high = min(before.end - before.middle, after.end - after.middle) - room
    if after.rate_hz != rate or high < low:
        return before.middle, after.middle
    step = max(1, round(STEP_S * rate))
    a = _around(before, low - fade // 2, high + fade // 2 + fade % 2)
    b = _around(after, low - fade // 2 - most_lag, high + fade // 2 + fade % 2 + most_lag)
    shifts = np.arange(0, high - low + 1, step)
    shifts = shifts[np.argsort(np.abs(shifts + low), kind="stable")]  # of equals the middle
    best = (np.inf, 0, 0)
    for lag in sorted(range(-most_lag, most_lag + 1, step), key=abs):
        shifted = b[most_lag + lag : most_lag + lag + len(a)]
        energy = np.concatenate(([0.0], np.cumsum(np.square(a - shifted))))
        cost = (energy[fade:] - energy[:-fade])[shifts]
        at = int(cost.argmin())
        if cost[at] < best[0]:
            best = (float(cost[at]), low + int(shifts[at]), lag)
    _, shift, lag = best
    return before.middle + shift, after.middle + shift + lag


def _around(side: Side, first: int, last: int) -> npt.NDArray[np.float64]:
    """Return the voice's channel between two samples, told from the middle."""
    blocks = stretch(side.path, side.channel, side.middle + first, last - first)
    return np.concatenate(list(blocks)).astype(np.float64)
