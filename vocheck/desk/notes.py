"""Notes from the browser: saved at once, merged where two write, undone by who wrote them.

Each change is one field of one take. The file is read anew for each, so that what a spreadsheet or
another browser has written meanwhile stays. Where two write another remark on one take, both are
kept, one behind the other.
"""

from __future__ import annotations

import asyncio
import math
import os
import re
import threading
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vocheck.desk.asked import asked, text_of_field
from vocheck.desk.board import Board
from vocheck.desk.inside import Inside
from vocheck.desk.lines import Lines
from vocheck.errors import SessionError
from vocheck.plain import plain
from vocheck.session.notebook import FIELDS, Entry, Field, write_entry
from vocheck.session.notes import NOTES_NAME, Note, note_of, read_notes

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from vocheck.desk.app import Answer

LONGEST_REMARK = 2000
MOST_UNDONE = 200
"""Changes that can be undone, of each browser."""
MOST_BROWSERS = 50
BETWEEN = " / "
"""Stands between two remarks that were written at once."""


@dataclass(frozen=True)
class _Change:
    take: str
    field: Field
    before: str
    after: str


class NoteBook:
    """Saves notes, and shows them on the board.

    Parameters
    ----------
    board : Board
    inside : Inside
    lines : Lines
        Knows which file is which take.
    """

    names: tuple[str, ...] = ()

    def __init__(self, board: Board, inside: Inside, lines: Lines) -> None:
        self._board = board
        self._inside = inside
        self._lines = lines
        self._lock = threading.Lock()
        self._done: dict[str, deque[_Change]] = {}
        self._seen: object = None
        self.gets: Mapping[str, Answer] = {}
        self.posts: Mapping[str, Answer] = {"/note": self.note, "/undo": self.undo}

    def look(self, changed: bool) -> None:  # noqa: ARG002 (of a view)
        """Show the notes where they have been read anew."""
        session = self._lines.session
        if session is not None and session is not self._seen:
            self._seen = session
            notes = {
                self._inside.id_of(path): told
                for path, note in session.notes.items()
                if any((told := _told(note)).values())
            }
            self._board.set("notes", notes)

    def close(self) -> None:
        """Nothing is left to end."""

    async def note(self, request: Request) -> Response:
        """Save one field of one take."""
        from vocheck.desk.app import as_json

        sent = await asked(request)
        take, client = text_of_field(sent, "take"), text_of_field(sent, "client")
        asked_for = text_of_field(sent, "field")
        field = next((field for field in FIELDS if field == asked_for), None)
        if field is None:
            raise SessionError("there is no such note")
        value = _checked(field, text_of_field(sent, "value"))
        base = text_of_field(sent, "base")
        saved = await asyncio.to_thread(self._save, take, field, value, base, client)
        return as_json({"saved": saved})

    async def undo(self, request: Request) -> Response:
        """Undo the last change of a browser."""
        from vocheck.desk.app import as_json

        client = text_of_field(await asked(request), "client")
        return as_json(await asyncio.to_thread(self._undo, client))

    def _save(self, take: str, field: Field, value: str, base: str, client: str) -> str:
        """Write a field; returns its value as it stands now."""
        with self._lock:
            path = self._path(take)
            before = self._current(path)[field]
            after = value
            if field == "remark" and before not in (base, value) and value != base:
                after = _both(before, value, base)
            if after != before:
                self._write(path, field, after)
                self._remember(client, _Change(take, field, before, after))
                self._show(take, field, after)
            return after

    def _undo(self, client: str) -> dict[str, Any]:
        with self._lock:
            changes = self._done.get(client)
            if not changes:
                return {"undone": "", "left": 0}
            change = changes.pop()
            path = self._path(change.take)
            if self._current(path)[change.field] != change.after:
                raise SessionError(
                    f"{plain(path.name)}: was changed since by somebody else, and stays so"
                )
            self._write(path, change.field, change.before)
            self._show(change.take, change.field, change.before)
            return {"undone": plain(path.name), "field": change.field, "left": len(changes)}

    def _path(self, take: str) -> Path:
        """Return the take of an id, as it is called; its notes must lie in the folder as well."""
        path = self._inside.known(take)
        if path is None or self._inside.find(take) is None:
            raise SessionError("this take is not there any more")
        notes = Path(os.path.realpath(path.parent / NOTES_NAME))
        if not notes.is_relative_to(os.path.realpath(self._inside.folder)):
            raise SessionError("its notes lie outside the folder of the session")
        return path

    def _current(self, path: Path) -> dict[Field, str]:
        """Return what is noted of a take now, in the file."""
        session, file = self._lines.session, path.parent / NOTES_NAME
        known = session.notes.get(os.path.abspath(path)) if session is not None else None
        line, take = (known.line or None, known.take) if known is not None else (None, None)
        notes = read_notes(file) if file.exists() else {}
        return _told(note_of(notes, path, line, take) or Note())

    def _write(self, path: Path, field: Field, value: str) -> None:
        session = self._lines.session
        known = session.notes.get(os.path.abspath(path)) if session is not None else None
        line, take = (known.line or None, known.take) if known is not None else (None, None)
        write_entry(path.parent / NOTES_NAME, Entry(path.name, line, take, field, value))

    def _remember(self, client: str, change: _Change) -> None:
        changes = self._done.pop(client, None) or deque(maxlen=MOST_UNDONE)
        changes.append(change)
        self._done[client] = changes
        while len(self._done) > MOST_BROWSERS:
            del self._done[next(iter(self._done))]

    def _show(self, take: str, field: Field, value: str) -> None:
        """Show a change at once; the file is read again soon after."""
        notes = dict(self._board.get("notes") or {})
        notes[take] = {**_told(Note()), **notes.get(take, {}), field: value}
        self._board.set("notes", notes)


def _told(note: Note) -> dict[Field, str]:
    """Return a note as it stands in a table."""
    return {
        "circled": "x" if note.circled else "",
        "rating": "" if note.rating is None else f"{note.rating:g}",
        "remark": note.remark,
    }


def _checked(field: Field, value: str) -> str:
    """Return a value as it may be written.

    Raises
    ------
    SessionError
        If it is none.
    """
    if field == "circled":
        return "x" if value else ""
    if field == "rating":
        if not value.strip():
            return ""
        if not re.fullmatch(r"\s*-?\d{1,4}([.,]\d{1,4})?\s*", value):
            raise SessionError(f"rating {value[:20]!r} is no number")
        number = float(value.replace(",", "."))
        return f"{number:g}" if math.isfinite(number) else ""
    return " ".join(plain(re.sub(r"\s+", " ", value)).split())[:LONGEST_REMARK]


def _both(before: str, value: str, base: str) -> str:
    """Return two remarks as one: what somebody else wrote, then what was written now."""
    added = value.removeprefix(base).strip() if base and value.startswith(base) else value
    return before if added in before else f"{before}{BETWEEN}{added}".removeprefix(BETWEEN)
