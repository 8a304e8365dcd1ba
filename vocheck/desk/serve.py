"""The server: listens, in a thread of its own, and ends when it is told to.

A reader that is slow with a request is cut off, and there is a limit to how many are answered at
once, so that none can keep the others out for long.
"""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType
from typing import TYPE_CHECKING, Any

from vocheck.desk.access import LOOPBACK, Door, Keys, is_loopback
from vocheck.errors import VocheckError

if TYPE_CHECKING:
    from starlette.types import ASGIApp

PORT = 8470
REQUEST_S = 10.0
"""How long a reader may take to send a request."""
MOST_READERS = 64
"""How many connections are held at once: a browser has six, of which one waits for news."""


class Server:
    """Serves an application to who has a key.

    Parameters
    ----------
    app : ASGI application
    keys : Keys
    host : str
        Address to listen on.
    port : int
        0 takes any free one.
    stopping : callable, optional
        Called in the server's loop before it ends, so that streams end as well.

    Raises
    ------
    VocheckError
        If the address cannot be listened on (another program has the port).
    """

    def __init__(
        self,
        app: ASGIApp,
        keys: Keys,
        host: str = LOOPBACK,
        port: int = 0,
        stopping: Callable[[], None] | None = None,
    ) -> None:
        self._keys = keys
        self._host = host
        self._stopping = stopping
        self._socket = _listening(host, port)
        self.port: int = self._socket.getsockname()[1]
        self._server = _server(Door(app, keys, host, self.port))
        self._thread = threading.Thread(target=self._run, name="desk", daemon=True)
        self._started = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None

    @property
    def url(self) -> str:
        """The address with the key that opens it on this machine."""
        here = self._host if is_loopback(self._host) else LOOPBACK
        return f"http://{here}:{self.port}/?key={self._keys.own or self._keys.shared}"

    @property
    def shared_url(self) -> str:
        """The address for others in this network; empty where none may come in."""
        if not self._keys.shared or is_loopback(self._host):
            return ""
        host = own_address() if self._host in ("0.0.0.0", "::") else self._host
        return f"http://{host}:{self.port}/?key={self._keys.shared}"

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._started.set()
        await self._server.serve(sockets=[self._socket])

    def __enter__(self) -> Server:
        self._thread.start()
        self._started.wait()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._server.should_exit = True
        if self._stopping is not None and self._loop is not None:
            with suppress(RuntimeError):  # it has ended by itself
                self._loop.call_soon_threadsafe(self._stopping)
        self._thread.join(timeout=5.0)
        self._socket.close()


def _listening(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family)
    try:
        # A port that another program listens on is refused all the same.
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(128)
    except OSError as error:
        listener.close()
        raise VocheckError(
            f"cannot serve the page on {host}:{port}: {error.strerror or error}"
        ) from error
    return listener


def _server(app: ASGIApp) -> Any:
    """Return uvicorn, silent, with a protocol that cuts slow readers off."""
    import uvicorn
    from uvicorn.protocols.http.h11_impl import H11Protocol

    class Patient(H11Protocol):
        """Waits for a whole request so long, and no longer."""

        _cut: asyncio.TimerHandle | None = None

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            self._wait()

        def data_received(self, data: bytes) -> None:
            if self._cut is None and (self.cycle is None or self.cycle.response_complete):
                self._wait()
            super().data_received(data)
            if self.cycle is not None and not self.cycle.more_body and self._cut is not None:
                self._cut.cancel()
                self._cut = None

        def connection_lost(self, exc: Exception | None) -> None:
            if self._cut is not None:
                self._cut.cancel()
            super().connection_lost(exc)

        def send_400_response(self, msg: str) -> None:  # noqa: ARG002 (of uvicorn)
            self.transport.close()

        def _wait(self) -> None:
            self._cut = self.loop.call_later(REQUEST_S, self.transport.abort)

    config = uvicorn.Config(
        app,
        http=Patient,
        ws="none",
        lifespan="off",
        log_config=None,
        log_level="critical",
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        limit_concurrency=MOST_READERS,
        timeout_graceful_shutdown=1,
    )
    return uvicorn.Server(config)


def own_address() -> str:
    """Return the address of this machine in its network, as far as it can be told.

    Nothing is sent: a datagram socket that is connected only chooses the way.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        try:
            way.connect(("192.0.2.1", 9))  # RFC 5737: an address of nobody
            return str(way.getsockname()[0])
        except OSError:
            return socket.gethostname()
