"""The passes of a long recording in the terminal: in order of time, then line by line."""

from __future__ import annotations

from vocheck.passes.results import Pass, Passes
from vocheck.plain import shown_plainly
from vocheck.report.text.style import bold, dim, paint, table
from vocheck.script.text import Script
from vocheck.wording.passes import kind_words, line_words
from vocheck.wording.vocabulary import NOT_TOLD, clock, file_name

_COLORS = {"read whole": "keep", "read in part": "fixable", "false start": "fixable"}


@shown_plainly
def render_passes(passes: Passes, script: Script | None = None) -> str:
    """Return what was found as text, ending in a newline.

    Parameters
    ----------
    passes : Passes
    script : Script, optional
        Its lines that were never read are told as well.
    """
    head = [*(dim(word) for word in ("from", "to", "line", "attempt")), ""]
    rows = [head, *(_row(one) for one in passes.passes)]
    read = list(dict.fromkeys(one.line for one in passes.passes if one.line is not None))
    lines = [*read] if script is None else [*(n for n in script if n in read)]
    told = [[bold(line), line_words(line, passes.passes)] for line in lines]
    told += [[bold(n), paint("never read", "retake")] for n in script or () if n not in read]
    return f"{bold(file_name(passes.path))}\n{table(rows, '  ')}\n\n{table(told, '  ')}\n"


def _row(one: Pass) -> list[str]:
    words = kind_words(one)
    color = _COLORS.get(words)
    return [
        clock(one.start_s),
        clock(one.end_s),
        bold(one.line) if one.line is not None else dim(NOT_TOLD),
        NOT_TOLD if one.attempt is None else str(one.attempt),
        paint(words, color) if color else dim(words),
    ]
