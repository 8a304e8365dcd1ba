"""Takes as CSV: one row each, one column per fact, under the dotted names of the result schema.

Lists (events, phrases, bands) become how many they hold; the JSON carries them whole.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from typing import Any

from vocheck.plain import plain
from vocheck.results import Result
from vocheck.session.each import Failure
from vocheck.session.take import TakeResult
from vocheck.takes.rank import Ranking
from vocheck.wording.delivery import obstacles_of
from vocheck.wording.ranking import reasons

_HEAD = ("path", "line", "take", "verdict", "error", "sha256")

_FORMULA = tuple("=+-@＝＋－＠")


def render_csv(results: Iterable[TakeResult | Failure]) -> str:
    """Return the takes as CSV with a header; a file that could not be done has an ``error``."""
    return render_rows([_row(result) for result in results], _HEAD)


def render_ranking_csv(ranking: Ranking) -> str:
    """Return a ranked session as CSV: one row per take, in ranked order."""
    rows: list[dict[str, Any]] = [
        {
            "line": line.line,
            "position": take.position,
            "score": take.score,
            "circled": take.circled,
            "undecided": line.undecided,
            "grade": take.standing.grade,
            "reasons": "; ".join(reasons(take, line)),
            "obstacles": "; ".join(obstacles_of(d) for d in take.result.delivery if d.obstacles),
            **{key: value for key, value in _row(take.result).items() if key != "line"},
        }
        for line in ranking.lines
        for take in line.order
    ]
    rows += [failure.to_dict() for failure in ranking.failures]
    return render_rows(rows, ("line", "position", "score", "path", "take", "verdict", "circled"))


def render_rows(rows: Iterable[Mapping[str, Any]], head: Iterable[str] = ()) -> str:
    """Return flat rows as CSV; `head` names the columns that come first."""
    rows = list(rows)
    columns = list(dict.fromkeys([*head, *(key for row in rows for key in row)]))
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows({key: _cell(value) for key, value in row.items()} for row in rows)
    return out.getvalue()


def flatten(plain: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    """Return nested plain data as one level of dotted names; a list becomes its length."""
    flat: dict[str, Any] = {}
    for key, value in plain.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping):
            flat.update(flatten(value, f"{name}."))
        else:
            flat[name] = len(value) if isinstance(value, list) else value
    return flat


def _row(result: Result) -> dict[str, Any]:
    if not isinstance(result, TakeResult):
        return result.to_dict()
    plain = result.to_dict()
    return {
        **{key: plain[key] for key in ("path", "line", "take", "verdict", "sha256")},
        **flatten(plain["source"], "source."),
        **flatten(plain["measurements"]),
        "findings": "; ".join(f"{f['severity']}: {f['name']}" for f in plain["findings"]),
    }


def _cell(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 4)
    if not isinstance(value, str):
        return value
    # Names are of others: one with a line end would make a row of its own, and a cell that starts
    # like a formula would be run by a spreadsheet (the wide forms of the signs too).
    value = plain(value)
    return f"'{value}" if value.lstrip()[:1] in _FORMULA else value
