"""Clipping: tops of the wave cut flat.

What it is
    A wave that asks for more than the converter, the preamplifier or the file can hold loses its
    tops. What is cut off is gone; the corners add harsh overtones.

Method
    *Flat tops.* In each channel and polarity: runs of three or more samples that are equal to
    within 0.04 % of the peak (or half a step of 16 bits), that the wave enters and leaves
    steeply, and whose level lies within 0.25 dB of that polarity's highest. The level itself plays
    no part, so that a take clipped at the converter and turned down later is found too.
    *Overs.* Samples at or beyond full scale.
    *Flatness.* A second evidence, for takes that were resampled or coded after clipping: for the
    half waves that reach the top, the time above 95 % of their peak over the time above 70 % of it.

Source
    The pile-up of samples at the extremes: Aleinik and Matveev, "Detection of clipped fragments in
    speech signals" (2014). The constants are our choice.

Units
    ``samples``, ``overs``: counts over all channels. ``fraction``: `samples` over all samples.
    ``level_dbfs``: level of a flat top. ``flatness``: a ratio without unit; about 0.34 for clean
    speech.

Limits of validity
    A flat top shorter than three samples is not seen. A high-pass filter after the clipping tilts
    the tops and hides them. Limiting rounds the tops and is no clipping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.level import db
from vocheck.recording import Recording
from vocheck.results import Group, Result

_SHORTEST = 3  # samples of a flat top
_LONE_SHORTEST = 4  # ... if it is the only one of its channel and polarity
_TOLERANCE = 4e-4  # of the peak
_HALF_STEP = 0.5 / 32768  # of 16 bits
_CEILING = 10 ** (-0.25 / 20)
_EDGE = 6.0  # tolerances by which the wave falls away on either side
_MERGE_S = 0.05  # flat tops closer than this are one stretch of clipping
_CREST = 0.9


@dataclass(frozen=True)
class ClippedRun(Result):
    """A stretch of clipping: from its first flat top to its last."""

    start_s: float
    end_s: float
    level_dbfs: float


@dataclass(frozen=True, kw_only=True)
class Clipping(Group):
    """Clipping of a take.

    Attributes
    ----------
    samples : int
        Samples in flat tops, all channels together.
    overs : int
        Samples at or beyond full scale.
    fraction : float
        `samples` as a share of all samples.
    runs : tuple of ClippedRun
        Stretches of clipping in order of time.
    flatness : float or None
        Median flatness of the highest half waves.
    """

    samples: int
    overs: int
    fraction: float
    runs: tuple[ClippedRun, ...]
    flatness: float | None


def measure(recording: Recording) -> Clipping:
    """Find the clipping of `recording`."""
    tops = [_flat_tops(channel) for channel in np.ascontiguousarray(recording.samples.T)]
    starts = np.concatenate([top[0] for top in tops]) if tops else np.zeros(0, np.intp)
    lengths = np.concatenate([top[1] for top in tops]) if tops else np.zeros(0, np.intp)
    levels = np.concatenate([top[2] for top in tops]) if tops else np.zeros(0)
    samples = int(lengths.sum())
    flatness = _flatness(recording.voice)
    return Clipping(
        samples=samples,
        overs=int(np.count_nonzero(np.abs(recording.samples) >= 1.0 - 2.0**-23)),
        fraction=samples / max(1, recording.samples.size),
        runs=_stretches(starts, lengths, levels, recording.rate),
        flatness=flatness,
        not_measured={} if flatness is not None else {"flatness": "too few half waves"},
    )


def _flat_tops(
    x: npt.NDArray[np.floating],
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.float64]]:
    """Return start, length and level of the flat tops of one channel."""
    found = [_flat_tops_above(sign * x) for sign in (1, -1)]
    starts, lengths, levels = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return starts, lengths, levels


def _flat_tops_above(
    x: npt.NDArray[np.floating],
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.float64]]:
    none = np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros(0)
    peak = float(x.max()) if len(x) else 0.0
    if peak <= 100 * _HALF_STEP:
        return none
    tolerance = max(_TOLERANCE * peak, _HALF_STEP)
    high = np.flatnonzero(x >= _CEILING * peak)
    # Neighbours in index and equal in level belong to one run.
    joined = (np.diff(high) == 1) & (np.abs(np.diff(x[high])) <= tolerance)
    breaks = np.flatnonzero(~joined) + 1
    first = np.concatenate(([0], breaks))
    last = np.concatenate((breaks, [len(high)])) - 1
    starts, ends = high[first], high[last] + 1
    lengths = ends - starts
    levels = np.maximum(x[starts], x[ends - 1]).astype(np.float64)
    inside = (starts > 0) & (ends < len(x))
    before = x[np.maximum(starts - 1, 0)]
    after = x[np.minimum(ends, len(x) - 1)]
    edge = levels - _EDGE * tolerance
    good = inside & (lengths >= _SHORTEST) & (before < edge) & (after < edge)
    if not (np.count_nonzero(good) >= 2 or (lengths[good] >= _LONE_SHORTEST).any()):
        return none
    return starts[good], lengths[good], levels[good]


def _stretches(
    starts: npt.NDArray[np.intp],
    lengths: npt.NDArray[np.intp],
    levels: npt.NDArray[np.float64],
    rate: int,
) -> tuple[ClippedRun, ...]:
    if not len(starts):
        return ()
    order = np.argsort(starts, kind="stable")
    starts, ends, levels = starts[order], (starts + lengths)[order], levels[order]
    reached = np.maximum.accumulate(ends)
    breaks = np.flatnonzero(starts[1:] - reached[:-1] > _MERGE_S * rate) + 1
    first = np.concatenate(([0], breaks))
    last = np.concatenate((breaks, [len(starts)])) - 1
    tops = np.maximum.reduceat(levels, first)
    return tuple(
        ClippedRun(float(start / rate), float(end / rate), db(float(top) ** 2))
        for start, end, top in zip(starts[first], reached[last], tops, strict=True)
    )


def _flatness(x: npt.NDArray[np.float32]) -> float | None:
    """Return the median flatness of the half waves that reach the top of their polarity."""
    values = []
    for sign in (1, -1):
        y = sign * x
        peak = float(y.max()) if len(y) else 0.0
        if peak <= 100 * _HALF_STEP:
            continue
        # Half waves that never reach 70 % of 90 % of the peak need not be looked at.
        change = np.diff((y > 0).astype(np.int8), prepend=0, append=0)
        starts, ends = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
        edges = np.column_stack((starts, np.minimum(ends, len(y) - 1))).ravel()
        tops = np.maximum.reduceat(y, edges)[::2]
        for i in np.flatnonzero(tops > _CREST * peak):
            wave = y[starts[i] : ends[i]]
            values.append(
                np.count_nonzero(wave > 0.95 * tops[i]) / np.count_nonzero(wave > 0.7 * tops[i])
            )
    return float(np.median(values)) if values else None
