"""What the server answers: the page, what is new on the board, and what a `Desk` adds.

Every address names a thing by an id that was made here, never by a path.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import suppress
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from vocheck.desk.board import Board
from vocheck.errors import VocheckError
from vocheck.plain import plain
from vocheck.report.page.desk import PLAYERS, render_players, render_shell

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response

BEAT_S = 4.0
"""A browser that hears nothing for three beats says that the computer does not answer."""
TOGETHER_S = 0.02
"""What changes within so long is told at once."""

_KINDS = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8"}

Answer = Callable[["Request"], Awaitable["Response"]]


class Answers:
    """What can be asked for, beside the page itself.

    Parameters
    ----------
    board : Board
    views : tuple of str
        Those that the page offers.
    title : str
        Of the page.
    """

    def __init__(
        self, board: Board, views: tuple[str, ...] = ("booth",), title: str = "Booth"
    ) -> None:
        self.board = board
        self.views = views
        self.title = title
        self.gets: dict[str, Answer] = {}
        self.posts: dict[str, Answer] = {}
        self._ended = asyncio.Event()

    def end(self) -> None:
        """End the streams of news; called in the server's loop."""
        self._ended.set()

    async def news(self, version: str) -> AsyncIterator[bytes]:
        """Yield what is newer than a version as server-sent events, for ever."""
        changed = asyncio.Event()
        loop = asyncio.get_running_loop()

        def tell() -> None:
            with suppress(RuntimeError):  # the server has ended
                loop.call_soon_threadsafe(changed.set)

        stop = self.board.listen(tell)
        try:
            yield b"retry: 1000\n\n"
            while not self._ended.is_set():
                changed.clear()
                news = self.board.since(version)
                if news is not None:
                    version = news.version
                    told = json.dumps({"whole": news.whole, "values": news.values})
                    yield f"id: {version}\nevent: news\ndata: {told}\n\n".encode()
                elif not await _within(changed, BEAT_S):
                    yield b"event: beat\ndata:\n\n"
                else:
                    await asyncio.sleep(TOGETHER_S)
        finally:
            stop()


async def _within(event: asyncio.Event, seconds: float) -> bool:
    try:
        await asyncio.wait_for(event.wait(), seconds)
    except TimeoutError:
        return False
    return True


def make_app(answers: Answers) -> Starlette:
    """Return the application that answers (`Door` decides whom)."""
    from starlette.applications import Starlette
    from starlette.exceptions import HTTPException
    from starlette.responses import HTMLResponse, Response, StreamingResponse
    from starlette.routing import Route

    async def page(request: Request) -> Response:
        right = request.scope.get("vocheck.right", "read")
        return HTMLResponse(render_shell(answers.title, answers.views, may_write=right == "write"))

    async def static(request: Request) -> Response:
        found = static_files().get(request.path_params["name"])
        if found is None:
            raise HTTPException(404)
        content, kind, etag = found
        headers = {"ETag": etag, "Cache-Control": "no-cache"}
        if request.headers.get("if-none-match") == etag:
            return Response(status_code=304, headers=headers)
        return Response(content, media_type=kind, headers=headers)

    async def events(request: Request) -> Response:
        version = request.headers.get("last-event-id") or request.query_params.get("since", "")
        return StreamingResponse(answers.news(version), media_type="text/event-stream")

    async def nothing(request: Request, error: Exception) -> Response:  # noqa: ARG001
        return Response(status_code=getattr(error, "status_code", 500))

    async def told(request: Request, error: Exception) -> Response:  # noqa: ARG001
        return as_json({"error": plain(str(error))}, 409)

    async def fault(request: Request, error: Exception) -> Response:  # noqa: ARG001
        return as_json({"error": f"internal error: {type(error).__name__}"}, 500)

    routes = [
        Route("/", page),
        Route("/static/{name}", static),
        Route("/events", events),
        *(Route(path, answer) for path, answer in answers.gets.items()),
        *(Route(path, answer, methods=["POST"]) for path, answer in answers.posts.items()),
    ]
    return Starlette(
        routes=routes,
        exception_handlers={HTTPException: nothing, VocheckError: told, Exception: fault},
    )


def as_json(value: Any, status: int = 200) -> Response:
    """Return an answer that holds a value."""
    from starlette.responses import Response

    return Response(json.dumps(value), status, media_type="application/json")


@cache
def static_files() -> dict[str, tuple[bytes, str, str]]:
    """Return styles and scripts by name: content, type and tag."""
    found = {}
    contents = {PLAYERS: render_players().encode()}
    for file in files("vocheck.report.page").iterdir():
        if os.path.splitext(file.name)[1] in _KINDS:
            contents[file.name] = file.read_bytes()
    for name, content in contents.items():
        tag = f'"{hashlib.sha256(content).hexdigest()[:16]}"'
        found[name] = (content, _KINDS[os.path.splitext(name)[1]], tag)
    return found
