"""The booth in the terminal: the verdict in letters that are read from across the room."""

from __future__ import annotations

import os
from collections.abc import Sequence

from vocheck.booth import Booth, Headroom, LineState, TakeState, has_speech, line_of
from vocheck.plain import plain, shown_plainly
from vocheck.policy.judge import Finding
from vocheck.report.text.script import reading_sentence
from vocheck.report.text.style import (
    VERDICT_WORDS,
    bold,
    number,
    paint,
    table,
    wrap,
)
from vocheck.report.text.take import places
from vocheck.session.each import Failure
from vocheck.session.take import TakeResult

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
    word = VERDICT_WORDS[take.verdict]
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
        if finding.fact.startswith("reading."):
            parts.append(_finding(finding))
        elif finding.words and finding.severity != "note":
            words = ", ".join(f"“{word}”" for word in finding.words)
            parts.append(wrap(f"{finding.name.replace('_', ' ')} on {words}", "    ", "  "))
    if take.reading.misread:
        parts += ["", render_lines(booth.lines)]
    return "\n".join(parts) + "\n"


def title(take: TakeResult) -> str:
    """Return which take it is, in words."""
    if take.take is None:
        return os.path.basename(take.path or "recording")
    return f"{line_of(take)}, take {take.take}"


def instruction(finding: Finding) -> str:
    """Return in a sentence or two what was found, where, and what to do about it now."""
    where = f" At {places(finding, 4)}." if finding.times_s else ""
    return f"{finding.message}{where} {finding.now}"


def _finding(finding: Finding) -> str:
    severity = paint(f"{finding.severity:<8}", finding.severity)
    return f"  {severity}  {wrap(instruction(finding), ' ' * 12).lstrip()}"


def warnings(take: TakeResult, booth: Booth) -> list[str]:
    """Return sentences on what has changed since the first good take."""
    sentences: list[str] = []
    reference = booth.reference
    if reference is None:
        return sentences
    since = f"Since {title(reference)}"
    if changed := booth.other_format(take):
        sentences.append(f"{since} the recorder was changed: {changed}. Change it back.")
    for difference in booth.drift(take):
        size = number(difference.difference, 2 if difference.unit == "s" else 1, difference.unit)
        sign = "+" if (difference.difference or 0) > 0 else ""
        sentences.append(f"{since}: {difference.what} {sign}{size}. {difference.now}")
    return sentences


@shown_plainly
def render_lines(lines: Sequence[LineState]) -> str:
    """Return the running table: each line, its takes with their verdicts, what is still needed."""
    rows = []
    for state in lines:
        takes = "  ".join(_take(take) for take in state.takes)
        if state.needed:
            what = "a clean take" if state.needed == 1 else f"{state.needed} clean takes"
            status = paint(f"needs {what}", "fixable")
        else:
            status = paint("done", "keep")
        rows.append([bold(state.line), status, takes])
    return table(rows, "  ")


def _take(take: TakeState) -> str:
    name = str(take.take) if take.take is not None else os.path.basename(take.path)
    return f"{name} {paint(take.verdict, take.verdict)}"


@shown_plainly
def render_aside(take: TakeResult) -> str:
    """Return a line on a recording that is no take (room tone), ending in a newline."""
    noise = number(take.measurements.noise.floor_dbfs, 0, "dBFS")
    name = os.path.basename(take.path or "recording")
    if has_speech(take):
        return f"\n{bold(name)}: {VERDICT_WORDS[take.verdict].lower()}.\n"
    return f"\n{bold(name)}: nobody speaks; noise floor {noise}.\n"


def render_headroom(take: TakeResult, headroom: Headroom | None) -> str:
    """Return what the test read says about the gain, ending in a newline."""
    name = bold(os.path.basename(take.path or "test read"))
    if headroom is None:
        return f"\n{name}: nobody speaks in this test read.\n"
    return f"\n{name}\n{wrap(headroom_sentence(headroom), '  ')}\n"


def headroom_sentence(headroom: Headroom) -> str:
    """Return in words where the peaks of a take will be, and what to do with the gain."""
    expected = (
        f"Test read peaks at {headroom.peak_dbtp:.0f} dBTP; once it counts, expect "
        f"{headroom.expected_dbtp:+.0f} ({headroom.status})."
    )
    if headroom.gain_db == 0:
        return f"{expected} Leave the gain as it is."
    way = "up" if headroom.gain_db > 0 else "down"
    danger = " That would clip." if headroom.clips else ""
    return f"{expected}{danger} Turn the gain {way} by {abs(headroom.gain_db):.0f} dB."


@shown_plainly
def render_unread(failure: Failure) -> str:
    """Return a line on a file that could not be measured, ending in a newline."""
    return f"\n{paint('UNREAD', 'fail')}  {failure.error}\n"


def render_farewell(booth: Booth) -> str:
    """Return the last words: which lines still need a clean take, ending in a newline."""
    missing = [state.line for state in booth.lines if state.needed]
    if not booth.lines:
        return "\nNothing was recorded.\n"
    if missing:
        text = wrap(f"Still needs a clean take: {plain(', '.join(missing))}.")
    else:
        text = "Every line is done."
    return f"\n{render_lines(booth.lines)}\n\n{bold(text)}\n"
