"""The comp sheets as a page: the grid of phrases and takes, and paths through it to be heard."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from vocheck.report.page.takes import Copies, line, play, session
from vocheck.report.page.template import render
from vocheck.takes.comp import CompSheet, Join
from vocheck.takes.overview import Overview
from vocheck.wording.comp import join_words, short_names
from vocheck.wording.vocabulary import clock, counted, file_name


def render_comp_page(
    overview: Overview, title: str, folder: Path, copies: Copies | None = None
) -> str:
    """Return the page of the comp sheets of a session.

    The parameters are those of `vocheck.report.page.render_page`.
    """
    lines, data = [], []
    for sheet in overview.sheets:
        shown = line(sheet, overview, folder, copies or {})
        for t, take in enumerate(shown["takes"]):
            whole = sum(phrase.readings[t].points for phrase in sheet.phrases)
            take |= {"points": f"{whole:.1f}", "best_single": t == sheet.best_single}
        shown |= {
            "badge": _badge(sheet.cuts),
            "path_points": f"{sheet.path_points:.1f}",
            "single_points": f"{sheet.best_single_points:.1f}",
            "single": shown["takes"][sheet.best_single]["name"] if sheet.takes else "",
            "joins": [_join(join, short_names(sheet)) for join in sheet.joins],
        }
        lines.append(shown)
        data.append(play(shown) | _path(sheet))
    return render("comp.html", **session(overview, title), lines=lines, play=data)


def _badge(cuts: int) -> dict[str, str]:
    if not cuts:
        return {"kind": "keep", "word": "No cut"}
    return {"kind": "note", "word": counted(cuts, "cut")}


def _join(join: Join, names: list[str]) -> dict[str, Any]:
    return {
        "after": join.after,
        "out": names[join.before_take],
        "out_clock": clock(join.out_s),
        "into": names[join.after_take],
        "in_clock": clock(join.in_s),
        "points": f"{join.points:.1f}",
        "parts": join_words(join),
    }


def _path(sheet: CompSheet) -> dict[str, Any]:
    """Return what the page needs to cost and play a path that a person chooses."""
    return {
        "files": [file_name(path) for path in sheet.takes],
        "chosen": [phrase.chosen for phrase in sheet.phrases],
        "single": sheet.best_single,
        "points": [[round(r.points, 2) for r in phrase.readings] for phrase in sheet.phrases],
        "joins": [
            [[round(points, 2) for points in row] for row in boundary]
            for boundary in sheet.join_points
        ],
    }
