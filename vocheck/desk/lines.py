"""The views *Takes* and *Phrases*: every line ranked and composed, brought up to date by itself.

First it is told which file is which take of which line, then each line whose takes or notes have
changed is shown anew; both are done by workers, so that nobody waits. What names do not prove is
proved by the sound, and then all takes are compared at once.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import threading
from collections.abc import Mapping
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vocheck.desk.board import Board
from vocheck.desk.inside import Inside
from vocheck.errors import SessionError
from vocheck.plain import plain
from vocheck.report.page.desk import LinePage, render_line
from vocheck.session.lineup import Session, open_session
from vocheck.session.notes import Note
from vocheck.session.settings import Settings
from vocheck.takes.overview import make_overview
from vocheck.takes.rank import Ranking
from vocheck.wording.ranking import landing, session_notes, session_sentence

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from vocheck.desk.app import Answer

Signature = tuple[tuple[str, int, int, Note | None], ...]
"""What a line is shown from: of each take its path, time of change, size, and note."""


@dataclass(frozen=True)
class Arranged:
    """Which takes are compared with each other.

    Attributes
    ----------
    session : Session or None
        ``None`` where there are no recordings.
    groups : mapping of str to Signature
        By a name of the group.
    """

    session: Session | None
    groups: Mapping[str, Signature]


@dataclass(frozen=True)
class Shown:
    """What was made of a group.

    Attributes
    ----------
    pages : mapping of str to LinePage
        By line.
    ranking : Ranking
    """

    pages: Mapping[str, LinePage]
    ranking: Ranking


def arrange(folder: Path, settings: Settings) -> Arranged:
    """Tell which file is which take of which line: work for a worker."""
    try:
        session = open_session([folder], settings.pattern, settings.notes)
    except SessionError:
        if _holds_recordings(folder):
            raise
        return Arranged(None, {})
    groups = (
        {"": session.paths}
        if session.unsure
        else {line: [path for path, _ in takes] for line, takes in session.lines.items()}
    )
    return Arranged(session, {name: _signature(paths, session) for name, paths in groups.items()})


def _holds_recordings(folder: Path) -> bool:
    from vocheck.session.lineup import find_recordings

    try:
        return bool(find_recordings([folder]))
    except SessionError:
        return False


def _signature(paths: list[Path], session: Session) -> Signature:
    told = []
    for path in paths:
        try:
            facts = path.stat()
        except OSError:
            continue  # taken away just now: the next look tells
        note = session.notes.get(os.path.abspath(path))
        told.append((str(path), facts.st_mtime_ns, facts.st_size, note))
    return tuple(told)


def show(paths: list[str], settings: Settings, folder: Path) -> Shown:
    """Rank, compare and draw the takes of a group: work for a worker."""
    overview = make_overview(paths, settings)
    inside = Inside(folder)
    ids = inside.add(paths)
    sounds = {path: f"/sound/{name}" for path, name in ids.items()}
    pages = {sheet.line: render_line(sheet, overview, ids, sounds) for sheet in overview.sheets}
    return Shown(pages, overview.ranking)


class Lines:
    """Brings the lines of a session up to date on the board.

    Parameters
    ----------
    board : Board
    inside : Inside
    settings : Settings
    executor : concurrent.futures.Executor
        Where the work is done.

    Attributes
    ----------
    session : Session or None
        Which file is which take; ``None`` before that is known.
    held : bool
        Whether ranking waits until what was there before is measured.
    """

    names: tuple[str, ...] = ("takes", "phrases")

    def __init__(
        self, board: Board, inside: Inside, settings: Settings, executor: Executor
    ) -> None:
        self._board = board
        self._inside = inside
        self._settings = replace(settings, executor=None)
        self._executor = executor
        self._lock = threading.RLock()
        self._seen: dict[str, Signature] = {}
        self._shown: dict[str, Shown] = {}
        self._parts: dict[str, tuple[bytes, str]] = {}
        self._working: set[str] = set()
        self._arranging = False
        self._again = True
        self._looked = False
        self._known = self._told_done = 0
        self.held = True
        self._notes_seen: object = None
        self.session: Session | None = None
        self.gets: Mapping[str, Answer] = {"/line/{view}/{name}": self.answer}
        self.posts: Mapping[str, Answer] = {}
        self._untold = True
        self._error = ""

    def look(self, changed: bool) -> None:
        """Begin to arrange anew where anything has changed, notes included."""
        notes = stamp(self._inside.folder / "notes.csv")
        with self._lock:
            if self._untold:
                self._untold = False
                self._board.set("lines", self._summary())
            self._again |= changed or notes != self._notes_seen
            self._notes_seen = notes
            if not self._again or self._arranging:
                return
            self._again, self._arranging = False, True
        work = self._executor.submit(arrange, self._inside.folder, self._settings)
        work.add_done_callback(self._arranged)

    def tell_progress(self, done: int, of: int) -> None:
        """Tell how many of the takes that were there before are measured."""
        with self._lock:
            self._known, self._told_done, self._untold = of, done, True

    def release(self) -> None:
        """Begin to rank: the takes that were there before are measured."""
        with self._lock:
            self.held = False
            self._again = True

    def rejudge(self, settings: Settings) -> None:
        """Show everything anew, as other settings judge it."""
        with self._lock:
            self._settings = replace(settings, executor=None)
            self._seen.clear()
            self._again = True

    def close(self) -> None:
        """Nothing is left to end: the workers are ended by whoever made them."""

    def _arranged(self, work: Future[Arranged]) -> None:
        with self._lock:
            self._arranging = False
            if work.cancelled():
                return
            if (error := work.exception()) is not None:
                self._error, self._untold = plain(str(error)), True
                return
            self._error = ""
            arranged = work.result()
            self._looked = True
            self._known = sum(map(len, arranged.groups.values()))
            self.session = arranged.session
            self._drop(set(self._seen) - set(arranged.groups))
            for name, signature in () if self.held else arranged.groups.items():
                if self._seen.get(name) != signature:
                    self._seen[name] = signature
                    self._show(name)
            self._untold = True

    def _drop(self, names: set[str]) -> None:
        for name in names:
            self._seen.pop(name, None)
            if (shown := self._shown.pop(name, None)) is not None:
                self._take_down(set(shown.pages))

    def _take_down(self, lines: set[str]) -> None:
        for line in lines:
            self._board.set(f"line:{line_id(line)}", None)
            for view in self.names:
                self._parts.pop(f"{view}/{line_id(line)}", None)

    def _show(self, name: str) -> None:
        """Begin to show a group, unless that is being done: then it is done once more after."""
        if name in self._working:
            return
        self._working.add(name)
        signature = self._seen[name]
        paths = [path for path, *_ in signature]
        work = self._executor.submit(show, paths, self._settings, self._inside.folder)
        work.add_done_callback(lambda done: self._showed(name, signature, done))

    def _showed(self, name: str, signature: Signature, work: Future[Shown]) -> None:
        with self._lock:
            self._working.discard(name)
            if work.cancelled() or name not in self._seen:
                return
            if self._seen[name] != signature:
                self._show(name)
                return
            if (error := work.exception()) is not None:
                self._error, self._untold = plain(str(error)), True
                return
            shown = work.result()
            self._inside.add(path for path, *_ in signature)
            if (before := self._shown.get(name)) is not None:
                self._take_down(set(before.pages) - set(shown.pages))
            self._shown[name] = shown
            for line, page in shown.pages.items():
                self._keep(line, page)
            self._untold = True

    def _keep(self, line: str, page: LinePage) -> None:
        tags = {}
        for view, part in (("takes", page.takes), ("phrases", page.phrases)):
            packed = gzip.compress(json.dumps(part).encode(), 1, mtime=0)
            tags[view] = hashlib.sha256(packed).hexdigest()[:16]
            self._parts[f"{view}/{line_id(line)}"] = (packed, f'"{tags[view]}"')
        self._board.set(f"line:{line_id(line)}", {**page.row, "tags": tags})

    def _summary(self) -> dict[str, Any]:
        """Return what is said of the session as a whole."""
        ranking = self._ranking()
        measured = sum(len(self._seen.get(name, ())) for name in self._shown)
        measured = self._told_done if self.held else measured
        session = self.session
        return {
            "order": [line_id(line.line) for line in ranking.lines],
            # A line that nobody has measured yet may be the one without a clean take.
            "sentence": plain(session_sentence(ranking)) if measured >= self._known > 0 else "",
            "landing": [plain(text) for text in (*landing(ranking), *session_notes(ranking))],
            "failures": [plain(failure.error) for failure in ranking.failures],
            "left_out": [plain(Path(path).name) for path in session.left_out] if session else [],
            "problems": [plain(problem) for problem in session.problems] if session else [],
            "error": self._error,
            "known": self._known,
            "measured": measured,
            "arranged": self._looked,
        }

    def _ranking(self) -> Ranking:
        """Return the rankings of all groups as one."""
        parts = [self._shown[name].ranking for name in self._seen if name in self._shown]
        return replace(
            _NOTHING,
            lines=tuple(line for part in parts for line in part.lines),
            failures=tuple(failure for part in parts for failure in part.failures),
            by_sound=tuple(told for part in parts for told in part.by_sound),
        )

    async def answer(self, request: Request) -> Response:
        """Answer with a line as one of the views shows it."""
        from starlette.responses import Response

        name = f"{request.path_params['view']}/{request.path_params['name']}"
        with self._lock:
            found = self._parts.get(name)
        if found is None:
            return Response(status_code=404)
        packed, tag = found
        headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Content-Encoding": "gzip"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return Response(packed, media_type="application/json", headers=headers)


_NOTHING = Ranking(lines=(), failures=(), left_out=(), by_sound=(), problems=())


def line_id(line: str) -> str:
    """Return the id of a line: the same in every run."""
    return hashlib.blake2b(line.encode(errors="surrogatepass"), digest_size=6).hexdigest()


def stamp(path: Path) -> tuple[int, int, int] | None:
    """Return what changes when a file is written to; ``None`` where there is none."""
    try:
        facts = path.stat()
    except OSError:
        return None
    return facts.st_ino, facts.st_mtime_ns, facts.st_size
