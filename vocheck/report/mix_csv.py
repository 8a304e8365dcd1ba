"""Mixes as CSV: one row per check of each destination."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from vocheck.mix import MixResult
from vocheck.policy.delivery import Check
from vocheck.report.csv import render_rows
from vocheck.wording.sentences import with_sentences

_CHECK = (
    *("check", "check_verdict", "unit", "source", "status", "fact", "value", "limit", "lowest"),
    *("highest", "severity", "reason", "date", "unconfirmed"),
)


def render_mix_csv(results: Iterable[MixResult]) -> str:
    """Return mixes as CSV: one row per check of each destination."""
    rows: list[dict[str, Any]] = []
    for result in results:
        groups = [("mix", result.verdict, result.checks)]
        groups += [(d.name, d.verdict, d.checks) for d in result.destinations]
        rows += [
            {"path": result.path, "destination": name, "verdict": verdict, **_check(check)}
            for name, verdict, checks in groups
            for check in checks
        ]
    return render_rows(rows, ("path", "destination", "verdict", "check", "check_verdict"))


def _check(check: Check) -> dict[str, Any]:
    plain = {**with_sentences(check), "check": check.what, "check_verdict": check.verdict}
    return {name: plain[name] for name in _CHECK}
