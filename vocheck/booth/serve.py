"""A page that keeps itself up to date, served to this machine or to a tablet in the booth.

The standard library's server is enough: a handful of readers, two small answers, no input. It
listens on this machine only unless told otherwise. It answers no request that names another host,
so that a web page somewhere cannot read the booth through the reader's browser: its own name would
have to lead to this machine (DNS rebinding), and names are not answered but for this machine's.

A reader that is slow with its request or its answer is cut off, and there is a limit to how many
are answered at once, so that none can keep the others out for long.
"""

from __future__ import annotations

import hashlib
import ipaddress
import socket
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import BoundedSemaphore, Thread, Timer
from typing import Any
from urllib.parse import urlsplit

from vocheck.errors import VocheckError

LOOPBACK = "127.0.0.1"
REQUEST_S = 10.0
"""How long a reader may take for a request and its answer."""

MOST_READERS = 32
"""How many are answered at once; a booth has a few tablets, each asking once a second."""

_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; "
    "connect-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)


class PageServer:
    """Serves a page at ``/`` and its changing content at ``/state``.

    Parameters
    ----------
    page : str
        HTML that fetches ``state`` again and again.
    host : str
        Address to listen on.
    port : int
        0 takes any free one.

    Raises
    ------
    VocheckError
        If the address cannot be listened on (another program has the port).
    """

    def __init__(self, page: str, host: str = LOOPBACK, port: int = 0) -> None:
        self._page = page.encode()
        self._state = b""
        self._etag = ""
        self.publish("")
        try:
            self._server = _Server((host, port), self._handler(host))
        except OSError as error:
            raise VocheckError(
                f"cannot serve the page on {host}:{port}: {error.strerror or error}"
            ) from error
        self.url = f"http://{host}:{self._server.server_port}/"

    def publish(self, state: str) -> None:
        """Show new content from the next request on."""
        content = state.encode()
        self._state, self._etag = content, f'"{hashlib.sha256(content).hexdigest()[:16]}"'

    def __enter__(self) -> PageServer:
        Thread(target=self._server.serve_forever, name="booth page", daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()

    def _handler(self, host: str) -> type[BaseHTTPRequestHandler]:
        outer = self
        names = {"localhost", host.lower()}
        if not _is_loopback(host):
            here = socket.gethostname().lower()
            names |= {here, here.partition(".")[0], f"{here.partition('.')[0]}.local"}

        class Handler(BaseHTTPRequestHandler):
            server_version = "vocheck"
            sys_version = ""

            def handle(self) -> None:
                # The time for one read is not enough: a byte now and then would never end.
                cut = Timer(REQUEST_S, _cut_off, [self.connection])
                cut.daemon = True
                cut.start()
                try:
                    super().handle()
                except OSError:
                    pass  # the reader is gone, or was cut off
                finally:
                    cut.cancel()

            def do_GET(self) -> None:
                if not _may_name(self.headers.get("Host", ""), names, _is_loopback(host)):
                    self._answer(HTTPStatus.FORBIDDEN, b"", "text/plain")
                elif self.path == "/":
                    self._answer(HTTPStatus.OK, outer._page, "text/html; charset=utf-8")
                elif self.path == "/state":
                    state, etag = outer._state, outer._etag
                    if self.headers.get("If-None-Match") == etag:
                        self._answer(HTTPStatus.NOT_MODIFIED, b"", "text/html; charset=utf-8", etag)
                    else:
                        self._answer(HTTPStatus.OK, state, "text/html; charset=utf-8", etag)
                else:
                    self._answer(HTTPStatus.NOT_FOUND, b"", "text/plain")

            def _answer(self, status: HTTPStatus, body: bytes, kind: str, etag: str = "") -> None:
                self.send_response(status)
                self.send_header("Content-Type", kind)
                self.send_header("Content-Length", str(len(body)))
                self.send_header("Cache-Control", "no-store")
                self.send_header("Content-Security-Policy", _POLICY)
                self.send_header("X-Content-Type-Options", "nosniff")
                if etag:
                    self.send_header("ETag", etag)
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_: Any) -> None:
                """Stay quiet: the terminal belongs to the verdicts."""

        return Handler


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def __init__(self, address: tuple[str, int], handler: type[BaseHTTPRequestHandler]) -> None:
        self._free = BoundedSemaphore(MOST_READERS)
        super().__init__(address, handler)

    def process_request(self, request: Any, client_address: Any) -> None:
        """Answer in a thread of its own, or not at all where too many are being answered."""
        if self._free.acquire(blocking=False):
            super().process_request(request, client_address)
        else:
            self.shutdown_request(request)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._free.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Stay quiet: the terminal belongs to the verdicts."""


def _cut_off(connection: socket.socket) -> None:
    try:
        connection.shutdown(socket.SHUT_RDWR)
    except OSError:
        pass  # closed already


def _may_name(header: str, names: set[str], loopback: bool) -> bool:
    """Whether the host that a request names is this machine, by its name or by an address.

    An address cannot be made to lead elsewhere; where only this machine listens, it must be its.
    """
    try:
        named = (urlsplit(f"//{header}").hostname or "").rstrip(".")
    except ValueError:
        return False
    return named in names or (_is_loopback(named) if loopback else _is_address(named))


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _is_loopback(host: str) -> bool:
    return host == "localhost" or (_is_address(host) and ipaddress.ip_address(host).is_loopback)
