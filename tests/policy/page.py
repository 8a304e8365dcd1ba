"""Writes the tables of docs/targets.md from the destinations: ``python -m tests.policy.page``."""

from __future__ import annotations

import re
from itertools import groupby
from pathlib import Path

from vocheck.policy.destinations import FACTS, Destination, Requirement, load_destinations
from vocheck.report.text.targets import FAMILY_TITLES
from vocheck.wording.delivery import wanted

PAGE = Path(__file__).parents[2] / "docs" / "targets.md"
BEGIN, END = "<!-- begin tables -->", "<!-- end tables -->"


def tables() -> str:
    """Return the tables of all shipped destinations as Markdown."""
    blocks = []
    for family, group in groupby(load_destinations().values(), key=lambda d: d.family):
        rows = [
            "| name | where | level | true peak | other rules | source | status |",
            "|---|---|---|---|---|---|---|",
            *map(_row, group),
        ]
        blocks.append(f"### {FAMILY_TITLES[family]}\n\n" + "\n".join(rows))
    return "\n\n".join(blocks)


def _row(destination: Destination) -> str:
    level = destination.level or destination.rule("leq_m_db")
    peak = destination.rule("level_dbtp")
    others = [rule for rule in destination.rules if rule not in (level, peak)]
    source = f"[{destination.source}]({destination.url})" if destination.url else destination.source
    if destination.date not in ("", "undated"):
        source += f", {destination.date}"
    source += f"; read {destination.read}" if destination.read else "; not read"
    cells = [
        f"`{destination.name}`",
        destination.title,
        _words(level),
        _words(peak),
        "; ".join(f"{FACTS[r.fact].what.lower()} {_words(r)}" for r in others),
        source,
        destination.status + (" (unconfirmed)" if destination.unconfirmed else ""),
    ]
    return f"| {' | '.join(cells)} |"


def _words(rule: Requirement | None) -> str:
    if rule is None:
        return ""
    if not rule.judged:
        return f"none published (common practice: {wanted(rule)})"
    words = wanted(rule)
    if rule.warn_below is not None and rule.minimum is not None:
        words += f", fails below {rule.minimum:g}"
    if rule.warn_above is not None and rule.maximum is not None:
        words += f", fails above {rule.maximum:g}"
    if rule.severity == "warn":
        words += " (recommended)"
    if rule.alternative is not None:
        words += f" (or else the {FACTS[rule.alternative].what.lower()})"
    if rule.containers:
        words += f" (for {', '.join(rule.containers)})"
    if rule.our_choice:
        words += f" ({', '.join(n.replace('_', ' ') for n in rule.our_choice)}: our choice)"
    return words


def with_tables(text: str) -> str:
    """Return the page with its tables replaced by what the destinations say now."""
    section = f"{BEGIN}\n\n{tables()}\n\n{END}"
    pattern = re.compile(f"{re.escape(BEGIN)}.*{re.escape(END)}", re.DOTALL)
    return pattern.sub(lambda _: section, text)


if __name__ == "__main__":
    PAGE.write_text(with_tables(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
