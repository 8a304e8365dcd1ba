"""A comp sheet in the terminal: the cleanest path first, then the grid of phrases and takes."""

from __future__ import annotations

from collections.abc import Sequence

from vocheck.plain import shown_plainly
from vocheck.report.text.style import bold, dim, paint, table, wrap
from vocheck.takes.comp import CompSheet, Phrase, Reading
from vocheck.wording.comp import (
    answer,
    deviation_sentence,
    other_words_sentence,
    reasons,
    short_names,
)
from vocheck.wording.vocabulary import clock


@shown_plainly
def render_sheets(sheets: Sequence[CompSheet]) -> str:
    """Return the comp sheets of a session as text, ending in a newline."""
    return "\n\n".join(_sheet(sheet) for sheet in sheets) + "\n"


def _sheet(sheet: CompSheet) -> str:
    names = short_names(sheet)
    parts = [bold(f"Line {sheet.line}"), wrap(answer(sheet), "  ")]
    if sheet.other_words:
        parts.append(wrap(other_words_sentence(sheet, names), "  "))
    if sheet.phrases:
        parts.append(_grid(sheet, names))
    parts += [
        wrap(deviation_sentence(deviation, names), "    ", "  ") for deviation in sheet.deviations
    ]
    for phrase in sheet.phrases:
        for reading in phrase.readings:
            if reading.faults:
                wrong = ", ".join(reasons(reading))
                text = f"Phrase {phrase.number}, {names[reading.take]}: {wrong}."
                parts.append(dim(wrap(text, "    ", "  ")))
    return "\n".join(parts)


def _grid(sheet: CompSheet, names: Sequence[str]) -> str:
    head = [dim("phrase"), dim("at"), *(bold(name) for name in names), ""]
    rows = [head]
    for phrase in sheet.phrases:
        where = phrase.readings[sheet.reference]
        rows.append(
            [
                str(phrase.number),
                dim(f"{clock(where.start_s)}"),
                *(_cell(reading, phrase) for reading in phrase.readings),
                "",
            ]
        )
    key = dim("  points per phrase; * is the cleanest path; level against the others in dB")
    return f"{table(rows, '  ')}\n{key}"


def _cell(reading: Reading, phrase: Phrase) -> str:
    if not reading.read:
        return paint("not read?", "retake")
    mark = "*" if phrase.chosen == reading.take else " "
    level = "" if reading.level_db is None else f" {reading.level_db:+.0f} dB"
    text = f"{mark}{reading.points:.1f}{level}"
    return paint(text, "keep") if mark == "*" else text
