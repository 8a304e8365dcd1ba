"""Active speech level to ITU-T P.56.

Levels are in dBFS with the RMS of a full-scale *square* wave as 0 dBFS (``20 log10`` of the RMS;
ITU-T calls this dBov): a full-scale sine has an RMS of -3.01 dBFS.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_ratio, db, power_ratio
from vocheck.dsp.frames import blocked
from vocheck.recording import Recording, once

# ITU-T P.56 (12/2011), clause 6.4, Method B
MARGIN_DB = 15.9  # M: between the active level and the threshold of activity
TIME_CONSTANT_S = 0.03  # T: of each of the two smoothing stages
HANGOVER_S = 0.2  # I: a pause shorter than this belongs to the speech
_STEP_S = 0.001  # the envelope is sampled at this step; it varies over 30 ms
# The threshold is sought to this grain. The grid of 6 dB in the text of the method would make the
# result depend on the gain by some tenths of a decibel.
_COARSE_DB, _GRAIN_DB = 1.0, 0.01


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
    of 30 ms. A threshold on it gives an activity (the time above it, plus 200 ms of hangover) and
    so a level; the active level is the one that stands 15.9 dB above its own threshold.
    """
    energy = float(np.vdot(x, x).real)
    if energy == 0.0:
        return ActiveLevel(-math.inf, 0.0)
    step = max(1, round(rate_hz * _STEP_S))
    mean_db = db(energy / len(x))
    if len(x) < step:
        return ActiveLevel(mean_db, 1.0)
    rectified = blocked(np.abs(x), step).mean(axis=1, dtype=np.float64)
    envelope = _smooth_twice(rectified, step / rate_hz / TIME_CONSTANT_S)
    hangover = round(HANGOVER_S * rate_hz / step)

    def excess(threshold_db: float) -> tuple[float, float]:
        """Return A - C - M of clause 6.4 at one threshold, and A; the excess falls as C rises."""
        steps = _held(envelope >= amplitude_ratio(threshold_db), hangover)
        level = db(energy / (steps * step)) if steps else math.inf
        return level - threshold_db - MARGIN_DB, level

    # With everything active the level is the mean, so no lower threshold can be the one. From there
    # up to the first threshold that is less than the margin below its level, then by halving.
    low, high = mean_db - MARGIN_DB, mean_db - MARGIN_DB
    top = db(float(envelope.max()) ** 2)
    while excess(high)[0] > 0.0:
        low, high = high, high + _COARSE_DB
        if high > top:
            # No part of it rises above its own mean by enough to be told apart, as a lone click.
            return ActiveLevel(mean_db, 1.0)
    while high - low > _GRAIN_DB:
        middle = 0.5 * (low + high)
        if excess(middle)[0] > 0.0:
            low = middle
        else:
            high = middle
    level = max(mean_db, excess(low)[1])
    return ActiveLevel(level, min(1.0, power_ratio(mean_db - level)))


@once
def active_level_of(recording: Recording) -> ActiveLevel:
    """Return the active speech level of a recording: what "re speech" is relative to."""
    return active_level(recording.voice, recording.rate)


def _smooth_twice(x: npt.NDArray[np.float64], step: float) -> npt.NDArray[np.float64]:
    """Run `x` through two equal one-pole filters; `step` is its step in time constants."""
    g = math.exp(-step)
    # The impulse response of both, (1 - g)^2 (n + 1) g^n, cut where it has fallen by 200 dB: so the
    # recursion is a convolution.
    n = np.arange(min(len(x), int(27.0 / step)))
    response = (1.0 - g) ** 2 * (n + 1) * g**n
    size = 1 << (len(x) + len(n) - 1).bit_length()
    smooth = np.fft.irfft(np.fft.rfft(x, size) * np.fft.rfft(response, size), size)
    return np.maximum(smooth[: len(x)], 0.0)


def _held(above: npt.NDArray[np.bool_], hangover: int) -> int:
    """Count the steps that are above a threshold or within the hangover after one that was."""
    index = np.flatnonzero(above)
    if not len(index):
        return 0
    gaps = np.diff(index, append=len(above)) - 1
    return len(index) + int(np.minimum(gaps, hangover).sum())
