"""One band of a room: the decays of all responses, averaged."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from vocheck.dsp.decay import (
    CURVATURE_PERCENT,
    ISO_MARGIN_DB,
    T20_RANGE_DB,
    T30_RANGE_DB,
    Decay,
    analyse_decay,
)
from vocheck.dsp.octaves import Band, Fraction, bands
from vocheck.room.responses import CutResponse, Sound
from vocheck.room.results import Notice, RoomBand

_OCTAVES_HZ = (63.0, 8000.0)  # the octaves from the lowest that a sweep in a booth can fill
_THIRDS_HZ = (100.0, 8000.0)  # third octaves of ISO 3382-2, up to the same top
# ISO 3382-2:2008, clause 7.1 (from memory): relative standard deviation of T20 from one response,
# 0.88 sqrt((1 + 1.90/n) / (B T)); an integrated impulse response counts like n = 10 noise bursts
_SCATTER = 0.88 * math.sqrt(1.0 + 1.90 / 10.0)
_CURVE_POINTS = 120


def wanted_bands(sources: Sequence[Sound], fraction: Fraction) -> tuple[Band, ...]:
    """Return the bands that every recording reaches."""
    lowest, highest = _OCTAVES_HZ if fraction == 1 else _THIRDS_HZ
    nyquist = min(source.rate_hz for source in sources) / 2
    return tuple(band for band in bands(fraction, lowest, highest) if band.high_hz < 0.98 * nyquist)


def measure_band(band: Band, responses: Sequence[CutResponse]) -> RoomBand:
    """Measure all responses in one band, and average."""
    decays = [analyse_decay(response.h, response.rate_hz, band) for response in responses]
    used = [decay for decay in decays if decay.t20_s is not None]
    best = max(used or decays, key=lambda decay: decay.range_db or 0.0)
    values = {name: mean(getattr(decay, name) for decay in decays) for name in _AVERAGED}
    # A missing number is explained by the response that came nearest to giving it.
    missing = {
        name: best.reasons.get(name, "no response carries it")
        for name in _AVERAGED[:6]
        if values[name] is None
    }
    t20 = [decay.t20_s for decay in used if decay.t20_s is not None]
    step, curve = _thinned(best)
    return RoomBand(
        centre_hz=band.nominal_hz,
        **values,
        dynamic_range_db=best.range_db,
        valid=bool(used),
        reason=None if used else missing["t20_s"],
        responses=len(used),
        t20_spread_s=float(np.std(t20, ddof=1)) if len(t20) > 1 else None,
        scatter_s=_scatter(values["t20_s"], band, len(t20)),
        notices=tuple(_notices(used, best)),
        not_measured=missing,
        decay_db=curve,
        decay_step_s=step,
    )


_AVERAGED = (
    *("edt_s", "t20_s", "t30_s", "c50_db", "d50", "ts_s"),
    *("nonlinearity_permille", "curvature_percent"),
)


def mean(values: Iterable[float | None]) -> float | None:
    """Return the mean of the numbers among `values`, ``None`` for none."""
    numbers = [value for value in values if value is not None]
    return float(np.mean(numbers)) if numbers else None


def _scatter(t20_s: float | None, band: Band, count: int) -> float | None:
    if t20_s is None:
        return None
    return _SCATTER * t20_s / math.sqrt(band.width_hz * t20_s * count)


def _notices(used: Sequence[Decay], best: Decay) -> Iterator[Notice]:
    """Yield what to know about the numbers of a band."""
    if not used:
        return
    needed = ISO_MARGIN_DB - (T20_RANGE_DB if best.t30_s is None else T30_RANGE_DB)[1]
    if best.range_db is not None and best.range_db < needed:
        name = "T20" if best.t30_s is None else "T30"
        yield Notice(kind="short range", value=best.range_db, limit=needed, quantity=name)
    if any(decay.reversed_filter for decay in used):
        yield Notice(kind="reversed filter")
    if any(decay.direct_removed for decay in used):
        yield Notice(kind="direct sound removed")
    curvature = mean(decay.curvature_percent for decay in used)
    if curvature is not None and abs(curvature) > CURVATURE_PERCENT:
        yield Notice(kind="bent decay", value=curvature, limit=CURVATURE_PERCENT)


def _thinned(decay: Decay) -> tuple[float | None, tuple[float, ...]]:
    """Return a decay curve at a hundred points or so, for pictures."""
    if decay.curve is None:
        return None, ()
    levels = decay.curve.levels_db
    # What lies below the range is noise, more or less subtracted.
    below = np.flatnonzero(levels < -decay.curve.range_db)
    levels = levels[: below[0]] if len(below) else levels
    step = max(1, len(levels) // _CURVE_POINTS)
    return step / decay.curve.rate_hz, tuple(round(float(level), 2) for level in levels[::step])
