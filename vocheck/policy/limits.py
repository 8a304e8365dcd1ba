"""Recording limits: when a measurement becomes a finding, and on whose word.

The shipped numbers are in ``limits.toml``, whose head explains the keys. A studio overrides them in
a ``vocheck.toml`` (see `vocheck.policy.config`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal, get_args

from vocheck.errors import TargetError
from vocheck.policy.config import Config

Severity = Literal["note", "fixable", "retake"]
Sense = Literal["above", "below", "is", "not measured"]
Status = Literal[
    "published standard",
    "published by the platform",
    "common practice, no source",
    "our choice",
]

SEVERITIES: tuple[Severity, ...] = get_args(Severity)
"""Mildest first."""
SENSES: tuple[Sense, ...] = get_args(Sense)
STATUSES: tuple[Status, ...] = get_args(Status)

_TEXTS = ("measurement", "message", "now", "later", "source", "status")
_KEYS = {*_TEXTS, *SEVERITIES, "unit", "sense", "times", "only_if", "replaces"}


@dataclass(frozen=True)
class Threshold:
    """One number of a limit.

    Attributes
    ----------
    severity : Severity
    value : float, bool or str
    source : str
    status : Status
    """

    severity: Severity
    value: float | bool | str
    source: str
    status: Status


@dataclass(frozen=True)
class Condition:
    """A second fact that must hold for a limit to count: `measurement` above, below or equal."""

    measurement: str
    sense: Sense
    value: float | bool | str


@dataclass(frozen=True)
class Limit:
    """One row of the limits: what is judged, from where on, and what to say.

    Attributes
    ----------
    name : str
    measurement : str
        Dotted name; ``events[].level`` judges each event.
    unit : str
    sense : Sense
    thresholds : tuple of Threshold
        Mildest first.
    times : str or None
        Dotted list of events that tells where in time.
    only_if : tuple of Condition
    replaces : tuple of str
        Milder findings of the same cause, which need not be told beside this one.
    message, now, later : str
        What was found; what to change in the booth; what the edit can still do.
    """

    name: str
    measurement: str
    unit: str
    sense: Sense
    thresholds: tuple[Threshold, ...]
    times: str | None
    only_if: tuple[Condition, ...]
    replaces: tuple[str, ...]
    message: str
    now: str
    later: str


Limits = Mapping[str, Limit]


def load_limits(config: Config | None = None) -> Limits:
    """Return the limits by name: the shipped ones with a studio's overrides.

    Raises
    ------
    TargetError
        If an override is malformed; the message names the file, the limit and the key.
    """
    overrides = config.limits if config else {}
    if not overrides:
        return _shipped()
    tables = {name: dict(table) for name, table in _shipped_tables().items()}
    for name, override in overrides.items():
        where = f"{config.path if config else ''}: [limits.{name}]"
        if not isinstance(override, Mapping):
            raise TargetError(f"{where}: must be a table")
        tables[name] = _overridden(tables.get(name, {}), override, where)
        _build(name, tables[name], where)  # a mistake is reported where it stands
    return {name: _build(name, table, name) for name, table in tables.items()}


def _overridden(base: Mapping[str, Any], override: Mapping[str, Any], where: str) -> dict[str, Any]:
    """Return `base` with a studio's numbers, each carrying the studio's file as its source."""
    table = {**base, **override}
    for severity in SEVERITIES:
        if severity in override and not isinstance(override[severity], Mapping):
            table[severity] = {
                "value": override[severity],
                "source": override.get("source", where),
                "status": override.get("status", "our choice"),
            }
    # The numbers that were not overridden keep their own source.
    return {**table, **{key: base[key] for key in ("source", "status") if key in base}}


@cache
def _shipped_tables() -> Mapping[str, Mapping[str, Any]]:
    text = files("vocheck.policy").joinpath("limits.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@cache
def _shipped() -> Limits:
    return {
        name: _build(name, table, f"limits.toml: [{name}]")
        for name, table in _shipped_tables().items()
    }


def _build(name: str, table: Mapping[str, Any], where: str) -> Limit:
    unknown = sorted(set(table) - _KEYS)
    if unknown:
        raise TargetError(f"{where}: unknown key {unknown[0]!r}")
    for key in _TEXTS:
        if not isinstance(table.get(key), str):
            raise TargetError(f"{where}: {key!r} must be a text")
    sense = table.get("sense", "above")
    if sense not in SENSES:
        raise TargetError(f"{where}: sense must be one of {', '.join(SENSES)}, not {sense!r}")
    thresholds = tuple(
        _threshold(severity, table, where) for severity in SEVERITIES if severity in table
    )
    return Limit(
        name=name,
        measurement=table["measurement"],
        unit=table.get("unit", ""),
        sense=sense,
        thresholds=thresholds,
        times=table.get("times"),
        only_if=tuple(_conditions(table.get("only_if", {}), where)),
        replaces=tuple(table.get("replaces", ())),
        message=table["message"],
        now=table["now"],
        later=table["later"],
    )


def _threshold(severity: Severity, table: Mapping[str, Any], where: str) -> Threshold:
    entry = table[severity]
    if not isinstance(entry, Mapping):
        entry = {"value": entry}
    value = entry.get("value")
    if not isinstance(value, int | float | bool | str):
        raise TargetError(f"{where}: {severity} must be a number, not {value!r}")
    status = entry.get("status", table["status"])
    if status not in STATUSES:
        raise TargetError(f"{where}: status must be one of {', '.join(STATUSES)}, not {status!r}")
    return Threshold(severity, value, entry.get("source", table["source"]), status)


def _conditions(table: Mapping[str, Any], where: str) -> list[Condition]:
    conditions = []
    for measurement, tests in table.items():
        for sense, value in tests.items():
            if sense not in SENSES:
                raise TargetError(f"{where}: only_if {measurement}: unknown test {sense!r}")
            conditions.append(Condition(measurement, sense, value))
    return conditions
