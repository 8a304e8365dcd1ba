"""Rules from their TOML rows: the recording limits, and every other table in their format.

The shipped numbers are in ``limits.toml``, whose head explains the keys. A studio overrides them in
a ``vocheck.toml`` (see `vocheck.policy.config`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import import_module
from typing import Any, TypeVar

from vocheck.errors import TargetError
from vocheck.policy.config import Config
from vocheck.policy.facts import FactType, UnknownFactError, check_events, nearest, type_of
from vocheck.policy.loader import Table, as_table, build, convert, key_path, shipped, shown
from vocheck.policy.rule import (
    SEVERITIES,
    TEXTS,
    Condition,
    Rule,
    Rules,
    Sense,
    Status,
    Threshold,
    Value,
)
from vocheck.policy.words import TextError, check_text

T = TypeVar("T")
Number = int | float | bool | str


@dataclass(frozen=True, kw_only=True)
class ThresholdRow:
    """``fixable = { value = ..., source = "...", status = "..." }``."""

    value: Number
    source: str | None = None
    status: Status | None = None


@dataclass(frozen=True, kw_only=True)
class RuleRow:
    """One table in the format of ``limits.toml`` (see its head)."""

    measurement: str
    unit: str = ""
    sense: Sense = "above"
    note: Number | ThresholdRow | None = None
    fixable: Number | ThresholdRow | None = None
    retake: Number | ThresholdRow | None = None
    source: str
    status: Status
    times: str | None = None
    only_if: dict[str, dict[Sense, Number]] = field(default_factory=dict)
    replaces: tuple[str, ...] = ()
    where: dict[str, str] = field(default_factory=dict)
    together: bool = False
    aim: float | None = None
    points: float = 0.0
    message: str
    now: str
    later: str

    def rule(self, name: str) -> Rule:
        """Return the rule that the row states."""
        return Rule(
            name=name,
            fact=self.measurement,
            unit=self.unit,
            sense=self.sense,
            thresholds=tuple(self._thresholds()),
            times=self.times,
            only_if=tuple(
                Condition(fact, sense, value)
                for fact, tests in self.only_if.items()
                for sense, value in tests.items()
            ),
            replaces=self.replaces,
            where=self.where,
            together=self.together,
            aim=self.aim,
            points=self.points,
            texts={text: getattr(self, text) for text in TEXTS},
        )

    def _thresholds(self) -> list[Threshold]:
        found = []
        for severity in SEVERITIES:
            given: Any = getattr(self, severity)
            if given is None:
                continue
            row = given if isinstance(given, ThresholdRow) else ThresholdRow(value=given)
            source, status = row.source or self.source, row.status or self.status
            found.append(Threshold(severity, row.value, source, status))
        return found


@dataclass(frozen=True)
class RuleFile:
    """A shipped file of rules, and what a studio may make of it.

    Attributes
    ----------
    section : str
        The name of its tables in a ``vocheck.toml``: ``[section.NAME]``.
    file : str
        The shipped file.
    inside : str
        The table of that file that holds the rules; empty where they stand by themselves.
    root : str
        The type of the result that they judge, as ``"module:Type"``. It may lie in a room above
        this one; only its names are asked for, and only where a rule is checked.
    prefix : str
        Of the rules' names, before those of the tables.
    """

    section: str
    file: str
    root: str
    inside: str = ""
    prefix: str = ""

    def tables(self) -> Table:
        """Return the shipped tables by name."""
        tables = shipped(self.file)
        inside: Table = tables[self.inside] if self.inside else tables
        return inside

    def load(self, config: Config | None = None) -> Rules:
        """Return the rules by name: the shipped ones with a studio's overrides.

        Raises
        ------
        TargetError
            If an override is malformed; the message names the file, the table and the key.
        """
        overrides = config.section(self.section) if config else {}
        return self._overridden(config, overrides) if config and overrides else _shipped(self)

    def _overridden(self, config: Config, overrides: Table) -> Rules:
        tables, rules = self.tables(), dict(_shipped(self))
        for name, override in overrides.items():
            where = f"{config.path}: {key_path(self.section, name)}"
            override = as_table(override, where)
            if name not in tables and "measurement" not in override:
                raise TargetError(f"{where}: {self._is_no_rule(name)}")
            table = _overridden(tables.get(name, {}), override, where)
            rules[self.prefix + name] = build(RuleRow, table, where).rule(self.prefix + name)
            self.check(rules[self.prefix + name], rules, where)
        return rules

    def _is_no_rule(self, name: str) -> str:
        for other in RULE_FILES:
            if other is not self and name in other.tables():
                return f"this stands under {key_path(other.section, name)}"
        hint = nearest(name, self.tables())
        return f"there is no rule {shown(name)}{hint} (a new one needs measurement = ...)"

    def check(self, rule: Rule, rules: Rules, where: str) -> None:
        """Check that every fact and every field of a rule exists, and that its numbers fit.

        Raises
        ------
        TargetError
            If one does not; the message names the key.
        """
        root = root_type(self.root)
        fact = _type_of(root, rule.fact, f"{where}: measurement")
        for threshold in rule.thresholds:
            _check_value(rule.sense, threshold.value, fact, f"{where}: {threshold.severity}")
        if not rule.thresholds:
            raise TargetError(f"{where}: needs one of {', '.join(SEVERITIES)}")
        for condition in rule.only_if:
            place = f"{where}: only_if"
            kind = _type_of(root, condition.fact, place)
            _check_value(condition.sense, condition.value, kind, f"{place} {condition.fact}")
        for key, value in rule.where.items():
            kind = _type_of(root, f"{rule.fact.partition('[]')[0]}[].{key}", f"{where}: where")
            _check_value("is", value, kind, f"{where}: where {key}")
        if rule.times is not None:
            _asked(lambda: check_events(root, rule.times or ""), f"{where}: times")
        for name in rule.replaces:
            if name not in rules:
                hint = nearest(name, rules)
                raise TargetError(f"{where}: replaces: there is no rule {shown(name)}{hint}")
        self._check_texts(rule, fact, root, where)

    @staticmethod
    def _check_texts(rule: Rule, fact: FactType, root: type, where: str) -> None:
        counted = "[]" in rule.fact
        fields = {
            "value": fact.kind,
            "limit": type(rule.thresholds[0].value),
            "count": int if counted else fact.kind,
            "reason": str,
            "words": str,
        }
        if rule.aim is not None:
            if fact.kind not in (int, float):
                raise TargetError(f"{where}: aim: this fact is {_WHAT[fact.kind]}")
            fields["change"] = float
        for name, text in rule.texts.items():
            try:
                check_text(text, fields, root)
            except TextError as error:
                raise TargetError(f"{where}: {name}: {error}") from error


def root_type(name: str) -> type:
    """Return a type by its name ``"module:Type"``."""
    module, _, kind = name.partition(":")
    found: type = getattr(import_module(module), kind)
    return found


def _overridden(base: Table, override: Table, where: str) -> dict[str, Any]:
    """Return `base` with a studio's numbers, each carrying the studio's file as its source."""
    table = {**base, **override}
    own = {
        "source": convert(str, override.get("source", where), f"{where}: source"),
        "status": convert(Status, override.get("status", "our choice"), f"{where}: status"),
    }
    for severity in SEVERITIES:
        given = override.get(severity)
        if isinstance(given, Mapping):
            table[severity] = {**own, **given}
        elif isinstance(given, Number):  # anything else is told when the row is built
            convert(Number, given, f"{where}: {severity}")
            table[severity] = {"value": given, **own}
    # The numbers that were not overridden keep their own source.
    return {**table, **{key: base[key] for key in ("source", "status") if key in base}}


def _type_of(root: type, name: str, where: str) -> FactType:
    return _asked(lambda: type_of(root, name), where)


def _asked(ask: Callable[[], T], where: str) -> T:
    try:
        return ask()
    except UnknownFactError as error:
        raise TargetError(f"{where}: {error}") from error


def _check_value(sense: Sense, value: Value, fact: FactType, where: str) -> None:
    """Check that a number can be what a fact is held against."""
    if sense == "not measured":
        if value is not True:
            raise TargetError(f"{where} must be true, not {shown(value)}")
    elif sense in ("above", "below", "away"):
        if fact.kind not in (int, float):
            raise TargetError(f"{where}: this fact is {_WHAT[fact.kind]}: its sense must be 'is'")
        if isinstance(value, bool | str):
            raise TargetError(f"{where} must be a number, not {shown(value)}")
    elif fact.choices and value not in fact.choices:
        choices = ", ".join(fact.choices)
        raise TargetError(f"{where} must be one of {choices}, not {shown(value)}")
    elif (
        isinstance(value, bool | str)
        and type(value) is not fact.kind
        or (fact.kind in (bool, str) and type(value) is not fact.kind)
    ):
        raise TargetError(f"{where} must be {_WHAT[fact.kind]}, not {shown(value)}")


_WHAT: Mapping[type, str] = {
    bool: "true or false",
    int: "a number",
    float: "a number",
    str: "a text",
}


@cache
def _shipped(file: RuleFile) -> Rules:
    return {
        file.prefix + name: build(RuleRow, table, f"{file.file}: [{name}]").rule(file.prefix + name)
        for name, table in file.tables().items()
    }


LIMITS = RuleFile("limits", "limits.toml", "vocheck.measurements:Measurements")
"""What a take's sound is held to."""
WORDS = RuleFile("words", "words.toml", "vocheck.policy.judge:Heard", prefix="words_")
"""What it means that a take departs from its script."""
ROOM = RuleFile("room", "rooms.toml", "vocheck.room.results:RoomResult", inside="limits")
"""What a recording room is held to."""
RULE_FILES = (LIMITS, WORDS, ROOM)


Limits = Rules


def load_limits(config: Config | None = None) -> Rules:
    """Return the recording limits by name: the shipped ones with a studio's overrides.

    Raises
    ------
    TargetError
        If an override is malformed.
    """
    return LIMITS.load(config)
