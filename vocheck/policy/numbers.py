"""Every number that judges, as a list: what it is, on whose word, and whether a studio set it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from vocheck.policy.config import Config
from vocheck.policy.costs import COMP, RANKING
from vocheck.policy.destinations import FACTS, Destination
from vocheck.policy.every import Policy
from vocheck.policy.limits import RULE_FILES
from vocheck.policy.mixing import MIX
from vocheck.policy.obstacles import OBSTACLES
from vocheck.policy.rows import Row, Section
from vocheck.policy.rule import Status
from vocheck.policy.tolerances import (
    CHARACTER,
    COMPARE,
    DRIFT,
    EDIT,
    HEADROOM,
    MATCH,
    PACE,
    POSITIONS,
)

TABLES: Sequence[Section] = (
    *(MATCH, DRIFT, HEADROOM, RANKING, COMP, PACE, MIX, OBSTACLES),
    *(POSITIONS, CHARACTER, COMPARE, EDIT),
)
"""The sections whose rows are listed with their numbers, beside the rules and the destinations."""
_BOUNDS = ("target", "minimum", "maximum", "warn_below", "warn_above")


@dataclass(frozen=True, kw_only=True)
class Number:
    """A number that judges.

    Attributes
    ----------
    path : tuple of str
        Where it stands in a ``vocheck.toml``: table, name, key.
    value : float
    unit : str
    source : str
    status : Status
    own : bool
        Whether a studio has set it.
    """

    path: tuple[str, ...]
    value: float
    unit: str
    source: str
    status: Status
    own: bool


def numbers_of(policy: Policy) -> list[Number]:
    """Return every number of a policy: of its rules, its other rows, its destinations."""
    config = policy.config
    found = [*_of_rules(config), *_of_rows(config)]
    for destination in policy.destinations.values():
        found += _of_destination(destination, config)
    return found


def _of_rules(config: Config) -> Iterator[Number]:
    for file in RULE_FILES:
        for name, rule in file.load(config).items():
            for threshold in rule.thresholds:
                if isinstance(threshold.value, bool | str):
                    continue
                path = (file.section, name.removeprefix(file.prefix), threshold.severity)
                yield Number(
                    path=path,
                    value=float(threshold.value),
                    unit=rule.unit,
                    source=threshold.source,
                    status=threshold.status,
                    own=is_own(config, path),
                )


def _of_rows(config: Config) -> Iterator[Number]:
    for section in TABLES:
        for name, row in section.load(config).items():
            for key, value in _numbers_in(row):
                path = (section.name, name, key)
                yield Number(
                    path=path,
                    value=value,
                    unit=str(getattr(row, "unit", "")),
                    source=row.source,
                    status=row.status,
                    own=is_own(config, path),
                )


def _numbers_in(row: Row) -> Iterator[tuple[str, float]]:
    for field in dataclasses.fields(row):
        value = getattr(row, field.name)
        if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
            yield field.name, float(value)


def _of_destination(destination: Destination, config: Config) -> Iterator[Number]:
    for rule in destination.rules:
        for key in _BOUNDS:
            value = getattr(rule, key)
            if value is None:
                continue
            path = ("destinations", destination.name, "rules", rule.fact, key)
            yield Number(
                path=path,
                value=float(value),
                unit=FACTS[rule.fact].unit,
                source=f"{rule.source}, {rule.date}" if rule.date else rule.source,
                status=rule.status,
                own=is_own(config, path),
            )


def is_own(config: Config, path: Sequence[str]) -> bool:
    """Whether a studio's settings hold the key at a path."""
    section, *rest = path
    table: object = config.section(section)
    for key in rest:
        if not isinstance(table, Mapping) or key not in table:
            return False
        table = table[key]
    return True
