"""Work that somebody asks for on the page: done by a worker, its answer kept and shown to all."""

from __future__ import annotations

import gzip
import hashlib
import json
import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import TYPE_CHECKING, Any

from vocheck.desk.board import Board
from vocheck.errors import SessionError, VocheckError
from vocheck.plain import plain

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

MOST_KEPT = 20
"""Answers that are kept of each kind."""
MOST_WAITING = 8
"""More is refused until some is done."""

Piece = dict[str, Any]
"""What a worker gives back: ``html`` and ``play`` for the page, ``told`` for the list."""


class Jobs:
    """Answers of one kind.

    Parameters
    ----------
    board : Board
        ``KIND:KEY`` tells how far each is.
    kind : str
    executor : concurrent.futures.Executor
    """

    def __init__(self, board: Board, kind: str, executor: Executor) -> None:
        self._board = board
        self._kind = kind
        self._executor = executor
        self._lock = threading.Lock()
        self._begun = 0
        self._told: OrderedDict[str, dict[str, Any]] = OrderedDict()
        self._parts: dict[str, tuple[bytes, str]] = {}

    def begin(self, what: dict[str, Any], work: Callable[..., Piece], *args: Any) -> str:
        """Begin a piece of work, unless it is being done; returns its key.

        Parameters
        ----------
        what : dict
            What was asked for, as the list tells it; the same is the same work.
        work : callable
            Module-level.
        *args
            Of the work.

        Raises
        ------
        SessionError
            If too much is waiting.
        """
        asked = json.dumps(what, sort_keys=True).encode()
        key = hashlib.blake2b(asked, digest_size=6).hexdigest()
        with self._lock:
            if self._told.get(key, {}).get("state") == "working":
                return key
            waiting = sum(told["state"] == "working" for told in self._told.values())
            if waiting >= MOST_WAITING:
                raise SessionError("too much is being measured already: wait for some of it")
            self._begun += 1
            self._tell(key, {**what, "state": "working", "begun": self._begun})
        future = self._executor.submit(work, *args)
        future.add_done_callback(lambda done: self._done(key, done))
        return key

    def _done(self, key: str, work: Future[Piece]) -> None:
        with self._lock:
            told = self._told.get(key)
            if told is None or work.cancelled():
                return
            error = work.exception()
            if error is not None:
                known = isinstance(error, VocheckError)
                words = str(error) if known else f"{type(error).__name__}: {error}"
                self._tell(key, {**told, "state": "failed", "error": plain(words)})
                return
            piece = work.result()
            shown = {name: piece[name] for name in ("html", "play") if name in piece}
            packed = gzip.compress(json.dumps(shown).encode(), 1, mtime=0)
            tag = hashlib.sha256(packed).hexdigest()[:16]
            self._parts[key] = packed, f'"{tag}"'
            self._tell(key, {**told, **piece["told"], "state": "done", "tag": tag})

    def _tell(self, key: str, told: dict[str, Any]) -> None:
        self._told.pop(key, None)
        self._told[key] = told
        self._board.set(f"{self._kind}:{key}", told)
        while len(self._told) > MOST_KEPT:
            old = next(iter(self._told))
            del self._told[old]
            self._parts.pop(old, None)
            self._board.set(f"{self._kind}:{old}", None)

    async def answer(self, request: Request) -> Response:
        """Answer with what was found."""
        from starlette.responses import Response

        with self._lock:
            found = self._parts.get(request.path_params["key"])
        if found is None:
            return Response(status_code=404)
        packed, tag = found
        headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Content-Encoding": "gzip"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return Response(packed, media_type="application/json", headers=headers)
