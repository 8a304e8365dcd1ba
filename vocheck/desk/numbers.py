"""The view *Limits*: every number that judges, with its source, and a studio's own ones changed.

What is changed is written into the ``vocheck.toml`` of the session's folder. One that lies further
up counts for other folders as well, and is not written from here.
"""

from __future__ import annotations

import asyncio
import gzip
import hashlib
import json
import math
import os
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from vocheck.desk.asked import asked, text_of_field, texts_of_field
from vocheck.desk.board import Board
from vocheck.desk.lines import stamp
from vocheck.errors import TargetError
from vocheck.plain import plain
from vocheck.policy.config import FILE_NAME, find_config
from vocheck.policy.edit_config import set_number
from vocheck.policy.every import Policy, load_policy
from vocheck.policy.numbers import numbers_of
from vocheck.report.page.desk import render_limits

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from vocheck.desk.app import Answer


class Limits:
    """Shows the numbers, saves changes, and tells when other settings count.

    Parameters
    ----------
    board : Board
    folder : Path
    policy : Policy
        What counts now.
    changed : callable
        Called with another policy, from the session's thread.
    """

    names: tuple[str, ...] = ("limits",)

    def __init__(
        self, board: Board, folder: Path, policy: Policy, changed: Callable[[Policy], None]
    ) -> None:
        self._board = board
        self._folder = folder
        self._changed = changed
        self._lock = threading.Lock()
        self._part: tuple[bytes, str] = (b"", "")
        self._policy = policy
        self._seen = self._stamp()
        self.gets: Mapping[str, Answer] = {"/limits": self.answer}
        self.posts: Mapping[str, Answer] = {"/limit": self.limit}
        self._show("")

    def look(self, changed: bool) -> None:  # noqa: ARG002 (of a view)
        """Read the settings anew where their file was changed."""
        seen = self._stamp()
        if seen == self._seen:
            return
        self._seen = seen
        try:
            policy = load_policy(find_config(self._folder))
        except TargetError as error:
            self._show(f"{error}; what counted before still counts")
            return
        self._policy = policy
        self._changed(policy)
        self._show("")

    def close(self) -> None:
        """Nothing is left to end."""

    def _stamp(self) -> object:
        file = find_config(self._folder)
        return None if file is None else (file, stamp(file))

    def _own_file(self) -> Path:
        """Return the file that changes are written to.

        Raises
        ------
        TargetError
            If the settings lie outside the session's folder.
        """
        file = find_config(self._folder)
        own = self._folder / FILE_NAME
        if file is None:
            return own
        real = Path(os.path.realpath(file))
        if not real.is_relative_to(os.path.realpath(self._folder)):
            raise TargetError(
                f"{file}: counts for other folders as well and is not written from here: "
                "open it in an editor"
            )
        return own

    def _show(self, error: str) -> None:
        try:
            file, why_not = self._own_file(), ""
        except TargetError as refused:
            file, why_not = find_config(self._folder) or self._folder, str(refused)
        html = render_limits(numbers_of(self._policy), self._policy, plain(str(file)))
        packed = gzip.compress(json.dumps({"html": html}).encode(), 1, mtime=0)
        tag = hashlib.sha256(packed).hexdigest()[:16]
        self._part = packed, f'"{tag}"'
        self._board.set("limits", {"tag": tag, "error": plain(error), "why_not": plain(why_not)})

    async def answer(self, request: Request) -> Response:
        """Answer with the list of numbers."""
        from starlette.responses import Response

        packed, tag = self._part
        headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Content-Encoding": "gzip"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return Response(packed, media_type="application/json", headers=headers)

    async def limit(self, request: Request) -> Response:
        """Set a number, or let the shipped one count again."""
        from vocheck.desk.app import as_json

        sent = await asked(request)
        path = tuple(texts_of_field(sent, "path"))
        value = _number(text_of_field(sent, "value"))
        if path not in {number.path for number in numbers_of(self._policy)}:
            raise TargetError("there is no such number")
        before = next((n for n in numbers_of(self._policy) if n.path == path and n.own), None)
        await asyncio.to_thread(self._write, path, value)
        return as_json({"before": "" if before is None else f"{before.value:g}"})

    def _write(self, path: tuple[str, ...], value: float | None) -> None:
        with self._lock:
            set_number(self._own_file(), path, value)


def _number(text: str) -> float | None:
    """Return a number that was typed; ``None`` for nothing.

    Raises
    ------
    TargetError
        If it is none.
    """
    if not text.strip():
        return None
    try:
        value = float(text.replace(",", ".").replace("−", "-"))
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or len(text) > 30:
        raise TargetError(f"{text[:30]!r} is no number")
    return value
