"""The page of the desk: a frame that holds nothing of a session; what it shows comes later."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from click import unstyle

from vocheck.mix.results import MixResult
from vocheck.plain import plain, plainly
from vocheck.policy.destinations import FACTS
from vocheck.policy.every import Policy
from vocheck.policy.numbers import Number
from vocheck.report.page.comp import composed_line, path_of
from vocheck.report.page.drawing import WAVE_HEIGHT
from vocheck.report.page.mix import play_of, shown_mix
from vocheck.report.page.rank import ranked_line
from vocheck.report.page.takes import play
from vocheck.report.page.template import render, sound
from vocheck.report.text.room import render_room
from vocheck.room import RoomResult
from vocheck.takes.comp import CompSheet
from vocheck.takes.listening import ListeningCopy
from vocheck.takes.overview import Overview
from vocheck.wording.findings import limit_source, now, what
from vocheck.wording.room import answers
from vocheck.wording.vocabulary import file_name

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


def render_mix(result: MixResult, address: str) -> dict[str, Any]:
    """Return a mix as the view *Mix* shows it: its HTML, and what its player needs.

    Parameters
    ----------
    result : MixResult
    address : str
        Where its sound is heard.
    """
    mix = shown_mix(result) | sound(result.path, Path(), ListeningCopy(address, 0.0))
    told = {key: mix[key] for key in ("verdict", "verdict_word", "sentence")}
    return {"html": render("desk_mix.html", mix=mix), "play": play_of(mix), "told": plainly(told)}


def render_room_page(result: RoomResult, figure: str) -> dict[str, Any]:
    """Return a room as the view *Room* shows it.

    Parameters
    ----------
    result : RoomResult
    figure : str
        Address of its picture.
    """
    others = len(result.paths) - 1
    name = file_name(result.path) + (f" and {others} more" if others else "")
    findings = [
        {
            "severity": finding.severity,
            "message": what(finding),
            "now": now(finding),
            "limit": limit_source(finding),
        }
        for finding in result.findings
    ]
    text = unstyle(render_room(result))
    html = render(
        "desk_room.html",
        name=name,
        answers=answers(result),
        findings=findings,
        figure=figure,
        text=text,
    )
    return {"html": html, "told": plainly({"answers": list(answers(result))})}


_GROUPS = {
    "limits": "What a take is held to",
    "words": "Words that depart from the script",
    "room": "What the recording room is held to",
    "match": "How far a pickup may differ",
    "drift": "When a running session is told of drift",
    "headroom": "What a test read says of the gain",
    "ranking": "How much a fact counts in the ranking",
    "comp": "What a change of take costs",
    "pace": "How fast a script is read",
    "mix": "Mixes and their copies",
    "obstacles": "What a gain cannot save",
    "positions": "From where on two positions differ",
    "character": "What a reverberation time means",
    "compare": "Rooms to compare with",
    "edit": "Assemblies and timelines",
    "destinations": "Where the sound goes",
}


def render_limits(numbers: Sequence[Number], policy: Policy, file: str) -> str:
    """Return the numbers that judge as the view *Limits* shows them.

    Parameters
    ----------
    numbers : sequence of Number
    policy : Policy
        Whose numbers they are.
    file : str
        Where a studio's own are written.
    """
    groups: dict[str, list[dict[str, Any]]] = {}
    for number in numbers:
        groups.setdefault(number.path[0], []).append(_number_row(number, policy))
    shown = [
        {
            "name": name,
            "title": _GROUPS.get(name, name),
            "rows": rows,
            "own": sum(row["own"] for row in rows),
            "open": name == "limits" or any(row["own"] for row in rows),
        }
        for name, rows in groups.items()
    ]
    return render("desk_limits.html", groups=shown, file=file)


def _number_row(number: Number, policy: Policy) -> dict[str, Any]:
    section, name, *rest = number.path
    rule = policy.rules.get(f"words_{name}" if section == "words" else name)
    what = (
        f"{rule.fact} {rule.sense}"
        if rule is not None and section in ("limits", "words", "room")
        else ""
    )
    if section == "destinations":
        what = FACTS[rest[1]].what
    row = {
        "name": name,
        "key": rest[-1],
        "what": what,
        "value": f"{number.value:g}",
        "unit": number.unit,
        "status": number.status,
        "source": number.source,
        "own": number.own,
        "path": list(number.path),
    }
    words = (*number.path, what, number.unit, number.status, number.source)
    return plainly(row) | {"words": plain(" ".join(words).casefold())}


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
