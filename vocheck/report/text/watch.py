"""The booth in the terminal: the verdict in letters that are read from across the room.

A frame fits the terminal: verdict, what to do, why, and of the lines as many as there is room for,
first of all the one that was just recorded and those that still need a take.
"""

from __future__ import annotations

from collections.abc import Sequence

import click

from vocheck.booth import Booth, LineState, TakeState
from vocheck.plain import plain, shown_plainly
from vocheck.report.text.style import bold, dim, line_width, paint, table, wrap
from vocheck.session.take import TakeResult
from vocheck.wording.booth import (
    Kind,
    Screen,
    farewell_sentence,
    needed_words,
    progress_words,
    standing_facts,
    title,
)
from vocheck.wording.findings import message, of_words, on_words
from vocheck.wording.script import reading_sentence
from vocheck.wording.vocabulary import counted, file_name, fitted, shortened

MOST_DETAILS = 3
"""What else is told of one take while the talent waits; the report has it all."""

LONGEST_NAME = 24
"""Of a line in the table."""

_COLORS: dict[Kind, str] = {
    "keep": "keep",
    "listen": "note",
    "fixable": "fixable",
    "retake": "retake",
    "test": "note",
    "tone": "note",
    "unread": "fail",
    "standing by": "",
}

_LETTERS = {
    "A": (" ## ", "#  #", "####", "#  #", "#  #"),
    "B": ("### ", "#  #", "### ", "#  #", "### "),
    "D": ("### ", "#  #", "#  #", "#  #", "### "),
    "E": ("####", "#   ", "### ", "#   ", "####"),
    "F": ("####", "#   ", "### ", "#   ", "#   "),
    "I": ("#", "#", "#", "#", "#"),
    "K": ("#  #", "# # ", "##  ", "# # ", "#  #"),
    "L": ("#   ", "#   ", "#   ", "#   ", "####"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": (" ## ", "#  #", "#  #", "#  #", " ## "),
    "P": ("### ", "#  #", "### ", "#   ", "#   "),
    "R": ("### ", "#  #", "### ", "# # ", "#  #"),
    "S": (" ###", "#   ", " ## ", "   #", "### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#  #", "#  #", "#  #", "#  #", " ## "),
    "X": ("#   #", " # # ", "  #  ", " # # ", "#   #"),
}


def large(word: str, ink: str = "█") -> str:
    """Return a verdict word five lines high.

    Parameters
    ----------
    word : str
        One of `vocheck.wording.booth.WORDS`.
    ink : str
        What the letters are drawn with, e.g. ``"#"`` where the terminal knows no blocks.
    """
    rows = ["  ".join(_LETTERS[letter][row] for letter in word) for row in range(5)]
    # Cells of a terminal are twice as high as wide.
    return "\n".join("".join(cell * 2 for cell in row).replace("#", ink).rstrip() for row in rows)


@shown_plainly
def render_screen(
    screen: Screen, booth: Booth, *, ink: str = "", note: str = "", rows: int | None = None
) -> str:
    """Return what is said of a recording the moment it is there, ending in a newline.

    Parameters
    ----------
    screen : Screen
    booth : Booth
        The session so far.
    ink : str
        What the verdict's large letters are drawn with; none where it is empty.
    note : str
        A line on what has happened beside it (a take was deleted).
    rows : int, optional
        How many lines there is room for; no limit where omitted.
    """
    color, width = _COLORS[screen.kind], line_width()
    parts = [large(screen.word, ink)] if ink and screen.word else []
    parts = [*(paint(part, color) for part in parts), *([""] if parts else [])]
    name = shortened(screen.title, max(8, width - 32))
    head = "  ".join(filter(None, (screen.word and paint(screen.word, color), bold(name))))
    parts.append(_ends(head, progress_words(booth), width))
    first, *more = wrap(screen.action, "  ", "> ").split("\n")
    parts += ["", paint("> ", color) + bold(first.removeprefix("> ")), *map(bold, more)]
    small = [text for text in (screen.reason, *screen.details[:MOST_DETAILS]) if text]
    if len(screen.details) > MOST_DETAILS:
        small.append(f"And {len(screen.details) - MOST_DETAILS} more.")
    facts = [f"{what}: {said}" for what, said in standing_facts(booth)]
    if facts and screen.line:  # else it was just said
        small.append(". ".join(facts) + ".")
    parts += ["", *(_dim_lines(wrap(text, "    ", "  ")) for text in small)] if small else []
    if note:
        parts += ["", wrap(note, "  ")]
    used = sum(part.count("\n") + 1 for part in parts) + 1
    left = None if rows is None else max(0, rows - used)
    lines = render_lines(booth.lines, current=screen.line, most=left)
    return "\n".join([*parts, *(["", lines] if lines else [])]) + "\n"


def _ends(left: str, right: str, width: int) -> str:
    """Return two texts at both ends of a line."""
    gap = width - len(click.unstyle(left)) - len(right)
    return f"{left}{' ' * max(2, gap)}{dim(right)}" if right else left


def _dim_lines(text: str) -> str:
    return "\n".join(map(dim, text.split("\n")))


@shown_plainly
def render_words(take: TakeResult, booth: Booth) -> str:
    """Return what is said once the words of a take are known, ending in a newline.

    Parameters
    ----------
    take : TakeResult
        Held against its script.
    booth : Booth
        The session so far, `take` included.
    """
    assert take.reading is not None
    parts = ["", wrap(f"{bold(title(take))}: {reading_sentence(take.reading)}", "  ", "")]
    for finding in take.findings:
        if of_words(finding):
            parts.append(wrap(message(finding), "    ", "  "))
        elif finding.words and finding.severity != "note":
            parts.append(wrap(on_words(finding.name, finding.words), "    ", "  "))
    if take.reading.misread:
        parts += ["", render_lines(booth.lines)]
    return "\n".join(parts) + "\n"


@shown_plainly
def render_lines(lines: Sequence[LineState], *, current: str = "", most: int | None = None) -> str:
    """Return the running table: each line, its takes with their verdicts, what is still needed.

    Parameters
    ----------
    lines : sequence of LineState
    current : str
        The line that was just recorded: shown whatever else has to go.
    most : int, optional
        How many rows there is room for.
    """
    shown = _chosen(lines, current, most)
    if not shown:
        return ""
    names = [shortened(state.line, LONGEST_NAME) for state in shown]
    states = [f"needs {needed_words(s.needed)}" if s.needed else "done" for s in shown]
    room = line_width() - 6 - max(map(len, names)) - max(map(len, states))
    rows = [
        [bold(name), paint(told, "fixable" if state.needed else "keep"), _takes(state.takes, room)]
        for state, name, told in zip(shown, names, states, strict=True)
    ]
    told = table(rows, "  ")
    if len(shown) < len(lines):
        told += "\n" + dim(_left_out([state for state in lines if state not in shown]))
    return told


def _left_out(lines: Sequence[LineState]) -> str:
    """Return in a line which lines there was no room for: the open ones by their names."""
    names = [shortened(state.line, LONGEST_NAME) for state in lines if state.needed]
    if not names:
        return f"  and {counted(len(lines), 'line')} that {'is' if len(lines) == 1 else 'are'} done"
    return f"  also open: {fitted(names, line_width() - 13)}"


def _chosen(lines: Sequence[LineState], current: str, most: int | None) -> list[LineState]:
    """Return the lines to show: the current one, then open ones, then those that are done."""
    if most is None or len(lines) <= most:
        return list(lines)
    order = sorted(lines, key=lambda state: (state.line != current, not state.needed))
    kept = order[: max(0, most - 1)]
    return [state for state in lines if state in kept]


def _takes(takes: Sequence[TakeState], room: int) -> str:
    """Return the newest takes of a line that fit."""
    told = [_take(take) for take in takes]
    for first in range(len(told)):
        text = "  ".join(["..."] * (first > 0) + told[first:])
        if len(click.unstyle(text)) <= room or first == len(told) - 1:
            return text
    return ""


def _take(take: TakeState) -> str:
    name = str(take.take) if take.take is not None else file_name(take.path)
    word = "listen" if take.listen else take.verdict
    return f"{name} {paint(word, _COLORS['listen'] if take.listen else take.verdict)}"


@shown_plainly
def render_farewell(booth: Booth) -> str:
    """Return the last words: which lines still need a clean take, ending in a newline."""
    words = farewell_sentence(booth)
    if not booth.lines:
        return f"\n{words}\n"
    return f"\n{render_lines(booth.lines)}\n\n{bold(wrap(plain(words)))}\n"
