"""Decibels: levels from powers and amplitudes, and back."""

from __future__ import annotations

import math
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

__all__ = [
    "amplitude_db",
    "amplitude_levels_db",
    "amplitude_ratio",
    "db",
    "levels_db",
    "power_ratio",
]

_Levels = TypeVar("_Levels", float, npt.NDArray[np.float64])
_Float = TypeVar("_Float", bound=np.floating[Any])


def db(power: float) -> float:
    """Return a power ratio in decibels, ``-inf`` for zero."""
    return 10.0 * math.log10(power) if power > 0.0 else -math.inf


def amplitude_db(amplitude: float) -> float:
    """Return an amplitude ratio in decibels, ``-inf`` for zero."""
    return 20.0 * math.log10(amplitude) if amplitude > 0.0 else -math.inf


def levels_db(power: npt.NDArray[_Float], least: float = 0.0) -> npt.NDArray[_Float]:
    """Return power ratios in decibels, in an array of the same shape and type.

    Parameters
    ----------
    power : ndarray of float
        0 and above.
    least : float
        A smaller power counts as this one. With 0 the level of no power is ``-inf``.
    """
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(np.maximum(power, least) if least else power))


def amplitude_levels_db(amplitude: npt.NDArray[_Float]) -> npt.NDArray[_Float]:
    """Return amplitude ratios in decibels, in an array of the same shape and type."""
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(amplitude))


def power_ratio(level_db: _Levels) -> _Levels:
    """Return the power ratio of a level in decibels."""
    ratio: _Levels = 10.0 ** (level_db / 10.0)
    return ratio


def amplitude_ratio(level_db: _Levels) -> _Levels:
    """Return the amplitude ratio of a level in decibels."""
    ratio: _Levels = 10.0 ** (level_db / 20.0)
    return ratio
