"""The comp sheets as a page: the grid of phrases and takes, and paths through it to be heard."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from vocheck.edit.assembly import Assembly, Part
from vocheck.report.page.takes import Copies, line, play, session
from vocheck.report.page.template import render, sound
from vocheck.takes.comp import CompSheet, Join
from vocheck.takes.listening import ListeningCopy
from vocheck.takes.overview import Overview
from vocheck.wording.comp import join_words, short_names
from vocheck.wording.vocabulary import clock, counted, file_name


def render_comp_page(
    overview: Overview,
    title: str,
    folder: Path,
    copies: Copies | None = None,
    assembly: Assembly | None = None,
    paths: Copies | None = None,
) -> str:
    """Return the page of the comp sheets of a session.

    Parameters
    ----------
    overview, title, folder, copies
        As of `vocheck.report.page.render_page`.
    assembly : Assembly, optional
        The path of each line as it was rendered: the page plays it.
    paths : mapping of str to ListeningCopy, optional
        Copies of its parts by line, to be carried inside; else the page links the assembly.
    """
    parts = {part.line: part for part in assembly.parts} if assembly else {}
    lines, data = [], []
    for sheet in overview.sheets:
        shown = composed_line(sheet, overview, folder, copies or {})
        part = parts.get(sheet.line)
        if assembly is not None and part is not None and len(part.phrases) == len(sheet.phrases):
            copy = (paths or {}).get(sheet.line)
            gain = _level_with_takes(part, sheet, shown["takes"])
            shown["joined"] = _joined(part, assembly.path, folder, copy, gain)
        lines.append(shown)
        data.append(play(shown) | path_of(sheet))
        if shown["joined"]:
            joined = {key: shown["joined"][key] for key in ("span", "joins")}
            as_take = {
                "name": "joined path",
                "volume": shown["joined"]["volume"],
                "phrases": shown["joined"]["phrases"],
                "part": joined["span"],
            }
            data[-1] |= {"takes": [*data[-1]["takes"], as_take], "joined": joined}
    return render("comp.html", **session(overview, title), lines=lines, play=data)


def composed_line(
    sheet: CompSheet, overview: Overview, folder: Path, copies: Copies
) -> dict[str, Any]:
    """Return what is shown of a line, its phrases and the path through them."""
    shown = line(sheet, overview, folder, copies)
    for t, take in enumerate(shown["takes"]):
        whole = sum(phrase.readings[t].points for phrase in sheet.phrases)
        take |= {"points": f"{whole:.1f}", "best_single": t == sheet.best_single}
    return shown | {
        "badge": _badge(sheet.cuts),
        "path_points": f"{sheet.path_points:.1f}",
        "single_points": f"{sheet.best_single_points:.1f}",
        "single": shown["takes"][sheet.best_single]["name"] if sheet.takes else "",
        "joins": [_join(join, short_names(sheet)) for join in sheet.joins],
        "from_take": [phrase.chosen for phrase in sheet.phrases],
        "joined": None,
    }


def _level_with_takes(part: Part, sheet: CompSheet, takes: list[dict[str, Any]]) -> float:
    """Return how far a line is to be turned down to be as loud as its takes are played."""
    played: dict[str, float] = {
        path: take["gain_db"] for path, take in zip(sheet.takes, takes, strict=True)
    }
    return min(0.0, *(played[path] - gain for path, gain in part.gains_db.items()))


def _joined(
    part: Part, path: str, folder: Path, copy: ListeningCopy | None, gain_db: float
) -> dict[str, Any]:
    """Return what the page needs to play a line as it is joined: one more take."""
    late = 0.0 if copy is None else part.start_s  # a copy holds this line alone
    return {
        "span": [round(part.start_s - late, 4), round(part.end_s - late, 4)],
        "joins": [round(join_s - late, 4) for join_s in part.joins_s],
        "phrases": [[round(start - late, 4), round(end - late, 4)] for start, end in part.phrases],
        **sound(path, folder, copy, gain_db),
    }


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


def path_of(sheet: CompSheet) -> dict[str, Any]:
    """Return what the page needs to cost and play a path that a person chooses."""
    return {
        "joined": None,
        "files": [file_name(path) for path in sheet.takes],
        "chosen": [phrase.chosen for phrase in sheet.phrases],
        "single": sheet.best_single,
        "points": [[round(r.points, 2) for r in phrase.readings] for phrase in sheet.phrases],
        "joins": [
            [[round(points, 2) for points in row] for row in boundary]
            for boundary in sheet.join_points
        ],
    }
