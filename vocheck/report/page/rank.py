"""The session as a page: takes in ranked order, to be looked at, listened to and noted."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from vocheck.policy.judge import Finding
from vocheck.report.page.drawing import spectrum_address, wave_path
from vocheck.report.page.takes import Copies, line, play, session
from vocheck.report.page.template import render
from vocheck.takes.comp import CompSheet
from vocheck.takes.overview import Overview, Picture
from vocheck.takes.rank import LineRanking, RankedTake
from vocheck.wording.comp import phrase_points
from vocheck.wording.delivery import delivery_sentence
from vocheck.wording.findings import later, limit_source, now, what
from vocheck.wording.ranking import grade_words, points_words, reasons
from vocheck.wording.vocabulary import as_sentence, clock, number


def render_page(overview: Overview, title: str, folder: Path, copies: Copies | None = None) -> str:
    """Return the page of a session.

    Parameters
    ----------
    overview : Overview
    title : str
        Of the session.
    folder : Path
        Where the page will stand: takes are linked relative to it.
    copies : mapping of str to ListeningCopy, optional
        Listening copies to carry inside, by the take's path; a take without one is linked.
    """
    lines = [ranked_line(sheet, overview, folder, copies or {}) for sheet in overview.sheets]
    return render(
        "rank.html", **session(overview, title), lines=lines, play=[play(shown) for shown in lines]
    )


def ranked_line(
    sheet: CompSheet, overview: Overview, folder: Path, copies: Copies
) -> dict[str, Any]:
    """Return what is shown of a line and its takes in their order."""
    shown = line(sheet, overview, folder, copies)
    for i, (take, ranked) in enumerate(zip(shown["takes"], sheet.ranking.order, strict=True)):
        take |= _take(ranked, sheet.ranking, overview.pictures[ranked.path or ""])
        take["phrase_points"] = as_sentence(phrase_points(sheet, i))
    return shown


def _take(ranked: RankedTake, line: LineRanking, picture: Picture) -> dict[str, Any]:
    result = ranked.result
    duration = result.source.duration_s
    return {
        "key": Path(ranked.path or "").stem,
        "number": result.take or 0,
        "grade": grade_words(ranked, line),
        "points": as_sentence(points_words(ranked)),
        "rating": "" if ranked.note.rating is None else f"{ranked.note.rating:g}",
        "remark": ranked.note.remark,
        "duration": clock(duration),
        "reasons": [as_sentence(reason) for reason in reasons(ranked, line)],
        "findings": [_finding(finding) for finding in result.findings],
        "marks": [
            {
                "s": round(time, 3),
                "x": _column(time, duration, picture),
                "severity": f.severity,
                "words": what(f),
            }
            for f in result.findings
            for time in f.times_s
        ],
        "delivery": [delivery_sentence(delivery) for delivery in result.delivery],
        "facts": _facts(ranked),
        "wave": wave_path(picture),
        "spectrum": spectrum_address(picture),
        "columns": len(picture.low),
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "severity": finding.severity,
        "message": what(finding),
        "now": now(finding),
        "later": later(finding),
        "limit": limit_source(finding),
        "places": [{"s": round(time, 3), "clock": clock(time)} for time in finding.times_s[:12]],
    }


def _facts(ranked: RankedTake) -> list[tuple[str, str]]:
    m = ranked.result.measurements
    return [
        ("Loudness", number(m.loudness.integrated_lufs, 1, "LUFS")),
        ("True peak", number(m.true_peak.level_dbtp, 1, "dBTP")),
        ("Noise floor", number(m.noise.floor_dbfs, 0, "dBFS")),
        ("Signal to noise", number(m.noise.snr_db, 0, "dB")),
        ("RT60", number(m.reverberation.rt60_s, 2, "s")),
        ("Pace", number(m.speech.syllables_per_s, 1, "syllables/s")),
    ]


def _column(time_s: float, duration_s: float, picture: Picture) -> int:
    return round(time_s / duration_s * len(picture.low)) if duration_s else 0
