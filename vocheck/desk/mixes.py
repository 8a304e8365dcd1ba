"""The views *Mix* and *Room*: recordings of the folder are chosen, and measured as asked."""

from __future__ import annotations

import base64
import os
from collections.abc import Mapping
from concurrent.futures import Executor
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from vocheck.desk.asked import asked, text_of_field, texts_of_field
from vocheck.desk.board import Board
from vocheck.desk.inside import Inside
from vocheck.desk.jobs import Jobs, Piece
from vocheck.desk.lines import Lines
from vocheck.errors import SessionError
from vocheck.plain import plain
from vocheck.policy.every import Policy

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from vocheck.desk.app import Answer

MOST_FILES = 20
"""Recordings of a room that are measured together."""


def check_one(path: str, address: str, targets: tuple[str, ...], encode: bool) -> Piece:
    """Check a mix: work for a worker."""
    from vocheck.mix import check_mix
    from vocheck.report.page.desk import render_mix

    return render_mix(check_mix(path, targets, encode=None if encode else ()), address)


def measure_one(paths: tuple[str, ...]) -> Piece:
    """Measure a room: work for a worker."""
    from vocheck.report.page.desk import render_room_page
    from vocheck.report.room_figure import draw_room
    from vocheck.room import measure_room

    result = measure_room(paths)
    with TemporaryDirectory(prefix="vocheck-desk-") as folder:
        picture = Path(folder) / "room.png"
        draw_room(result, picture)
        figure = base64.b64encode(picture.read_bytes()).decode("ascii")
    return render_room_page(result, f"data:image/png;base64,{figure}")


class Measured:
    """Both views, and the list of files that they choose from.

    Parameters
    ----------
    board : Board
    inside : Inside
    lines : Lines
        Knows which file is a take.
    policy : Policy
        Knows the destinations.
    executor : concurrent.futures.Executor
    """

    names: tuple[str, ...] = ("mix", "room")

    def __init__(
        self, board: Board, inside: Inside, lines: Lines, policy: Policy, executor: Executor
    ) -> None:
        self._board = board
        self._inside = inside
        self._lines = lines
        self._seen: object = None
        self._mixes = Jobs(board, "mix", executor)
        self._rooms = Jobs(board, "room", executor)
        self.gets: Mapping[str, Answer] = {
            "/mix/{key}": self._mixes.answer,
            "/room/{key}": self._rooms.answer,
        }
        self.posts: Mapping[str, Answer] = {"/mix": self.mix, "/room": self.room}
        self.rejudge(policy)

    def rejudge(self, policy: Policy) -> None:
        """Offer the destinations of a policy."""
        self._policy = policy
        places = [
            {"name": plain(d.name), "title": plain(d.title), "family": plain(d.family)}
            for d in policy.destinations.values()
        ]
        self._board.set("destinations", places)

    def look(self, changed: bool) -> None:  # noqa: ARG002 (of a view)
        """Show which files there are, where that has changed."""
        session = self._lines.session
        if session is None or session is self._seen:
            return
        self._seen = session
        others, takes = list(session.left_out), list(session.paths)
        ids = self._inside.add([*others, *takes])
        files = [
            {
                "id": ids[os.fspath(path)],
                "name": plain(os.path.relpath(path, self._inside.folder)),
                "take": path in set(takes),
            }
            for path in [*others, *takes]
        ]
        self._board.set("files", files)

    def close(self) -> None:
        """Nothing is left to end."""

    async def mix(self, request: Request) -> Response:
        """Begin to check a mix."""
        sent = await asked(request)
        name = text_of_field(sent, "file")
        path, told = self._file(name)
        targets = texts_of_field(sent, "to")
        self._policy.find_destinations(targets)  # which says what is wrong with a name
        encode = sent.get("encode") is not False
        to = tuple(sorted(set(targets)))
        what = {"file": name, "name": told, "to": to, "encode": encode}
        key = self._mixes.begin(what, check_one, os.fspath(path), f"/sound/{name}", to, encode)
        return _begun(key)

    async def room(self, request: Request) -> Response:
        """Begin to measure a room."""
        names = texts_of_field(await asked(request), "files")
        if not 0 < len(names) <= MOST_FILES:
            raise SessionError(f"choose between 1 and {MOST_FILES} recordings of the room")
        found = [self._file(name) for name in names]
        what = {"files": names, "name": ", ".join(told for _, told in found)}
        key = self._rooms.begin(what, measure_one, tuple(os.fspath(path) for path, _ in found))
        return _begun(key)

    def _file(self, name: str) -> tuple[Path, str]:
        path, known = self._inside.find(name), self._inside.known(name)
        if path is None or known is None:
            raise SessionError("this file is not there any more")
        return path, plain(known.name)


def _begun(key: str) -> Response:
    from vocheck.desk.app import as_json

    return as_json({"key": key})
