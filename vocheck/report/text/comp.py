"""A comp sheet in the terminal: the cleanest path first, then the grid of phrases and takes."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from pathlib import Path

from vocheck.plain import shown_plainly
from vocheck.report.text.style import bold, clock, dim, paint, table, wrap
from vocheck.takes.comp import CompSheet, Phrase, Reading
from vocheck.takes.deviations import Deviation


@shown_plainly
def render_sheets(sheets: Sequence[CompSheet]) -> str:
    """Return the comp sheets of a session as text, ending in a newline."""
    return "\n\n".join(_sheet(sheet) for sheet in sheets) + "\n"


def _sheet(sheet: CompSheet) -> str:
    names = short_names(sheet)
    parts = [bold(f"Line {sheet.line}"), wrap(answer(sheet), "  ")]
    if sheet.phrases:
        parts.append(_grid(sheet, names))
    parts += [
        wrap(deviation_sentence(deviation, names), "    ", "  ") for deviation in sheet.deviations
    ]
    for phrase in sheet.phrases:
        for reading in phrase.readings:
            if reading.reasons:
                reasons = ", ".join(reading.reasons)
                text = f"Phrase {phrase.number}, {names[reading.take]}: {reasons}."
                parts.append(dim(wrap(text, "    ", "  ")))
    return "\n".join(parts)


def short_names(sheet: CompSheet) -> list[str]:
    """Return what to call each take: its number where every take has one, else its file's name."""
    takes = [ranked.result.take for ranked in sheet.ranking.order]
    if all(take is not None for take in takes):
        return [f"take {take}" for take in takes]
    return [Path(path).stem for path in sheet.takes]


def answer(sheet: CompSheet) -> str:
    """Return in a sentence what to use: one take whole, or which phrases from which."""
    names = short_names(sheet)
    if not sheet.phrases:
        return "No speech was found in these takes."
    if sheet.cuts == 0:
        whole = names[sheet.phrases[0].chosen]
        return f"Use {whole} whole: no cut to another take would be cleaner."
    runs = [list(run) for _, run in groupby(sheet.phrases, key=lambda phrase: phrase.chosen)]
    pieces = ", then ".join(f"{_numbers(run)} from {names[run[0].chosen]}" for run in runs)
    saved = sheet.best_single_points - sheet.path_points
    return (
        f"Use {pieces}. That is {saved:.1f} points cleaner than the best single take, "
        f"{names[sheet.best_single]}, its {sheet.cuts} {'cut' if sheet.cuts == 1 else 'cuts'} "
        "counted."
    )


def _numbers(run: Sequence[Phrase]) -> str:
    first, last = run[0].number, run[-1].number
    return f"phrase {first}" if first == last else f"phrases {first} to {last}"


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


def deviation_sentence(deviation: Deviation, names: Sequence[str]) -> str:
    """Return in a sentence what one take may have misread."""
    where = f"in phrase {deviation.phrase} at {clock(deviation.start_s)}"
    length = f"{deviation.length_s:.1f} s"
    name = names[deviation.take][:1].upper() + names[deviation.take][1:]
    if deviation.kind == "missing":
        return f"{name}: words are possibly missing {where} ({length}). Listen there."
    if deviation.kind == "repeated":
        return f"{name}: words are possibly repeated {where} ({length}). Listen there."
    return f"{name}: possibly extra words {where} ({length}). Listen there."
