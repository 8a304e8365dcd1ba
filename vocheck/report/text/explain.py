"""What a measurement or a finding means, from the docstrings and the limits themselves."""

from __future__ import annotations

import difflib
import inspect
import re
from collections.abc import Mapping
from dataclasses import fields
from types import ModuleType

from vocheck.errors import TargetError
from vocheck.measurements import MEASUREMENTS, group_name
from vocheck.plain import shown_plainly
from vocheck.policy.rows import Row
from vocheck.policy.rule import Rule, Rules, Value
from vocheck.report.text.style import bold, dim, table, wrap
from vocheck.results import Group


@shown_plainly
def render_names(rules: Rules, rows: Mapping[str, Row] | None = None) -> str:
    """Return the list of everything that can be explained."""
    measurements = [(bold(group_name(module)), _summary(module)) for module in MEASUREMENTS]
    findings = [(bold(limit.name), dim(limit.fact)) for limit in rules.values()]
    return (
        f"Measurements\n{table(measurements, '  ')}\n\n"
        f"Findings, and what they judge\n{table(findings, '  ')}\n{_row_names(rows or {})}"
    )


def _row_names(rows: Mapping[str, Row]) -> str:
    """Return the names of other numbers that judge, those of a table on one line."""
    tables: dict[str, list[str]] = {}
    for name in rows:
        section, _, row = name.partition(".")
        tables.setdefault(section, []).append(row)
    if not tables:
        return ""
    lines = [wrap(", ".join(names), " " * 14, f"  {t:<12}") for t, names in tables.items()]
    return "\nOther numbers that judge (TABLE.NAME)\n" + "\n".join(lines) + "\n"


@shown_plainly
def render_explanation(name: str, rules: Rules, rows: Mapping[str, Row] | None = None) -> str:
    """Return what is known of a measurement, one of its fields, a finding, or another number.

    Where a measurement and a finding share a name, both are told.

    Raises
    ------
    TargetError
        If nothing is known by that name; the message offers the closest ones.
    """
    groups = {group_name(module): module for module in MEASUREMENTS}
    group, _, field = name.partition(".")
    if group in groups and (not field or field in _fields(groups[group])):
        judged = [
            limit for limit in rules.values() if limit.fact.startswith(name) or limit.name == name
        ]
        body = inspect.cleandoc(groups[group].__doc__ or "")
        if field:
            body = f"{bold(name)}\n{_fields(groups[group])[field]}\n\n{body}"
        tail = "".join(f"\n{_limit(limit)}" for limit in judged)
        return f"{body}\n{tail}"
    if name in rules:
        return _limit(rules[name])
    rows = rows or {}
    if found := [row for row in rows if name in (row, row.partition(".")[0])]:
        return "\n".join(_row(row, rows[row]) for row in found)
    close = difflib.get_close_matches(name, [*rules, *groups, *rows], 3, 0.5)
    hint = f"; did you mean {', '.join(close)}?" if close else ""
    raise TargetError(f"nothing is known by the name {name!r}{hint} (vocheck explain lists all)")


def _summary(module: ModuleType) -> str:
    return inspect.cleandoc(module.__doc__ or "").split("\n\n")[0].replace("\n", " ")


def _fields(module: ModuleType) -> dict[str, str]:
    """Return each field of a module's group with its text from the class docstring."""
    group = next(
        value
        for value in vars(module).values()
        if isinstance(value, type) and issubclass(value, Group) and value is not Group
    )
    texts: dict[str, str] = {}
    names: list[str] = []
    for line in inspect.cleandoc(group.__doc__ or "").splitlines():
        if found := re.match(r"^([a-z_0-9]+(?:, [a-z_0-9]+)*) : ", line):
            names = found[1].split(", ")
            texts.update(dict.fromkeys(names, line.partition(" : ")[2]))
        elif line.startswith("    "):
            texts.update({name: f"{texts[name]}\n{line.strip()}" for name in names})
        else:
            names = []
    return texts


def _limit(limit: Rule) -> str:
    lines = [f"{bold('Finding ' + limit.name)}  {dim(limit.fact)}"]
    for threshold in limit.thresholds:
        source = f"({threshold.status}: {threshold.source})"
        text = f"{threshold.severity}: {_test(limit, threshold.value)} {source}"
        lines.append(wrap(text, "    ", "  "))
    lines.append(wrap(f"In the booth: {limit.texts['now']}", "    ", "  "))
    lines.append(wrap(f"In the edit: {limit.texts['later']}", "    ", "  "))
    return "\n".join(lines) + "\n"


def _row(name: str, row: Row) -> str:
    """Return what a number that judges is set to, and on whose word."""
    told = [
        f"{f.name} = {value:g}" if isinstance(value, float) else f"{f.name} = {value}"
        for f in fields(row)
        if f.name not in ("name", "source", "status")
        and (value := getattr(row, f.name)) not in (None, "", (), {})
    ]
    lines = [bold(name), *(wrap(line, "    ", "  ") for line in told)]
    lines.append(wrap(f"({row.status}: {row.source})", "    ", "  "))
    return "\n".join(lines) + "\n"


def _test(limit: Rule, value: Value) -> str:
    if limit.sense == "not measured" or isinstance(value, bool | str):
        return limit.sense if limit.sense == "not measured" else f"is {value}".lower()
    return f"{limit.sense} {value:g} {limit.unit}".rstrip()
