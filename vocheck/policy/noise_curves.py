"""Noise criteria NC and NR: how loud a room's background is, as one number.

Both lay the octave-band sound pressure levels of the noise over a family of curves that follow the
ear. The class is that of the lowest curve that no band exceeds; between the tabulated NC curves it
is interpolated, and the band that touches it first is the one to do something about.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np

from vocheck.policy.loader import build, shipped
from vocheck.policy.rule import Status

_FILE = "noise_curves.toml"


@dataclass(frozen=True)
class NoiseClass:
    """A noise class.

    Attributes
    ----------
    value : int
        E.g. 18: noisier than NC-15, quieter than NC-20. Rounded up: no band exceeds its curve.
    decisive_hz : float
        The octave that sets it.
    bound : str or None
        ``"at most"`` or ``"at least"`` where the noise lies outside the tabulated curves.
    """

    value: int
    decisive_hz: float
    bound: Literal["at most", "at least"] | None = None


@dataclass(frozen=True, kw_only=True)
class _Nc:
    """The table ``[nc]``: a level for each band, by the class."""

    source: str
    status: Status
    bands_hz: tuple[float, ...]
    curves_db: dict[str, tuple[float, ...]]


@dataclass(frozen=True, kw_only=True)
class _Nr:
    """The table ``[nr]``: the level of each band is ``a + b NR``."""

    source: str
    status: Status
    bands_hz: tuple[float, ...]
    a_db: tuple[float, ...]
    b: tuple[float, ...]


@cache
def _nc() -> _Nc:
    return build(_Nc, shipped(_FILE)["nc"], f"{_FILE}: [nc]")


@cache
def _nr() -> _Nr:
    return build(_Nr, shipped(_FILE)["nr"], f"{_FILE}: [nr]")


def source_of(criterion: Literal["nc", "nr"]) -> str:
    """Return where the curves are published."""
    return _nc().source if criterion == "nc" else _nr().source


def nc_curves() -> dict[float, dict[float, float]]:
    """Return the NC curves: class to octave in Hz to sound pressure level in dB."""
    table = _nc()
    return {
        float(number): dict(zip(table.bands_hz, curve, strict=True))
        for number, curve in table.curves_db.items()
    }


def nc(levels_db: Mapping[float, float]) -> NoiseClass | None:
    """Return the NC class of octave-band levels.

    Parameters
    ----------
    levels_db : mapping of float to float
        Nominal centre frequency in Hz to sound pressure level in dB re 20 uPa. Bands that are not
        of the criterion are ignored.

    Returns
    -------
    NoiseClass or None
        ``None`` where a band from 63 Hz to 4 kHz is missing. 8 kHz may be missing.
    """
    curves = nc_curves()
    numbers, lowest, highest = list(curves), curves[min(curves)], curves[max(curves)]
    bands = list(lowest)
    if not set(bands[:-1]) <= set(levels_db):
        return None
    # np.interp holds the ends: a band below the lowest curve rates as that curve.
    ratings = {
        band: float(np.interp(levels_db[band], [curve[band] for curve in curves.values()], numbers))
        for band in bands
        if band in levels_db
    }
    # Of bands that rate alike (all of them under NC-15) the one nearest to its curve decides.
    decisive = max(ratings, key=lambda band: (ratings[band], levels_db[band] - lowest[band]))
    bound: Literal["at most", "at least"] | None = None
    if levels_db[decisive] > highest[decisive]:
        bound = "at least"
    elif levels_db[decisive] <= lowest[decisive]:
        bound = "at most"
    return NoiseClass(_rounded_up(ratings[decisive]), decisive, bound)


def nr(levels_db: Mapping[float, float]) -> NoiseClass | None:
    """Return the NR class of octave-band levels; see `nc`. 31.5 Hz and 8 kHz may be missing."""
    table = _nr()
    bands = table.bands_hz
    if not set(bands[1:-1]) <= set(levels_db):
        return None
    ratings = {
        band: (levels_db[band] - a) / b
        for band, a, b in zip(bands, table.a_db, table.b, strict=True)
        if band in levels_db
    }
    decisive = max(ratings, key=lambda band: ratings[band])
    return NoiseClass(_rounded_up(ratings[decisive]), decisive)


def _rounded_up(rating: float) -> int:
    # A rating is known to a tenth of a decibel at best: 20.04 is still class 20.
    return math.ceil(rating - 0.05)
