"""Clipping: tops of the wave cut flat.

What it is
    A wave that asks for more than the converter, the preamplifier or the file can hold loses its
    tops. What is cut off is gone; the corners add harsh overtones.

Method
    *Flat tops.* In each channel and polarity, runs of three or more samples that are equal to
    within 0.04 % of the peak (or half a step of 16 bits) and that the wave enters and leaves with a
    step. Where several runs, or one of four samples, share one level, that is the level of
    clipping, and every top that ends there is counted, however short. The level itself plays no
    part: a take that was clipped at the converter and turned down later is found too.

    *Overs.* Samples at or beyond full scale, as a lossy file shows them when it is decoded.

    *Ceiling.* A codec, a low cut or a change of rate blurs the flat tops; what stays is that many
    peaks end near the highest one. Linear discriminants weigh how far the peaks lie below the
    highest that are reached 0.15 to 24 times in a second of speech, and how flat high and lower
    half waves are (`vocheck.voice.ceiling`): is there a ceiling; was it cut or limited; how much
    stood above it.

    *Crests.* Another evidence for takes that were resampled, coded or filtered after clipping, and
    for soft clipping. `flatness` is the time that the half waves reaching the top of their polarity
    spend above 95 % of their peak, over the time above 70 %. Voices differ in it, so that
    `crest_evidence` compares it with that of the same talker's lower half waves, adds how crowded
    the half waves are just below the top, and takes off what chance alone may do with so few.

Source
    The pile-up of samples at the extremes: S. Aleinik and Y. Matveev, "Detection of clipped
    fragments in speech signals", World Academy of Science, Engineering and Technology 8 (2014). The
    constants are our choice.

Units
    ``samples``, ``overs``: counts over all channels. ``fraction``: `samples` over all samples.
    ``level_dbfs``: level of a flat top, re full scale. ``flatness``, ``crest_evidence``: without
    unit; clean speech reads about 0.4 and below 0.09. ``ceiling_score``, ``ceiling_cut_score``:
    natural logarithms of odds. ``ceiling_fraction``: as `fraction`.

Limits of validity
    Direct clipping is found from one sample in 10 000 on, and counted to 5 % from three in 10 000.
    Behind codecs and filters see the accuracy page; there a limiter that is driven hard leaves a
    ceiling, too, and behind a low cut the two can seldom be told apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_ratio, db
from vocheck.recording import Recording
from vocheck.results import Group, Result, Row
from vocheck.voice.activity import activity_of
from vocheck.voice.ceiling import Ceiling, HalfWaves, find_ceiling, half_waves

FULL_SCALE = 32767 / 32768  # the highest code of 16 bits
_SHORTEST = 3  # samples of a flat top that tells the level of clipping
_LONE_SHORTEST = 4  # ... if there is but one
_TOLERANCE = 4e-4  # of the peak
_HALF_STEP = 0.5 / 32768  # of 16 bits
_QUIETEST = 100 * _HALF_STEP  # a peak below it has too few steps to tell flat from round
_EDGE = 6.0  # tolerances by which the wave falls away on either side
_LOWEST = 0.5  # of the peak: where a level of clipping may lie below a later, louder sound
# What is cut lies this near to the highest sample: converters and codecs round the tops.
_AT_PEAK = amplitude_ratio(-0.25)
_LOW_RUNS = 4  # runs that must share a level of clipping that is not the peak
_MERGE_S = 0.05  # flat tops closer than this are one stretch of clipping

_TOP, _LOWER = 0.9, (0.35, 0.8)  # half waves to compare, of the peak of their polarity
_CROWD = (0.88, 0.76)  # just below the peak, and as much again below that
_CROWD_WEIGHT = 0.05  # per doubling; no more than one doubling counts
_CHANCE = 0.5  # over the root of the half waves at the top: about two standard deviations of a mean
_FEWEST = (5, 20)  # half waves at the top and lower
_FLATTER = 0.15  # by which one crest exceeds the talker's usual flatness to be listed


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
        Samples at or beyond full scale, all channels together.
    fraction : float
        `samples` as a share of all samples.
    runs : tuple of ClippedRun
        Stretches of clipping in order of time.
    flatness : float or None
        Flatness of the half waves that reach the top.
    crest_evidence : float or None
        How much flatter and more crowded they are than the talker's lower ones and chance would
        suggest.
    crests : tuple of ClippedRun
        Where the flattest of these half waves lie, in order of time.
    ceiling_score : float or None
        How clearly the peaks end at a ceiling: natural logarithm of the odds.
    ceiling_cut_score : float or None
        The same that the ceiling was cut and not limited, if there is one.
    ceiling_fraction : float or None
        Estimated share of the samples that stood above the ceiling, if there is one.
    """

    samples: int
    overs: int
    fraction: float
    runs: tuple[ClippedRun, ...]
    flatness: float | None
    crest_evidence: float | None
    crests: tuple[ClippedRun, ...]
    ceiling_score: float | None
    ceiling_cut_score: float | None
    ceiling_fraction: float | None


ROWS: tuple[Row, ...] = (Row("fraction", "share of the samples cut flat", "", digits=4),)


def measure(recording: Recording) -> Clipping:
    """Find the clipping of `recording`."""
    samples = recording.samples
    tops = [
        _flat_tops(channel, sign) for channel in np.ascontiguousarray(samples.T) for sign in (1, -1)
    ]
    starts, lengths, levels = _concatenated(tops)
    clipped = int(lengths.sum())
    waves = half_waves(recording.voice)
    flatness, evidence, crests = _crests(recording.voice, waves)
    missing: dict[str, str] = {}
    if flatness is None:
        reason = "too few half waves near the top"
        missing |= dict.fromkeys(("flatness", "crest_evidence"), reason)
    ceiling = _ceiling(recording, waves)
    if isinstance(ceiling, str):
        names = ("ceiling_score", "ceiling_cut_score", "ceiling_fraction")
        missing |= dict.fromkeys(names, ceiling)
    return Clipping(
        samples=clipped,
        overs=_overs(samples),
        fraction=clipped / max(1, samples.size),
        runs=_stretches(starts, starts + lengths, levels, recording.rate),
        flatness=flatness,
        crest_evidence=evidence,
        crests=_stretches(*crests, recording.rate),
        ceiling_score=None if isinstance(ceiling, str) else ceiling.score,
        ceiling_cut_score=None if isinstance(ceiling, str) else ceiling.cut_score,
        ceiling_fraction=None if isinstance(ceiling, str) else ceiling.fraction,
        not_measured=missing,
    )


def _overs(samples: npt.NDArray[np.floating]) -> int:
    if not samples.size or max(samples.max(), -samples.min()) < FULL_SCALE:
        return 0
    return int(np.count_nonzero(np.abs(samples) >= FULL_SCALE))


_Tops = tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.float64]]
_NONE: _Tops = (np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros(0))  # no tops


def _concatenated(parts: list[_Tops]) -> _Tops:
    starts, lengths, levels = zip(*(parts or [_NONE]), strict=True)
    return np.concatenate(starts), np.concatenate(lengths), np.concatenate(levels)


def _flat_tops(x: npt.NDArray[np.floating], sign: int) -> _Tops:
    """Return start, length and level of the flat tops of one channel in one polarity."""
    peak = float(sign * (x.max() if sign > 0 else x.min())) if len(x) else 0.0
    if peak <= _QUIETEST:
        return _NONE
    tolerance = max(_TOLERANCE * peak, _HALF_STEP)
    lowest = _LOWEST * peak
    high = np.flatnonzero(x >= lowest if sign > 0 else x <= -lowest)
    flat = (np.diff(high) == 1) & (np.abs(np.diff(x[high])) <= tolerance)
    starts, lengths, levels = _isolated(x, sign, high, flat, _EDGE * tolerance)
    long = lengths >= _SHORTEST
    ceiling = _shared_level(levels[long], lengths[long], peak, tolerance)
    if ceiling is None:
        return _NONE
    # Now that the level of clipping is known, the tops of one and two samples count as well.
    at = high[np.abs(sign * x[high] - ceiling) <= 2 * tolerance]
    return _isolated(x, sign, at, np.diff(at) == 1, 0.0)


def _isolated(
    x: npt.NDArray[np.floating],
    sign: int,
    index: npt.NDArray[np.intp],
    joined: npt.NDArray[np.bool_],
    fall: float,
) -> _Tops:
    """Return the runs of `index`, parted where not `joined`, beside which the wave falls away."""
    if not len(index):
        return _NONE
    breaks = np.flatnonzero(~joined) + 1
    starts = index[np.concatenate(([0], breaks))]
    ends = index[np.concatenate((breaks, [len(index)])) - 1] + 1
    levels = np.minimum(sign * x[starts], sign * x[ends - 1]).astype(np.float64)
    whole = (starts > 0) & (ends < len(x))  # a run cut off by the end of the file tells nothing
    before = sign * x[np.maximum(starts - 1, 0)]
    after = sign * x[np.minimum(ends, len(x) - 1)]
    good = whole & (before < levels - fall) & (after < levels - fall)
    return starts[good], (ends - starts)[good], levels[good]


def _shared_level(
    levels: npt.NDArray[np.float64],
    lengths: npt.NDArray[np.intp],
    peak: float,
    tolerance: float,
) -> float | None:
    """Return the level at which most flat tops lie, if they are enough to call it clipping."""
    if not len(levels):
        return None
    order = np.argsort(levels, kind="stable")
    levels, lengths = levels[order], lengths[order]
    ends = np.searchsorted(levels, levels + 2 * tolerance, side="right")
    counts = ends - np.arange(len(levels))
    first = len(counts) - 1 - int(counts[::-1].argmax())  # of equal counts the highest level
    cluster = slice(first, int(ends[first]))
    level = float(np.median(levels[cluster]))
    if level >= _AT_PEAK * peak:
        enough = counts[first] >= 2 or int(lengths[cluster].max()) >= _LONE_SHORTEST
    else:
        enough = int(np.count_nonzero(lengths[cluster] >= _LONE_SHORTEST)) >= _LOW_RUNS
    return level if enough else None


def _stretches(
    starts: npt.NDArray[np.intp],
    ends: npt.NDArray[np.intp],
    levels: npt.NDArray[np.float64],
    rate: int,
) -> tuple[ClippedRun, ...]:
    """Join what lies closer than 50 ms, whatever its channel and polarity."""
    if not len(starts):
        return ()
    order = np.argsort(starts, kind="stable")
    starts, ends, levels = starts[order], ends[order], levels[order]
    reached = np.maximum.accumulate(ends)
    breaks = np.flatnonzero(starts[1:] - reached[:-1] > _MERGE_S * rate) + 1
    first = np.concatenate(([0], breaks))
    last = np.concatenate((breaks, [len(starts)])) - 1
    tops = np.maximum.reduceat(levels, first)
    return tuple(
        ClippedRun(float(start / rate), float(end / rate), db(float(top) ** 2))
        for start, end, top in zip(starts[first], reached[last], tops, strict=True)
    )


def _crests(
    x: npt.NDArray[np.float32], waves: HalfWaves
) -> tuple[float | None, float | None, _Tops]:
    """Return flatness, evidence and (start, end, level) of the flattest half waves at the top."""
    waves, share = _highest(waves)
    top, lower = share > _TOP, (share > _LOWER[0]) & (share < _LOWER[1])
    if np.count_nonzero(top) < _FEWEST[0] or np.count_nonzero(lower) < _FEWEST[1]:
        return None, None, _NONE
    above_95, above_70 = waves.durations(x, (0.95, 0.70))
    flat = float(above_95[top].sum() / above_70[top].sum())
    usual = float(above_95[lower].sum() / above_70[lower].sum())
    crowding = max(
        (1 + np.count_nonzero(own > _CROWD[0]))
        / (1 + np.count_nonzero((own > _CROWD[1]) & (own <= _CROWD[0])))
        for own in (share[waves.positive], share[~waves.positive])
    )
    evidence = flat - usual + _CROWD_WEIGHT * float(np.clip(np.log2(crowding), -1.0, 1.0))
    evidence -= _CHANCE / float(np.sqrt(np.count_nonzero(top)))
    listed = top & (above_95 > (usual + _FLATTER) * above_70)
    return flat, evidence, (waves.starts[listed], waves.ends[listed], waves.tops[listed])


def _highest(waves: HalfWaves) -> tuple[HalfWaves, npt.NDArray[np.float64]]:
    """Return the half waves that reach 35 % of the highest of their polarity, and what they reach.

    None of a signal that is too quiet to tell.
    """
    tops, positive = waves.tops, waves.positive
    highest = [max(_QUIETEST, float(tops[own].max(initial=0.0))) for own in (~positive, positive)]
    share = tops / np.take(highest, positive.astype(np.intp))
    keep = (share > _LOWER[0]) & (tops > _QUIETEST)
    return waves.of(keep), share[keep]


def _ceiling(recording: Recording, waves: HalfWaves) -> Ceiling | str:
    speech_s = sum(end - start for start, end in activity_of(recording).phrases)
    return find_ceiling(recording.voice, waves, speech_s)
