"""What a rule is: a fact, a sense, thresholds on whose word, conditions, and what to say.

Everything that vocheck judges is judged by rules of this one shape: takes, words, rooms, pickups
against their reference, and the drift of a session.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

from vocheck.results import Result

Status = Literal[
    "published standard",
    "published by the platform",
    "common practice, no source",
    "our choice",
]
STATUSES: tuple[Status, ...] = get_args(Status)

Severity = Literal["note", "fixable", "retake"]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)
"""Mildest first."""

Sense = Literal["above", "below", "away", "is", "not measured"]
"""``away``: farther from 0 than the limit, on either side."""
SENSES: tuple[Sense, ...] = get_args(Sense)

Value = float | bool | str
TEXTS = ("message", "now", "later")
"""What a finding says: what was found, what to change in the booth, what the edit can still do."""


@dataclass(frozen=True, kw_only=True)
class Judgment(Result):
    """What every judgment tells: of a take, a mix, a pickup, a position or what a gain leaves.

    Attributes
    ----------
    unit : str
        Of the value and of what it is held to.
    source, status : str
        On whose word, and whether that is a published standard or common practice.
    """

    unit: str
    source: str
    status: Status


@dataclass(frozen=True)
class Threshold:
    """One number of a rule.

    Attributes
    ----------
    severity : Severity
        Of what lies beyond it.
    value : float, bool or str
    source : str
    status : Status
    """

    severity: Severity
    value: Value
    source: str
    status: Status


@dataclass(frozen=True)
class Condition:
    """A second fact that must hold for a rule to count: `fact` above, below or equal."""

    fact: str
    sense: Sense
    value: Value


@dataclass(frozen=True, kw_only=True)
class Rule:
    """What is judged, from where on, and what to say.

    Attributes
    ----------
    name : str
    fact : str
        Its dotted name (see `vocheck.policy.facts`); ``events[].level`` judges each event.
    unit : str
    sense : Sense
    thresholds : tuple of Threshold
        Mildest first.
    times : str or None
        Dotted list of events that tells where in time.
    only_if : tuple of Condition
    replaces : tuple of str
        Milder findings of the same cause, which need not be told beside this one.
    where : mapping of str to str
        Of a list of events: the rule is about those whose fields have these values.
    together : bool
        Whether the events are judged by their sum, not each by itself.
    aim : float or None
        What the fact should read; ``{change}`` in a text is by how much it is off.
    points : float
        What each event costs a take in the ranking, where the rule says so.
    texts : mapping of str to str
        Sentences with fields (see `vocheck.policy.words`) by what they are for: `TEXTS`.
    """

    name: str
    fact: str
    unit: str = ""
    sense: Sense = "above"
    thresholds: tuple[Threshold, ...]
    times: str | None = None
    only_if: tuple[Condition, ...] = ()
    replaces: tuple[str, ...] = ()
    where: Mapping[str, str] = field(default_factory=dict)
    together: bool = False
    aim: float | None = None
    points: float = 0.0
    texts: Mapping[str, str] = field(default_factory=dict)

    def passed(self, value: Any) -> Threshold | None:
        """Return the severest number that a value is beyond; ``None`` where there is none."""
        passed = [t for t in self.thresholds if is_beyond(value, self.sense, t.value)]
        return passed[-1] if passed else None

    def severity_of(self, value: Any) -> Severity | None:
        """Return the severity of a value; ``None`` where it is within every limit or not known."""
        threshold = self.passed(value)
        return None if threshold is None else threshold.severity


def is_beyond(value: Any, sense: Sense, limit: Value) -> bool:
    """Return whether a value is beyond a limit in a rule's sense; what is not known is not."""
    if value is None:
        return False
    if sense == "is":
        return bool(value == limit)
    if sense == "away":
        return bool(abs(value) > limit)
    return bool(value > limit) if sense == "above" else bool(value < limit)


Rules = Mapping[str, Rule]
"""Rules by name, in the order in which their findings are told."""
