"""The page of the desk: a frame that holds nothing of a session; what it shows comes later."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vocheck.plain import plainly
from vocheck.report.page.comp import composed_line, path_of
from vocheck.report.page.drawing import WAVE_HEIGHT
from vocheck.report.page.rank import ranked_line
from vocheck.report.page.takes import play
from vocheck.report.page.template import render
from vocheck.takes.comp import CompSheet
from vocheck.takes.listening import ListeningCopy
from vocheck.takes.overview import Overview

VIEWS = {
    "booth": "Booth",
    "takes": "Takes",
    "phrases": "Phrases",
    "mix": "Mix",
    "room": "Room",
    "limits": "Limits",
}
"""The views by their names in addresses, as they are called."""


PLAYERS = "players.js"
"""Name of the script that holds what the desk and the offline pages have in common."""


def render_players() -> str:
    """Return the script of the players: that of the offline pages, as a module."""
    return render(f"{PLAYERS}.jinja")


@dataclass(frozen=True)
class LinePage:
    """A line as the desk shows it.

    Attributes
    ----------
    row : dict
        What the list of lines tells, plain data.
    takes, phrases : dict
        Of each view the HTML and what its player needs.
    """

    row: dict[str, Any]
    takes: dict[str, Any]
    phrases: dict[str, Any]


def render_line(
    sheet: CompSheet, overview: Overview, ids: Mapping[str, str], sounds: Mapping[str, str]
) -> LinePage:
    """Return a line as the views *Takes* and *Phrases* show it.

    Parameters
    ----------
    sheet : CompSheet
    overview : Overview
        Of the line.
    ids : mapping of str to str
        By which the page calls each take, by path.
    sounds : mapping of str to str
        Where the sound of each take is heard, by path.
    """
    copies = {path: ListeningCopy(address, 0.0) for path, address in sounds.items()}
    takes = ranked_line(sheet, overview, Path(), copies)
    phrases = composed_line(sheet, overview, Path(), copies)
    for take, path in zip(takes["takes"], sheet.takes, strict=True):
        take["id"] = ids[path]
    return LinePage(
        row=_row(takes, sheet),
        takes={
            "html": render("desk_takes.html", line=takes, wave_height=WAVE_HEIGHT),
            "play": play(takes),
        },
        phrases={
            "html": render("desk_phrases.html", line=phrases, wave_height=WAVE_HEIGHT),
            "play": play(phrases) | path_of(sheet),
        },
    )


def _row(line: dict[str, Any], sheet: CompSheet) -> dict[str, Any]:
    """Return a line as the list shows it, with the words it is searched by."""
    takes = line["takes"]
    words = [line["name"], *line["row"].know]
    for take in takes:
        words += [take["file"], take["remark"], *(f["message"] for f in take["findings"])]
    told = {
        "name": line["name"],
        "verdict": line["row"].verdict,
        "word": line["verdict_word"],
        "use": line["row"].use,
        "circled": line["row"].circled,
        "know": "; ".join(line["row"].know),
        "takes": len(takes),
        "keep": sum(take["verdict"] == "keep" for take in takes),
        "cuts": sheet.cuts,
        "words": " ".join(words).casefold(),
    }
    return plainly(told)


def render_shell(title: str, views: tuple[str, ...], *, may_write: bool) -> str:
    """Return the page.

    Parameters
    ----------
    title : str
        Of the session.
    views : tuple of str
        Those that there are, of `VIEWS`.
    may_write : bool
        Whether notes and settings can be changed on it.
    """
    return render(
        "desk.html",
        title=title,
        views=[(name, VIEWS[name]) for name in views],
        may_write=may_write,
    )
