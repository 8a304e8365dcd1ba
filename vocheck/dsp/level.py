"""Active speech level to ITU-T P.56, and the decibel helpers.

Levels are in dBFS with the RMS of a full-scale *square* wave as 0 dBFS (``20 log10`` of the RMS;
ITU-T calls this dBov): a full-scale sine has an RMS of -3.01 dBFS.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

# ITU-T P.56 (12/2011), clause 6.4, Method B
MARGIN_DB = 15.9  # M: between the active level and the threshold of activity
TIME_CONSTANT_S = 0.03  # T: of each of the two smoothing stages
HANGOVER_S = 0.2  # I: a pause shorter than this belongs to the speech
_STEP_S = 0.001  # the envelope is sampled at this step; it varies over 30 ms
_THRESHOLDS = 2.0 ** -np.arange(0.0, 16.0)  # c_j, from full scale down in steps of 6.02 dB


def db(power: float) -> float:
    """Return a power ratio in decibels, ``-inf`` for zero."""
    return 10.0 * math.log10(power) if power > 0.0 else -math.inf


@dataclass(frozen=True)
class ActiveLevel:
    """Active speech level.

    Attributes
    ----------
    dbfs : float
        Level of the speech while the talker is active; ``-inf`` for silence.
    activity : float
        Share of the time the talker is active, 0 to 1.
    """

    dbfs: float
    activity: float


def active_level(x: npt.NDArray[np.float32], rate_hz: int) -> ActiveLevel:
    """Return the active speech level of `x`, shape (frames,), by ITU-T P.56 Method B.

    The envelope is the rectified signal averaged over 1 ms and smoothed twice with a time constant
    of 30 ms. For each threshold, the time spent above it (plus 200 ms of hangover) gives a level;
    the active level is where that level stands 15.9 dB above its threshold.
    """
    energy = float(np.vdot(x, x).real)
    if energy == 0.0:
        return ActiveLevel(-math.inf, 0.0)
    step = max(1, round(rate_hz * _STEP_S))
    whole = len(x) // step * step
    rectified = np.abs(x[:whole]).reshape(-1, step).mean(axis=1, dtype=np.float64)
    envelope = _smooth_twice(rectified, math.exp(-step / rate_hz / TIME_CONSTANT_S))
    hangover = round(HANGOVER_S * rate_hz / step)
    activities = np.array([_held(envelope >= c, hangover) for c in _THRESHOLDS]) * step
    used = activities > 0
    if not used.any():
        return ActiveLevel(db(energy / len(x)), 1.0)
    # A_j, C_j and their difference of clause 6.4; the difference grows as the threshold falls.
    levels = 10.0 * np.log10(energy / activities[used])
    margins = levels - 20.0 * np.log10(_THRESHOLDS[used])
    # np.interp holds the ends: speech louder or softer than every threshold still has a level.
    order = np.argsort(margins, kind="stable")
    level = float(np.interp(MARGIN_DB, margins[order], levels[order]))
    return ActiveLevel(level, min(1.0, energy / len(x) / 10.0 ** (level / 10.0)))


def _smooth_twice(x: npt.NDArray[np.float64], g: float) -> npt.NDArray[np.float64]:
    from scipy.signal import lfilter

    smooth: npt.NDArray[np.float64] = lfilter(
        [(1.0 - g) ** 2], [1.0, -2.0 * g, g * g], x
    )
    return smooth


def _held(above: npt.NDArray[np.bool_], hangover: int) -> int:
    """Count the steps that are above a threshold or within the hangover after one that was."""
    index = np.flatnonzero(above)
    if not len(index):
        return 0
    gaps = np.diff(index, append=len(above)) - 1
    return len(index) + int(np.minimum(gaps, hangover).sum())
