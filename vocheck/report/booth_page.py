"""The booth as a piece of a page: the last verdict, what to do now, and the table of lines.

The verdict is a block of color that is seen through the window of the booth; what to do is the
largest text after it, the reason is small. The line to record next stands below with its words,
where a script tells them. Names of takes are untrusted text and are escaped.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from vocheck.booth import Booth, LineState, TakeState
from vocheck.plain import plain
from vocheck.report.text.watch import MOST_DETAILS
from vocheck.script.text import Script, text_of
from vocheck.wording.booth import Screen, guide, needed_words, progress_words, standing_facts
from vocheck.wording.vocabulary import file_name


def render_state(screen: Screen, booth: Booth, script: Script | None = None, note: str = "") -> str:
    """Return what the page shows now, as a piece of HTML.

    Parameters
    ----------
    screen : Screen
        Of the recording that came last.
    booth : Booth
    script : Script, optional
        Its words are shown with the line to record next.
    note : str
        What has happened beside it.
    """
    parts = [
        '<div class="left"><section class="now" aria-label="Last recording">',
        *_sign(screen),
        f'<p class="do">{_shown(screen.action)}</p>',
        *_why(screen),
        "</section>",
        *([f'<p class="happened">{_shown(note)}</p>'] if note else []),
        *_guide(booth),
        "</div>",
        '<div class="right">',
        *_next(screen, booth, script),
    ]
    if booth.lines or standing_facts(booth):
        parts += ['<section class="table" aria-label="Lines">', *_progress(booth)]
        if booth.lines:
            parts.append(_table(booth.lines, screen.line))
        parts += [*_facts(booth), "</section>"]
    parts.append("</div>")
    return "\n".join(parts) + "\n"


def _sign(screen: Screen) -> list[str]:
    if not screen.word:
        return ['<h1 class="unseen">Booth</h1>']
    kind = screen.kind.replace(" ", "-")
    return [
        f'<div class="sign {kind}"><h1>{screen.word}</h1>',
        f"<h2>{_shown(screen.title)}</h2></div>",
    ]


def _next(screen: Screen, booth: Booth, script: Script | None) -> list[str]:
    """Return the line to record next with its words, where they are known."""
    line = booth.line_after(screen.line)
    words = None if line is None else text_of(script, line.line)
    if line is None or words is None:
        return []
    return [
        '<section class="next" aria-label="Line to record next">',
        f"<h2>To record: {_shown(line.line)}</h2>",
        f'<p class="words">{_shown(words)}</p>',
        "</section>",
    ]


def _guide(booth: Booth) -> list[str]:
    tips = guide(booth)
    if not tips:
        return []
    return [
        '<section class="guide"><h2>Before the first take</h2>',
        "<ul>",
        *(f"<li>{_shown(tip)}</li>" for tip in tips),
        "</ul></section>",
    ]


def _why(screen: Screen) -> list[str]:
    told = [text for text in (screen.reason, *screen.details[:MOST_DETAILS]) if text]
    if len(screen.details) > MOST_DETAILS:
        told.append(f"And {len(screen.details) - MOST_DETAILS} more.")
    return ['<div class="why">', *(f"<p>{_shown(text)}</p>" for text in told), "</div>"]


def _progress(booth: Booth) -> list[str]:
    lines = booth.lines
    if not lines:
        return []
    share = sum(not line.needed for line in lines) / len(lines)
    return [
        f'<p class="done"><span>{progress_words(booth)}</span></p>',
        f'<div class="progress"><i style="width:{share:.0%}"></i></div>',
    ]


def _facts(booth: Booth) -> list[str]:
    facts = [f"<dt>{what}</dt><dd>{_shown(said)}</dd>" for what, said in standing_facts(booth)]
    return ["<dl>", *facts, "</dl>"] if facts else []


def _table(lines: Sequence[LineState], current: str) -> str:
    rows = "\n".join(_row(state, state.line == current) for state in lines)
    return f"<table>\n<tbody>\n{rows}\n</tbody>\n</table>"


def _row(state: LineState, current: bool) -> str:
    if not state.needed:
        status = '<td class="need keep">done</td>'
    else:
        status = f'<td class="need">needs {needed_words(state.needed)}</td>'
    takes = " ".join(map(_take, state.takes))
    mark = ' class="current"' if current else ""
    return (
        f'<tr{mark}><th scope="row">{_shown(state.line)}</th>{status}'
        f'<td><div class="takes-told">{takes}</div></td></tr>'
    )


def _take(take: TakeState) -> str:
    word = "listen" if take.listen else take.verdict
    name = str(take.take) if take.take is not None else file_name(take.path)
    return f'<span class="take {word}">{_shown(name)} {word}</span>'


def _shown(text: str) -> str:
    return escape(plain(text))
