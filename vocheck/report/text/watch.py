"""The booth in the terminal: the verdict in letters that are read from across the room."""

from __future__ import annotations

from collections.abc import Sequence

from vocheck.booth import Booth, Headroom, LineState, TakeState
from vocheck.plain import plain, shown_plainly
from vocheck.policy.judge import Finding
from vocheck.report.text.style import bold, paint, table, wrap
from vocheck.session.each import Failure
from vocheck.session.take import TakeResult
from vocheck.wording.booth import (
    aside_words,
    farewell_sentence,
    headroom_sentence,
    needed_words,
    title,
    warnings,
)
from vocheck.wording.findings import instruction, of_words, on_words
from vocheck.wording.script import reading_sentence
from vocheck.wording.vocabulary import file_name, verdict_word

MOST_FINDINGS = 3
"""Findings told of one take while the talent waits; the report has them all."""

_LETTERS = {
    "A": (" ## ", "#  #", "####", "#  #", "#  #"),
    "B": ("### ", "#  #", "### ", "#  #", "### "),
    "E": ("####", "#   ", "### ", "#   ", "####"),
    "F": ("####", "#   ", "### ", "#   ", "#   "),
    "I": ("#", "#", "#", "#", "#"),
    "K": ("#  #", "# # ", "##  ", "# # ", "#  #"),
    "L": ("#   ", "#   ", "#   ", "#   ", "####"),
    "P": ("### ", "#  #", "### ", "#   ", "#   "),
    "R": ("### ", "#  #", "### ", "# # ", "#  #"),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "X": ("#   #", " # # ", "  #  ", " # # ", "#   #"),
}


def large(word: str, ink: str = "█") -> str:
    """Return a verdict word five lines high.

    Parameters
    ----------
    word : str
        ``KEEP``, ``FIXABLE`` or ``RETAKE``.
    ink : str
        What the letters are drawn with, e.g. ``"#"`` where the terminal knows no blocks.
    """
    rows = ["  ".join(_LETTERS[letter][row] for letter in word) for row in range(5)]
    # Cells of a terminal are twice as high as wide.
    return "\n".join("".join(cell * 2 for cell in row).replace("#", ink).rstrip() for row in rows)


@shown_plainly
def render_verdict(take: TakeResult, booth: Booth, *, ink: str = "", again: bool = False) -> str:
    """Return what is said of a take the moment it is recorded, ending in a newline.

    Parameters
    ----------
    take : TakeResult
    booth : Booth
        The session so far, `take` included.
    ink : str
        What the verdict's large letters are drawn with; none where it is empty.
    again : bool
        Whether the take replaces an earlier version of itself.
    """
    word = verdict_word(take.verdict)
    parts = [""]
    if ink:
        parts += [paint(large(word, ink), take.verdict), ""]
    parts.append(f"{paint(word, take.verdict)}  {bold(title(take))}{'  (again)' if again else ''}")
    told = [finding for finding in take.findings if finding.severity != "note"]
    parts += [_finding(finding) for finding in told[:MOST_FINDINGS]]
    if len(told) > MOST_FINDINGS:
        parts.append(f"  and {len(told) - MOST_FINDINGS} more")
    parts += [wrap(plain(sentence), "    ", "  ") for sentence in warnings(take, booth)]
    return "\n".join([*parts, "", render_lines(booth.lines)]) + "\n"


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
            parts.append(_finding(finding))
        elif finding.words and finding.severity != "note":
            parts.append(wrap(on_words(finding.name, finding.words), "    ", "  "))
    if take.reading.misread:
        parts += ["", render_lines(booth.lines)]
    return "\n".join(parts) + "\n"


def _finding(finding: Finding) -> str:
    severity = paint(f"{finding.severity:<8}", finding.severity)
    return f"  {severity}  {wrap(instruction(finding), ' ' * 12).lstrip()}"


@shown_plainly
def render_lines(lines: Sequence[LineState]) -> str:
    """Return the running table: each line, its takes with their verdicts, what is still needed."""
    rows = []
    for state in lines:
        takes = "  ".join(_take(take) for take in state.takes)
        if state.needed:
            status = paint(f"needs {needed_words(state.needed)}", "fixable")
        else:
            status = paint("done", "keep")
        rows.append([bold(state.line), status, takes])
    return table(rows, "  ")


def _take(take: TakeState) -> str:
    name = str(take.take) if take.take is not None else file_name(take.path)
    return f"{name} {paint(take.verdict, take.verdict)}"


@shown_plainly
def render_aside(take: TakeResult) -> str:
    """Return a line on a recording that is no take (room tone), ending in a newline."""
    return f"\n{bold(file_name(take.path))}: {aside_words(take)}\n"


@shown_plainly
def render_headroom(take: TakeResult, headroom: Headroom | None) -> str:
    """Return what the test read says about the gain, ending in a newline."""
    name = bold(file_name(take.path, "test read"))
    if headroom is None:
        return f"\n{name}: nobody speaks in this test read.\n"
    return f"\n{name}\n{wrap(headroom_sentence(headroom), '  ')}\n"


@shown_plainly
def render_unread(failure: Failure) -> str:
    """Return a line on a file that could not be measured, ending in a newline."""
    return f"\n{paint('UNREAD', 'fail')}  {failure.error}\n"


@shown_plainly
def render_farewell(booth: Booth) -> str:
    """Return the last words: which lines still need a clean take, ending in a newline."""
    words = farewell_sentence(booth)
    if not booth.lines:
        return f"\n{words}\n"
    return f"\n{render_lines(booth.lines)}\n\n{bold(wrap(plain(words)))}\n"
