"""Takes of one session that were recorded in another room, or at another distance from the mouth.

What a voice tells of its room is an estimate, and one take seldom says enough. So the takes are
taken together, in the order in which they were recorded: every stretch of takes is set against all
others, in reverberation time and in clarity at once, and the stretch that differs most is parted
off if chance alone would seldom make such a one anywhere in the session. What is left is searched
again. Another distance changes the clarity alone, another room the reverberation time as well.

Source: circular binary segmentation (Olshen and others, Biostatistics 5, 2004), with the sum of two
squares in the place of one. That sum follows an exponential distribution if both estimates err
normally and apart from each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from vocheck.measurements import Measurements
from vocheck.measurements.reverberation import DRY_S, LONG_S
from vocheck.policy.tolerances import DriftRules
from vocheck.results import Result
from vocheck.session.take import TakeResult

_INTERVAL_SPREADS = 2 * 1.645  # standard deviations in an interval that holds 9 of 10 (normal)
_LEAST = 3  # takes that tell their room: two may differ, but neither is the usual one

Values = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True)
class RoomChange(Result):
    """Takes that sound of another room, or of another distance, than most of their session.

    Attributes
    ----------
    paths : tuple of str
        In the order of recording.
    kind : {"room", "further", "nearer"}
    rt60_s, usual_rt60_s : float
        Reverberation time of these takes together, and of the others.
    c50_db, usual_c50_db : float
        Clarity of the same.
    """

    paths: tuple[str, ...]
    kind: Literal["room", "further", "nearer"]
    rt60_s: float
    usual_rt60_s: float
    c50_db: float
    usual_c50_db: float


@dataclass(frozen=True)
class Estimate:
    """A number and its standard deviation."""

    value: float
    spread: float


def clarity(m: Measurements, rules: DriftRules) -> Estimate | None:
    """Return C50 in dB, where the take tells it."""
    c50_db = m.reverberation.c50_db
    return None if c50_db is None else Estimate(c50_db, rules.rows["room"].spread)


def log_time(m: Measurements, rules: DriftRules) -> Estimate | None:
    """Return the logarithm of the reverberation time, kept to what speech can tell.

    Where the take's own interval is wider than the usual spread, it counts.
    """
    found, spread = m.reverberation, rules.rows["reverberation"].spread
    if found.rt60_s is None:
        return None
    if found.rt60_low_s and found.rt60_high_s:
        spread = max(spread, math.log(found.rt60_high_s / found.rt60_low_s) / _INTERVAL_SPREADS)
    return Estimate(math.log(min(max(found.rt60_s, DRY_S), LONG_S)), spread)


def mean(estimates: Sequence[Estimate]) -> Estimate:
    """Return the mean of estimates that err apart from each other."""
    count = len(estimates)
    spread = math.sqrt(sum(one.spread**2 for one in estimates)) / count
    return Estimate(sum(one.value for one in estimates) / count, spread)


def room_changes(takes: Sequence[TakeResult], rules: DriftRules) -> tuple[RoomChange, ...]:
    """Return which takes of a session were recorded in another room or at another distance.

    Parameters
    ----------
    takes : sequence of TakeResult
        In the order of recording. Those that do not tell their room are passed over.
    rules : DriftRules
        From which difference on it is told, and how sure it must be.
    """
    heard = _Heard.of(takes, rules)
    if len(heard.takes) < _LEAST:
        return ()
    parts = _parted(heard, np.arange(len(heard.takes)), rules)
    usual = max(parts, key=len)
    others = []
    for part in parts:
        if part is usual:
            continue
        if _differ(heard, usual, part, rules):
            others.append(part)
        else:
            usual = np.union1d(usual, part)
    return tuple(_told(heard, part, usual, rules) for part in others)


@dataclass(frozen=True, eq=False)
class _Heard:
    """Takes that tell their room; values and spreads of shape (takes, 2): log time, clarity."""

    takes: Sequence[TakeResult]
    values: Values
    spreads: Values

    @classmethod
    def of(cls, takes: Sequence[TakeResult], rules: DriftRules) -> _Heard:
        kept, values, spreads = [], [], []
        for take in takes:
            both = log_time(take.measurements, rules), clarity(take.measurements, rules)
            if both[0] is not None and both[1] is not None:
                kept.append(take)
                values.append([one.value for one in both if one])
                spreads.append([one.spread for one in both if one])
        return cls(kept, np.reshape(values, (-1, 2)), np.reshape(spreads, (-1, 2)))


def _parted(heard: _Heard, part: Places, rules: DriftRules) -> list[Places]:
    """Return `part` in stretches that are alike within themselves."""
    found = _most_unlike(heard, part, rules)
    if found is None:
        return [part]
    first, last = found
    rest = np.concatenate((part[:first], part[last:]))
    return [*_parted(heard, part[first:last], rules), *_parted(heard, rest, rules)]


def _most_unlike(heard: _Heard, part: Places, rules: DriftRules) -> tuple[int, int] | None:
    """Return the stretch of `part` that differs most from the rest of it, if any is sure."""
    count = len(part)
    if count < 2:
        return None
    values, variances = heard.values[part], heard.spreads[part] ** 2
    sums, squares = (np.vstack((np.zeros(2), np.cumsum(x, axis=0))) for x in (values, variances))
    firsts, lasts = np.triu_indices(count + 1, k=1)
    sizes = lasts - firsts
    inner = sizes < count
    firsts, lasts, sizes = firsts[inner], lasts[inner], sizes[inner, np.newaxis]
    inside, spread_inside = sums[lasts] - sums[firsts], squares[lasts] - squares[firsts]
    others = count - sizes
    shifts = inside / sizes - (sums[-1] - inside) / others
    spreads = spread_inside / sizes**2 + (squares[-1] - spread_inside) / others**2
    unlike = (shifts**2 / spreads).sum(axis=1)
    unlike[~_beyond(shifts, rules)] = 0.0
    best = int(unlike.argmax())
    # Two squares of standard normal numbers exceed u with probability exp(-u / 2).
    by_chance = math.exp(-float(unlike[best]) / 2.0) * len(unlike)
    return (int(firsts[best]), int(lasts[best])) if by_chance < rules.pool.wrong else None


def _beyond(shifts: Values, rules: DriftRules) -> npt.NDArray[np.bool_]:
    """Return which differences, shape (any, 2), are more than takes of one room may have."""
    time, room = rules.rows["reverberation"].beyond, rules.rows["room"].beyond
    return np.asarray((np.abs(shifts) > (math.log1p(time), room)).any(axis=-1))


def _differ(heard: _Heard, one: Places, other: Places, rules: DriftRules) -> bool:
    shifts = heard.values[other].mean(axis=0) - heard.values[one].mean(axis=0)
    return bool(_beyond(shifts[np.newaxis], rules)[0])


def _told(heard: _Heard, part: Places, usual: Places, rules: DriftRules) -> RoomChange:
    (log_s, c50_db), (usual_log_s, usual_c50_db) = (
        heard.values[takes].mean(axis=0).tolist() for takes in (part, usual)
    )
    longer = abs(log_s - usual_log_s) > math.log1p(rules.rows["reverberation"].beyond)
    return RoomChange(
        paths=tuple(heard.takes[i].path or "" for i in part),
        kind="room" if longer else "further" if c50_db < usual_c50_db else "nearer",
        rt60_s=math.exp(log_s),
        usual_rt60_s=math.exp(usual_log_s),
        c50_db=c50_db,
        usual_c50_db=usual_c50_db,
    )
