"""How far things may differ: pickups, a running session, two positions, rooms, paces.

The rows of ``match.toml``, ``booth.toml``, ``positions.toml``, ``rooms.toml``, ``pace.toml``,
``edit.toml`` and ``slots.toml``, whose heads explain the keys.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from vocheck.errors import TargetError
from vocheck.policy.config import Config
from vocheck.policy.rows import Row, Section, filled, not_negative, positive
from vocheck.policy.rule import Rule, Severity, Threshold


@dataclass(frozen=True, kw_only=True)
class Tolerance(Row):
    """One row of ``match.toml``: how far a pickup may differ from its reference."""

    what: str
    unit: str
    within: float
    higher: str
    lower: str
    now: str
    far: float = math.inf

    def check(self, where: str) -> None:
        """Check numbers and texts.

        Raises
        ------
        TargetError
            If one does not fit.
        """
        not_negative(self.within, f"{where}: within")
        if self.far < self.within:
            raise TargetError(f"{where}: far must not be less than within")
        for key in ("higher", "lower"):
            filled(getattr(self, key), f"{where}: {key}", diff=float)

    @property
    def rule(self) -> Rule:
        """The row as a rule about the difference of that name."""
        limits: tuple[tuple[Severity, float], ...] = (
            ("fixable", self.within),
            ("retake", self.far),
        )
        return Rule(
            name=f"match_{self.name}",
            fact=self.name,
            unit=self.unit,
            sense="away",
            thresholds=tuple(
                Threshold(severity, value, self.source, self.status) for severity, value in limits
            ),
        )


@dataclass(frozen=True, kw_only=True)
class EqRow(Row):
    """``[eq]``: what a suggested equalizer leaves alone, and how far it goes."""

    least_db: float
    most_db: float

    def check(self, where: str) -> None:
        """Check the numbers.

        Raises
        ------
        TargetError
            If they do not fit.
        """
        not_negative(self.least_db, f"{where}: least_db")
        if self.most_db < self.least_db:
            raise TargetError(f"{where}: most_db must not be less than least_db")


@dataclass(frozen=True, kw_only=True)
class DistanceRow(Row):
    """``[distance]``: from which difference of bass against middle a distance is hinted at."""

    bass_db: float

    def check(self, where: str) -> None:
        """Check the number.

        Raises
        ------
        TargetError
            If it is negative.
        """
        not_negative(self.bass_db, f"{where}: bass_db")


@dataclass(frozen=True, kw_only=True)
class SpeechRow(Row):
    """``[other_text]``: how much speech it takes to compare the tone of different words."""

    speech_s: float

    def check(self, where: str) -> None:
        """Check the number.

        Raises
        ------
        TargetError
            If it is negative.
        """
        not_negative(self.speech_s, f"{where}: speech_s")


@dataclass(frozen=True, kw_only=True)
class Drift(Row):
    """One row of ``booth.toml``: from which difference to the first good take it is told."""

    sense: Literal["above", "either"]
    beyond: float
    spread: float = 0.0

    def check(self, where: str) -> None:
        """Check the number.

        Raises
        ------
        TargetError
            If it is negative.
        """
        not_negative(self.beyond, f"{where}: beyond")
        not_negative(self.spread, f"{where}: spread")

    @property
    def rule(self) -> Rule:
        """The row as a rule about the difference of that name."""
        return Rule(
            name=f"drift_{self.name}",
            fact=self.name,
            sense="away" if self.sense == "either" else "above",
            thresholds=(Threshold("note", self.beyond, self.source, self.status),),
        )

    def way(self, difference: float | None) -> int:
        """Return 1 for a difference beyond the row, -1 for one beyond it downwards, 0 within it."""
        if difference is None or self.rule.severity_of(difference) is None:
            return 0
        return 1 if difference > 0 else -1


@dataclass(frozen=True, kw_only=True)
class PoolRow(Row):
    """``[drift.pool]``: how many takes tell a change of the room, and how sure they must be."""

    takes: int
    sure: float
    wrong: float

    def check(self, where: str) -> None:
        """Check the numbers.

        Raises
        ------
        TargetError
            If they do not fit.
        """
        positive(self.takes, f"{where}: takes")
        not_negative(self.sure, f"{where}: sure")
        positive(self.wrong, f"{where}: wrong")


@dataclass(frozen=True, kw_only=True)
class HeadroomRow(Row):
    """``[headroom.test_read]``: what the peaks of the test read say about those of the takes."""

    rise_db: float
    aim_dbtp: float
    tolerance_db: float

    def check(self, where: str) -> None:
        """Check the number.

        Raises
        ------
        TargetError
            If it is negative.
        """
        not_negative(self.tolerance_db, f"{where}: tolerance_db")


@dataclass(frozen=True, kw_only=True)
class Audible(Row):
    """One row of ``positions.toml``: from which difference on two positions are not alike."""

    what: str
    beyond: float
    unit: str

    def check(self, where: str) -> None:
        """Check the number.

        Raises
        ------
        TargetError
            If it is 0 or less.
        """
        positive(self.beyond, f"{where}: beyond")
        if self.unit == "ratio" and self.beyond <= 1.0:
            raise TargetError(f"{where}: beyond must be more than 1: it is a ratio")

    @property
    def rule(self) -> Rule:
        """The row as a rule about the difference of that name."""
        return Rule(
            name=f"positions_{self.name}",
            fact=self.name,
            unit=self.unit,
            sense="away",
            thresholds=(Threshold("note", self.beyond, self.source, self.status),),
        )

    def is_alike(self, first: float, second: float) -> bool:
        """Return whether two values differ by no more than is allowed."""
        if self.unit != "ratio":
            return self.rule.passed(second - first) is None
        low, high = sorted((first, second))
        return self.rule.passed(high / low if low > 0.0 else math.inf) is None


@dataclass(frozen=True, kw_only=True)
class RoomLike(Row):
    """One row of ``[compare]`` in ``rooms.toml``: rooms to lay a reverberation time beside."""

    title: str
    low_s: float | None = None
    high_s: float | None = None
    formula: Literal["listening room"] | None = None
    tolerance_s: float | None = None

    def check(self, where: str) -> None:
        """Check that there is a range, or a formula with its tolerance.

        Raises
        ------
        TargetError
            If not.
        """
        if self.formula is None:
            if self.low_s is None or self.high_s is None or self.high_s < self.low_s:
                raise TargetError(f"{where}: needs low_s and high_s, the lower first")
        elif self.tolerance_s is None:
            raise TargetError(f"{where}: needs tolerance_s beside its formula")

    def range_s(self, volume_m3: float | None) -> tuple[float, float] | None:
        """Return the reverberation times of such rooms; ``None`` without the volume they need."""
        if self.formula is None:
            assert self.low_s is not None
            assert self.high_s is not None
            return self.low_s, self.high_s
        if volume_m3 is None:
            return None
        middle = 0.25 * (volume_m3 / 100.0) ** (1.0 / 3.0)
        either = self.tolerance_s or 0.0
        return max(0.0, middle - either), middle + either


@dataclass(frozen=True, kw_only=True)
class Character(Row):
    """One row of ``[character]`` in ``rooms.toml``: what a reverberation time means for a voice."""

    words: str
    up_to_s: float = math.inf

    def check(self, where: str) -> None:
        """Check the number.

        Raises
        ------
        TargetError
            If it is 0 or less.
        """
        positive(self.up_to_s, f"{where}: up_to_s")


@dataclass(frozen=True, kw_only=True)
class Pace(Row):
    """One row of ``pace.toml``."""

    words_per_minute: float

    def check(self, where: str) -> None:
        """Check the number.

        Raises
        ------
        TargetError
            If it is 0 or less.
        """
        positive(self.words_per_minute, f"{where}: words_per_minute")


@dataclass(frozen=True, kw_only=True)
class Fit(Row):
    """One row of ``slots.toml``: what it means that a line does not fit its place."""

    what: str
    sense: Literal["above", "below"]
    unit: str
    note: float | None = None
    fixable: float | None = None
    retake: float | None = None

    def check(self, where: str) -> None:
        """Check the numbers.

        Raises
        ------
        TargetError
            If there is none, or a severer one comes before a milder one.
        """
        numbers = [value for _, value in self._numbers]
        if not numbers:
            raise TargetError(f"{where}: needs a number for note, fixable or retake")
        if numbers != sorted(numbers, reverse=self.sense == "below"):
            raise TargetError(f"{where}: note, fixable and retake must go {self.sense} each other")

    @property
    def _numbers(self) -> list[tuple[Severity, float]]:
        told: tuple[tuple[Severity, float | None], ...] = (
            ("note", self.note),
            ("fixable", self.fixable),
            ("retake", self.retake),
        )
        return [(severity, value) for severity, value in told if value is not None]

    @property
    def rule(self) -> Rule:
        """The row as a rule about the fact of that name."""
        return Rule(
            name=f"slots_{self.name}",
            fact=self.name,
            unit=self.unit,
            sense=self.sense,
            thresholds=tuple(
                Threshold(severity, value, self.source, self.status)
                for severity, value in self._numbers
            ),
        )


@dataclass(frozen=True, kw_only=True)
class Length(Row):
    """One row of ``edit.toml``."""

    seconds: float

    def check(self, where: str) -> None:
        """Check the number.

        Raises
        ------
        TargetError
            If it is negative.
        """
        not_negative(self.seconds, f"{where}: seconds")


@dataclass(frozen=True, kw_only=True)
class MatchRow(Row):
    """``[edit.match]``: how far levels are changed in an assembly."""

    most_db: float
    peak_dbtp: float

    def check(self, where: str) -> None:
        """Check the number.

        Raises
        ------
        TargetError
            If it is negative.
        """
        not_negative(self.most_db, f"{where}: most_db")


MATCH = Section(
    "match",
    "match.toml",
    Tolerance,
    others={"eq": EqRow, "distance": DistanceRow, "other_text": SpeechRow},
)
DRIFT = Section("drift", "booth.toml", Drift, inside="drift", others={"pool": PoolRow})
HEADROOM = Section("headroom", "booth.toml", HeadroomRow, inside="headroom")
POSITIONS = Section("positions", "positions.toml", Audible)
CHARACTER = Section("character", "rooms.toml", Character, inside="character")
COMPARE = Section("compare", "rooms.toml", RoomLike, inside="compare")
PACE = Section("pace", "pace.toml", Pace)
SLOTS = Section("slots", "slots.toml", Fit)
EDIT = Section("edit", "edit.toml", Length, others={"match": MatchRow})


@dataclass(frozen=True)
class Match:
    """What a pickup is held to."""

    tolerances: Mapping[str, Tolerance]
    eq: EqRow
    distance: DistanceRow
    other_text: SpeechRow


def load_match(config: Config | None = None) -> Match:
    """Return what a pickup is held to: as shipped, with a studio's overrides.

    Raises
    ------
    TargetError
        If an override is malformed.
    """
    rows: dict[str, Any] = MATCH.load(config)
    others = {name: rows[name] for name in MATCH.others}
    tolerances = {name: row for name, row in rows.items() if name not in others}
    return Match(tolerances=tolerances, **others)


@dataclass(frozen=True)
class DriftRules:
    """What a running session is held to."""

    rows: Mapping[str, Drift]
    pool: PoolRow


def load_drift(config: Config | None = None) -> DriftRules:
    """Return what a running session is held to: as shipped, with a studio's overrides.

    Raises
    ------
    TargetError
        If an override is malformed.
    """
    rows: dict[str, Any] = DRIFT.load(config)
    drifts = {name: row for name, row in rows.items() if name not in DRIFT.others}
    return DriftRules(rows=drifts, pool=rows["pool"])


@dataclass(frozen=True)
class Edit:
    """How chosen takes are laid."""

    lengths: Mapping[str, Length]
    match: MatchRow


def load_edit(config: Config | None = None) -> Edit:
    """Return how chosen takes are laid: as shipped, with a studio's overrides.

    Raises
    ------
    TargetError
        If an override is malformed.
    """
    rows: dict[str, Any] = EDIT.load(config)
    match = rows["match"]
    return Edit({name: row for name, row in rows.items() if row is not match}, match)
