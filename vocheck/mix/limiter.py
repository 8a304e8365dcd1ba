"""A look-ahead limiter for true peaks: how far each moment is turned down.

The gain is found from the true peak of short steps (`vocheck.dsp.peak_envelope`, 0.5 to 1 ms), for
all channels together, so that the stereo image stays. In decibels:

1. What each step is over the ceiling. A step holds its reduction from just before to `hold` after.
2. After that the reduction lets go by a constant number of decibels per second.
3. A Hann window as long as the attack smooths it. The gain is down before the peak comes.
4. Between the steps the gain follows a cubic B-spline: a mean of the four values around with
   weights that are never negative, so it is nowhere above what a step asks for.

Half a period of 20 Hz is 25 ms. A hold that is longer keeps the gain of a steady tone constant: the
wave is turned down, not bent. Below the ceiling the gain is exactly 1.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_levels_db, amplitude_ratio
from vocheck.dsp.frames import framed

Floats = npt.NDArray[np.float32]

_STEPS_PER_S = 1500.0  # about: a step is a power of two frames
_SHORTEST, _LONGEST = 2, 256  # frames of a step (`PeakEnvelope`)
_CHUNK = 1 << 16  # steps worked on at a time: keeps the memory small
_BEFORE, _AFTER = 1, 2  # steps around its own that a moment's gain is a mean of
_NO_REDUCTION_DB = 1e-4  # the release ends here: 0.00001 of the amplitude


@dataclass(frozen=True, kw_only=True)
class Timing:
    """How fast a limiter moves.

    Attributes
    ----------
    attack_s : float
        In which the gain goes down before a peak.
    hold_s : float
        How long it stays down at least.
    release_db_per_s : float
        How fast it comes back.
    """

    attack_s: float
    hold_s: float
    release_db_per_s: float


def step_frames(rate_hz: int) -> int:
    """Return how many frames a step has at a sample rate: a power of two."""
    return min(_LONGEST, max(_SHORTEST, 1 << max(0, round(math.log2(rate_hz / _STEPS_PER_S)))))


def gain_of(peaks: Floats, ceiling: float, timing: Timing, step_s: float) -> Floats:
    """Return the gain of each step that keeps all peaks at the ceiling or below.

    Parameters
    ----------
    peaks : ndarray of float32, shape (steps,)
        True peak of each step.
    ceiling : float
        An amplitude.
    timing : Timing
    step_s : float
        Length of a step.

    Returns
    -------
    ndarray of float32, shape (steps,)
        Amplitude ratios, 1 where nothing is turned down.
    """
    half = max(1, round(timing.attack_s / step_s / 2.0))
    ahead = half + _BEFORE
    behind = max(half + _AFTER, math.ceil(timing.hold_s / step_s))
    reduction = np.empty_like(peaks)
    for start, padded in _chunks(peaks, behind, ahead):
        over = amplitude_levels_db(np.maximum(padded, np.float32(ceiling)) / np.float32(ceiling))
        held = _sliding_max(over.astype(np.float32), behind + ahead + 1)
        reduction[start : start + len(held)] = held
    _release(reduction, timing.release_db_per_s * step_s)
    window = np.hanning(2 * half + 3)[1:-1]
    window = (window / window.sum()).astype(np.float32)
    gain = reduction  # written over from the start: a chunk keeps what the next one needs
    for start, padded in _chunks(reduction, half, half):
        smooth = np.convolve(padded, window, mode="valid")
        smooth[smooth < _NO_REDUCTION_DB] = 0.0
        gain[start : start + len(smooth)] = amplitude_ratio(-smooth.astype(np.float64))
    return gain


def _chunks(values: Floats, before: int, after: int) -> Iterator[tuple[int, Floats]]:
    """Yield stretches with what stands before and after them, the ends repeated.

    The values may be written over behind the place that was yielded.
    """
    left = np.repeat(values[:1], before)
    for start in range(0, len(values), _CHUNK):
        end = min(len(values), start + _CHUNK)
        padded = np.concatenate((left, values[start : end + after]))
        missing = before + (end - start) + after - len(padded)
        padded = np.concatenate((padded, np.repeat(padded[-1:], missing)))
        left = padded[end - start : end - start + before].copy()
        yield start, padded


def _sliding_max(x: Floats, size: int) -> Floats:
    """Return the largest of each `size` values in a row, shape (values - size + 1,)."""
    width = 1
    while 2 * width <= size:
        x = np.maximum(x[:-width], x[width:])
        width *= 2
    rest = size - width
    return np.maximum(x[:-rest], x[rest:]) if rest else x


def _release(reduction: Floats, slope_db: float) -> None:
    """Let a reduction fall by no more than a slope per step, in place."""
    last = 0.0
    for start in range(0, len(reduction), _CHUNK):
        part = reduction[start : start + _CHUNK].astype(np.float64)
        part[0] = max(part[0], last - slope_db)
        fall = slope_db * np.arange(len(part))
        released = np.maximum.accumulate(part + fall) - fall
        released[released < _NO_REDUCTION_DB] = 0.0
        reduction[start : start + len(part)] = released
        last = float(released[-1])


class Ride:
    """Moves a stream by a gain over time.

    Parameters
    ----------
    gain : ndarray of float32, shape (steps,)
        As `gain_of` gives it.
    step : int
        Frames of a step.
    """

    def __init__(self, gain: Floats, step: int) -> None:
        self._gain = gain
        self._step = step
        t = np.arange(step) / step
        # The uniform cubic B-spline between two of its points.
        weights = ((1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, 3 * t * (1 + t - t**2) + 1, t**3)
        self._basis = np.stack(weights) / 6.0
        self._done = 0

    def next(self, frames: int) -> npt.NDArray[np.float64] | None:
        """Return the gain of the next frames, shape (frames,); ``None`` where it is 1."""
        first, last = self._done // self._step, -(-(self._done + frames) // self._step)
        offset = self._done - first * self._step
        self._done += frames
        places = np.arange(first - _BEFORE, last + _AFTER)
        points = self._gain[np.clip(places, 0, len(self._gain) - 1)]
        if (points == 1.0).all():
            return None
        gain = np.ones((last - first, self._step))
        around = framed(points, 4)
        moved = np.flatnonzero((around != 1.0).any(axis=1))
        gain[moved] = around[moved] @ self._basis
        return gain.reshape(-1)[offset : offset + frames]
