"""A page that keeps itself up to date, served to this machine or to a tablet in the booth.

The standard library's server is enough: a handful of readers, two small answers, no input. It
listens on this machine only unless told otherwise, and then it takes no request that names another
host, so that a web page somewhere cannot read the booth through the reader's browser.
"""

from __future__ import annotations

import hashlib
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread
from typing import Any

from vocheck.errors import VocheckError

LOOPBACK = "127.0.0.1"
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
            self._server = ThreadingHTTPServer((host, port), self._handler(host))
        except OSError as error:
            raise VocheckError(
                f"cannot serve the page on {host}:{port}: {error.strerror or error}"
            ) from error
        self._server.daemon_threads = True
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
        only_here = host in (LOOPBACK, "localhost", "::1")

        class Handler(BaseHTTPRequestHandler):
            server_version = "vocheck"
            sys_version = ""

            def do_GET(self) -> None:
                named = self.headers.get("Host", "").rpartition(":")[0]
                if only_here and named not in (LOOPBACK, "localhost", "[::1]"):
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
