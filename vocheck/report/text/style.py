"""How text looks in the terminal: colors, wrapping, columns.

Color is decided once, by the command line (never in a pipe, never with ``NO_COLOR``); renderers ask
for styles and get plain text where color is off. No meaning is carried by color alone.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

import click

WIDTH = 96
"""Widest line that is printed; terminals narrower than this are respected."""

_COLORS = {
    "keep": "green",
    "pass": "green",
    "fixable": "yellow",
    "warn": "yellow",
    "retake": "red",
    "fail": "red",
    "note": "cyan",
    "not published": "cyan",
}


def paint(text: str, word: str) -> str:
    """Return `text` in bold and in the color of a verdict or severity."""
    return click.style(text, fg=_COLORS.get(word), bold=True)


def bold(text: str) -> str:
    """Return `text` in bold."""
    return click.style(text, bold=True)


def dim(text: str) -> str:
    """Return `text` less prominent."""
    return click.style(text, dim=True)


def wrap(text: str, indent: str = "", first: str | None = None, width: int | None = None) -> str:
    """Return `text` wrapped to the terminal, each line after `indent` (the first after `first`)."""
    return textwrap.fill(
        text,
        width or line_width(),
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def line_width() -> int:
    """Return how wide a line may be here."""
    import shutil

    return max(40, min(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns))


def table(rows: Iterable[Sequence[str]], indent: str = "") -> str:
    """Return rows in aligned columns; the last column is left as it is."""
    rows = [list(row) for row in rows]
    if not rows:
        return ""
    widths = [
        max(len(click.unstyle(row[column])) for row in rows) for column in range(len(rows[0]) - 1)
    ]
    lines = []
    for row in rows:
        cells = [
            cell + " " * (width - len(click.unstyle(cell)))
            for cell, width in zip(row, widths, strict=False)
        ]
        lines.append(indent + "  ".join([*cells, row[-1]]).rstrip())
    return "\n".join(lines)
