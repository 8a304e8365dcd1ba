"""What the pages of a session and of its comp sheets have in common: lines, takes, phrases."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from vocheck.report.page.drawing import WAVE_HEIGHT, wave_path
from vocheck.report.page.template import sound
from vocheck.takes.comp import CompSheet, Phrase, Reading
from vocheck.takes.listening import ListeningCopy
from vocheck.takes.overview import Overview, Picture
from vocheck.wording.comp import (
    answer,
    deviation_sentence,
    grade_words,
    reasons,
    short_names,
)
from vocheck.wording.ranking import (
    landing,
    nearest_clean_sentence,
    row,
    session_notes,
    session_sentence,
    take_list,
)
from vocheck.wording.vocabulary import VERDICT_WORDS, file_name, number

MATCH_MOST_DB = 12.0
"""Takes are turned down to the softest of the line, but by no more than this: a take recorded far
too low is heard as what it is."""

Copies = Mapping[str, ListeningCopy]


def session(overview: Overview, title: str) -> dict[str, Any]:
    """Return what both pages say of a session as a whole."""
    return {
        "title": title,
        "summary": session_sentence(overview.ranking),
        "failures": [failure.error for failure in overview.failures],
        "landing": [*landing(overview.ranking), *session_notes(overview.ranking)],
        "left_out": [file_name(path) for path in overview.left_out],
        "wave_height": WAVE_HEIGHT,
    }


def line(sheet: CompSheet, overview: Overview, folder: Path, copies: Copies) -> dict[str, Any]:
    """Return what both pages say of a line; its takes lack what only one page shows."""
    names = short_names(sheet)
    order = sheet.ranking.order
    gains = _matching_gains([r.result.measurements.loudness.integrated_lufs for r in order])
    best = next((ranked for ranked in order if ranked.verdict == "keep"), order[0])
    return {
        "name": sheet.line,
        "answer": answer(sheet),
        "undecided": sheet.ranking.undecided,
        "nearest_clean": nearest_clean_sentence(sheet.ranking)
        if sheet.ranking.nearest_clean
        else "",
        "row": row(sheet.ranking),
        "verdict_word": VERDICT_WORDS[order[0].verdict],
        "as_clean": take_list(row(sheet.ranking).as_clean),
        "badge": {"kind": best.verdict, "word": VERDICT_WORDS[best.verdict]},
        "deviations": [deviation_sentence(deviation, names) for deviation in sheet.deviations],
        "phrases": [
            {"number": phrase.number, "cells": _cells(phrase, sheet, overview)}
            for phrase in sheet.phrases
        ],
        "takes": [
            {
                "file": file_name(path),
                "name": names[i],
                "place": ranked.position,
                "verdict": ranked.verdict,
                "verdict_word": VERDICT_WORDS[ranked.verdict],
                "circled": ranked.circled,
                "duration_s": ranked.result.source.duration_s,
                "gain": number(gains[i], 1, "dB"),
                "gain_db": gains[i],
                "spans": [_span(phrase.readings[i]) for phrase in sheet.phrases],
                **sound(path, folder, copies.get(path), gains[i]),
            }
            for i, (ranked, path) in enumerate(zip(order, sheet.takes, strict=True))
        ],
    }


def play(line: dict[str, Any]) -> dict[str, Any]:
    """Return what the player needs of a line."""
    return {
        "name": line["name"],
        "takes": [
            {"name": take["name"], "volume": take["volume"], "phrases": take["spans"]}
            for take in line["takes"]
        ],
    }


def _span(reading: Reading) -> list[float]:
    return [round(reading.start_s, 3), round(reading.end_s, 3)]


def _cells(phrase: Phrase, sheet: CompSheet, overview: Overview) -> list[dict[str, Any]]:
    cells = []
    for reading, path in zip(phrase.readings, sheet.takes, strict=True):
        level = "" if reading.level_db is None else f"{reading.level_db:+.1f} dB"
        pace = "" if reading.pace is None else f"pace {100 * reading.pace:.0f} %"
        cells.append(
            {
                "points": f"{reading.points:.1f}",
                "grade": grade_words(reading, phrase),
                "chosen": phrase.chosen == reading.take,
                "read": reading.read,
                "level": level,
                "pace": pace,
                "reasons": ", ".join(reasons(reading)),
                "words": ", ".join(part for part in (level, pace, *reasons(reading)) if part),
                "shade": min(4, round(reading.points)),
                **_piece(overview.pictures[path], reading, _duration(sheet, reading.take)),
            }
        )
    return cells


def _duration(sheet: CompSheet, take: int) -> float:
    return sheet.ranking.order[take].result.source.duration_s


def _piece(picture: Picture, reading: Reading, duration_s: float) -> dict[str, Any]:
    """Return the waveform of a phrase."""
    count = len(picture.low)
    if duration_s <= 0:
        return {"wave": "", "columns": 1}
    first = min(count - 1, int(reading.start_s / duration_s * count))
    last = max(first + 1, min(count, round(reading.end_s / duration_s * count)))
    return {"wave": wave_path(picture, first, last), "columns": last - first}


def _matching_gains(loudness: list[float | None]) -> list[float]:
    """Return how far each take is turned down so that all of a line are equally loud."""
    known = [level for level in loudness if level is not None and level > -np.inf]
    if not known:
        return [0.0] * len(loudness)
    aim = max(min(known), max(known) - MATCH_MOST_DB)
    return [
        0.0 if level is None or level == -np.inf else min(0.0, aim - level) for level in loudness
    ]
