"""A ranked session in the terminal: a table, a line each, or all about the lines asked for."""

from __future__ import annotations

import math
from collections.abc import Sequence

import click

from vocheck.plain import shown_plainly
from vocheck.report.text.style import bold, dim, line_width, paint, table, wrap
from vocheck.report.text.take import render_failure
from vocheck.takes.rank import LineRanking, RankedTake, Ranking
from vocheck.wording.delivery import delivery_sentence
from vocheck.wording.findings import message
from vocheck.wording.ranking import (
    Row,
    grade_words,
    landing,
    left_out_sentence,
    nearest_clean_sentence,
    one_channel,
    points_words,
    reasons,
    row,
    session_notes,
    session_sentence,
    take_list,
)
from vocheck.wording.vocabulary import as_sentence, file_name, shortened, verdict_word

_INDENT = " " * 4
MOST_ROWS = 30
"""Rows of the terminal for the lines of a session. Where they are more, those with something to
know come one by one, the others side by side with the take to use."""
LEAST_ROWS = 10
"""So many lines come one by one in any case."""
ROOMY_ROWS = 8
"""Up to so many lines, what is to be known of one may take two rows of the terminal."""
NAME_WIDTH, USE_WIDTH, CLEAN_WIDTH = 22, 24, 16


@shown_plainly
def render_ranking(ranking: Ranking, explain: Sequence[str] = ()) -> str:
    """Return a whole session as text, ending in a newline.

    Parameters
    ----------
    ranking : Ranking
    explain : sequence of str
        Lines to tell everything about, instead of the table.
    """
    if explain:
        return _explained(ranking, explain)
    blocks = [_table(ranking)] if ranking.lines else []
    notes = [wrap(sentence, "  ", "") for sentence in landing(ranking)]
    notes += [render_failure(failure).rstrip() for failure in ranking.failures]
    notes += [wrap(sentence, "  ", "") for sentence in session_notes(ranking)]
    if ranking.left_out:
        notes.append(dim(left_out_sentence(ranking, line_width())))
    if notes:
        blocks.append("\n".join(notes))
    blocks.append(bold(session_sentence(ranking, line_width())))
    return "\n\n".join(blocks) + "\n"


def _table(ranking: Ranking) -> str:
    """Return a line each: which take to use, which is as clean, what to know."""
    rows = [row(line) for line in ranking.lines]
    told, others = _parted(rows)
    cells = [[dim("line"), dim("use"), dim("as clean"), ""]]
    cells += [
        [
            bold(shortened(row.line, NAME_WIDTH)),
            _use(row),
            shortened(take_list(row.as_clean), CLEAN_WIDTH) if row.as_clean else dim("–"),
            "",
        ]
        for row in told
    ]
    head, *lines = table(cells).split("\n")
    widest = max(len(click.unstyle(line)) for line in [head, *lines])
    room = max(24, line_width() - widest - 2)
    title = "what to know (more: --explain LINE)"
    shown = [_padded(head, widest) + dim(title if len(title) <= room else "what to know")]
    for line, one in zip(lines, told, strict=True):
        first, *more = _know(one, room, rows=2 if len(rows) <= ROOMY_ROWS else 1)
        shown.append(_padded(line, widest) + first)
        shown += [" " * (widest + 2) + words for words in more]
    return "\n".join([*shown, *_side_by_side(others, MOST_ROWS - len(told))])


def _parted(rows: Sequence[Row]) -> tuple[list[Row], list[Row]]:
    """Return the lines to show one by one, and those that are only named."""
    if len(rows) <= MOST_ROWS:
        return [*rows], []
    worst_first = sorted((row for row in rows if row.know), key=lambda row: _WEIGHT[row.verdict])
    for count in range(min(len(worst_first), MOST_ROWS), LEAST_ROWS, -1):
        if count + math.ceil((len(rows) - count) / _per_row(rows)) <= MOST_ROWS:
            break
    else:
        count = min(len(worst_first), LEAST_ROWS)
    kept = {row.line for row in worst_first[:count]}
    return [row for row in rows if row.line in kept], [r for r in rows if r.line not in kept]


def _per_row(rows: Sequence[Row]) -> int:
    return max(1, line_width() // (max(len(_in_short(row)) for row in rows) + 2))


def _in_short(row: Row) -> str:
    verdict = "" if row.verdict == "keep" else f" {row.verdict}"
    return f"{shortened(row.line, NAME_WIDTH)} {shortened(row.use, USE_WIDTH)}{verdict}"


def _side_by_side(rows: Sequence[Row], most: int) -> list[str]:
    """Return lines with the take to use, several to a row, in at most so many rows."""
    if not rows:
        return []
    per_row = _per_row(rows)
    shown, left = rows, 0
    if len(rows) > most * per_row:
        shown = rows[: (most - 1) * per_row]
        left = len(rows) - len(shown)
    texts = [_in_short(row) for row in shown]
    width = max(map(len, texts)) + 2
    lines = [
        "".join(text.ljust(width) for text in texts[i : i + per_row]).rstrip()
        for i in range(0, len(texts), per_row)
    ]
    if left:
        lines.append(f"and {left} more: see --format csv")
    return [dim("all other lines, with the take to use:"), *lines]


_WEIGHT = {"retake": 0, "fixable": 1, "keep": 2}


def _use(row: Row) -> str:
    circled = " (circled)" if row.circled else ""
    return paint(shortened(row.use, USE_WIDTH - len(circled)), row.verdict) + circled


def _padded(line: str, width: int) -> str:
    return line + " " * (width - len(click.unstyle(line)) + 2)


def _know(row: Row, room: int, rows: int) -> list[str]:
    """Return what is to be known of a line, in as many rows of the terminal as it may take."""
    word = "" if row.verdict == "keep" else f"{verdict_word(row.verdict)}: "
    if not row.know:
        return [paint("clean", "keep")]
    for count in range(len(row.know), 0, -1):
        left = len(row.know) - count
        text = word + "; ".join(row.know[:count]) + (f"; {left} more" if left else "")
        lines = wrap(text, width=room).split("\n")
        if len(lines) <= rows:
            break
    else:
        lines = [*lines[: rows - 1], shortened(" ".join(lines[rows - 1 :]), room)]
    lines[0] = lines[0].replace(word.strip(), paint(word.strip(), row.verdict), 1)
    return lines


def _explained(ranking: Ranking, names: Sequence[str]) -> str:
    blocks = [_line(line) for line in ranking.lines if line.line in names]
    if counted := one_channel(ranking):
        blocks.append(dim(wrap(counted)))
    return "\n\n".join(blocks) + "\n"


def _line(line: LineRanking) -> str:
    head = bold(f"Line {line.line}")
    if line.undecided:
        head += dim("  first two cannot be told apart")
    parts = [head, *(_take(take, line) for take in line.order)]
    if line.nearest_clean:
        parts.append(wrap(nearest_clean_sentence(line), "  "))
    return "\n".join(parts)


def _take(take: RankedTake, line: LineRanking) -> str:
    word = paint(f"{verdict_word(take.verdict):<8}", take.verdict)
    circled = " (circled)" if take.circled else ""
    grade = dim(grade_words(take, line))
    lines = [f"  {take.position}  {word} {bold(file_name(take.path))}{circled}  {grade}"]
    sentences = [as_sentence(reason) for reason in reasons(take, line)]
    sentences.append(as_sentence(points_words(take)))
    lines += [wrap(sentence, _INDENT + " " * 4, _INDENT + "  ") for sentence in sentences]
    for finding in take.result.findings:
        if finding.severity == "note":
            continue
        mark = paint(finding.severity, finding.severity)
        body = wrap(message(finding), _INDENT + " " * 11)
        lines.append(f"{_INDENT}  {mark}{' ' * (9 - len(finding.severity))}{body.lstrip()}")
    lines += [
        dim(part)
        for delivery in take.result.delivery
        for part in wrap(delivery_sentence(delivery), _INDENT + " " * 4, _INDENT + "  ").split("\n")
    ]
    if take.note.remark:
        lines.append(wrap(f"Note: {take.note.remark}", _INDENT + " " * 4, _INDENT + "  "))
    return "\n".join(lines)
