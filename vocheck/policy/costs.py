"""What facts cost: the rows of ``ranking.toml`` and ``comp.toml``, whose heads explain the keys."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Literal

from vocheck.errors import TargetError
from vocheck.policy.config import Config
from vocheck.policy.facts import UnknownFactError, check_events, look_up, resolve, type_of
from vocheck.policy.limits import LIMITS
from vocheck.policy.loader import build, key_path, shipped, shown
from vocheck.policy.rows import Row, Section, filled, not_negative, positive
from vocheck.policy.rule import Rules, Status

NEAR_S = 0.005
"""A fault this near to an event may be part of it, and is not counted again."""


@dataclass(frozen=True, kw_only=True)
class Criterion(Row):
    """One row of ``ranking.toml``: what a fact costs."""

    measurement: str
    sense: Literal["high", "low"]
    free: float | str
    step: float
    weight: float
    tell: float
    worse: str
    status: Status = "our choice"
    minus: str | None = None
    absent: str | None = None
    times: str | None = None
    apart_from: str | None = None
    each: float = 0.0
    scale: Literal["linear", "doublings"] = "linear"
    cap: float = math.inf

    def check(self, where: str) -> None:
        """Check facts, texts and numbers.

        Raises
        ------
        TargetError
            If one does not fit.
        """
        from vocheck.measurements import Measurements

        try:
            for name in filter(None, (self.measurement, self.minus)):
                if type_of(Measurements, name).kind not in (int, float):
                    raise TargetError(f"{where}: {name} is no number, and cannot cost points")
            for name in filter(None, (self.times, self.apart_from)):
                check_events(Measurements, name)
            if self.absent is not None:
                type_of(Measurements, self.absent)
        except UnknownFactError as error:
            raise TargetError(f"{where}: {error}") from error
        # No fact may make a take better by getting worse.
        positive(self.step, f"{where}: step")
        for key in ("weight", "tell", "each", "cap"):
            not_negative(getattr(self, key), f"{where}: {key}")
        filled(self.worse, f"{where}: worse", diff=float, value=float, count=int)

    @property
    def nothing(self) -> float:
        """Up to where the fact costs nothing."""
        return float(self.free)

    def facts(self, measurements: Any) -> list[tuple[float, float | None]]:
        """Return the values that cost, each with its time where it has one."""
        found = [(float(v), t) for v, t in look_up(measurements, self.measurement)]
        if self.apart_from is not None:
            others = resolve(measurements, self.apart_from) or ()
            found = [(v, t) for v, t in found if t is None or not any(_at(t, o) for o in others)]
        if self.minus is None:
            return found
        return [
            (value - float(other), time)
            for value, time in found
            for other, _ in look_up(measurements, self.minus)
        ]

    def beyond(self, value: float) -> float:
        """Return by how many steps a value is beyond what is free."""
        sign = 1.0 if self.sense == "high" else -1.0
        return max(0.0, sign * (value - self.nothing)) / self.step

    def points(self, values: Iterable[float]) -> float:
        """Return what values cost together: never less where one is worse or there is one more."""
        amount = sum(b + self.each for value in values if (b := self.beyond(value)) > 0.0)
        if self.scale == "doublings":
            amount = math.log2(1.0 + amount)
        return min(self.cap, self.weight * amount)

    @property
    def is_local(self) -> bool:
        """Whether this costs where it happens, not the take as a whole."""
        return self.times is not None or "[]" in self.measurement

    def points_within(self, measurements: Any, span: tuple[float, float]) -> tuple[float, int]:
        """Return what happens between two moments costs, and how many times it happens there."""
        if self.times is None:
            values = [v for v, t in self.facts(measurements) if t is not None and _inside(t, span)]
            return self.points(values), sum(self.beyond(value) > 0.0 for value in values)
        lengths = look_up(measurements, f"{self.times}[].length_s")
        here = [length for length, time in lengths if time is not None and _inside(time, span)]
        if not here:
            return 0.0, 0
        share = sum(here) / sum(length for length, _ in lengths)
        return share * self.points(v for v, _ in self.facts(measurements)), len(here)


def _at(time_s: float, event: Any) -> bool:
    """Return whether a moment belongs to an event that starts and ends."""
    return bool(event.start_s - NEAR_S <= time_s <= event.end_s + NEAR_S)


def _inside(time: float, span: tuple[float, float]) -> bool:
    return span[0] <= time < span[1]


@dataclass(frozen=True, kw_only=True)
class JoinCost(Row):
    """One row of ``comp.toml``: points for every `per` of what happens at a change of take."""

    what: str
    points: float
    per: float = 1.0
    unit: str = ""

    def check(self, where: str) -> None:
        """Check the numbers.

        Raises
        ------
        TargetError
            If one does not fit.
        """
        positive(self.per, f"{where}: per")
        not_negative(self.points, f"{where}: points")


RANKING = Section("ranking", "ranking.toml", Criterion)
COMP = Section("comp", "comp.toml", JoinCost)


@dataclass(frozen=True, kw_only=True)
class Scale:
    """The keys of ``ranking.toml`` that stand before its tables.

    Attributes
    ----------
    undecided : float
        Points of damage below which two takes cannot be told apart.
    clearly : float
        Points behind the cleanest take from which on a take is clearly worse.
    script : str
        How words that depart from the script are told.
    """

    undecided: float
    clearly: float
    script: str


@dataclass(frozen=True)
class Ranking:
    """How takes are put in order: what each fact costs, and when two cannot be told apart."""

    criteria: tuple[Criterion, ...]
    scale: Scale


def load_ranking(config: Config | None = None, limits: Rules | None = None) -> Ranking:
    """Return what facts cost in the ranking.

    Parameters
    ----------
    config : Config, optional
    limits : Rules, optional
        From which ``free = "noise_reduction.note"`` takes its number.

    Raises
    ------
    TargetError
        If an override is malformed.
    """
    if (config is None or config.path is None) and limits is None:
        return shipped_ranking()
    return _load(config, LIMITS.load(config) if limits is None else limits)


@cache
def shipped_ranking() -> Ranking:
    """Return what facts cost in the ranking, as shipped."""
    return _load(None, LIMITS.load())


def _load(config: Config | None, limits: Rules) -> Ranking:
    given = {n: v for n, v in shipped(RANKING.file).items() if not isinstance(v, dict)}
    where = RANKING.file
    if config is not None:
        own = config.keys_of(RANKING.name)
        given, where = {**given, **own}, f"{config.path}: [{RANKING.name}]" if own else where
    scale = build(Scale, given, where)
    rows = RANKING.load(config)
    return Ranking(tuple(_with_free(row, limits, config) for row in rows.values()), scale)


def _with_free(row: Criterion, limits: Rules, config: Config | None) -> Criterion:
    """Return a row whose `free` is a number, where it names a limit."""
    if not isinstance(row.free, str):
        return row
    name, _, severity = row.free.partition(".")
    found = limits.get(name)
    for threshold in found.thresholds if found else ():
        if threshold.severity == severity and isinstance(threshold.value, int | float):
            return replace(row, free=float(threshold.value))
    file = RANKING.file if config is None else config.path
    where = f"{file}: {key_path(RANKING.name, row.name)}"
    wanted = 'a number, or a limit and its severity ("noise_floor.note")'
    raise TargetError(f"{where}: free must be {wanted}, not {shown(row.free)}")
