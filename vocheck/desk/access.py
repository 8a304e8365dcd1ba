"""Who may look, who may write, and with which headers an answer leaves.

The first address holds a random key; the page it opens is given a cookie (``SameSite=Strict``,
``HttpOnly``), and the key is taken out of the address. Without the key or the cookie nothing is
answered: a refusal is a status and not a byte more.

A web page somewhere could try to use a reader's browser. Its requests carry no such cookie; those
that name another host than this machine (a foreign name that was made to lead here) or come from
another origin are refused before anything is looked at.
"""

from __future__ import annotations

import ipaddress
import json
import os
import secrets
import socket
import time
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from urllib.parse import parse_qs, urlsplit

from vocheck.desk.recent import state_folder
from vocheck.errors import VocheckError
from vocheck.files import replacing

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOOPBACK = "127.0.0.1"
MOST_BYTES = 64 * 1024
"""Of a request; the longest that the page sends is a remark."""
KEY_S = 24 * 3600.0
"""A key that was not used for so long is not used again."""

Right = Literal["read", "write"]

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; style-src-attr 'unsafe-inline'; "
    "img-src 'self' data:; media-src 'self'; connect-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Frame-Options": "DENY",
}


@dataclass(frozen=True)
class Keys:
    """The keys that open the desk.

    Attributes
    ----------
    own : str
        Of this machine: it may write. Empty where nobody may.
    shared : str
        Of others; empty where nobody else may come in.
    shared_right : {"read", "write"}
    """

    own: str
    shared: str = ""
    shared_right: Right = "read"

    def right(self, key: str) -> Right | None:
        """Return what a key allows; ``None`` for one that is none."""
        # Both are compared, in a time that tells nothing of how much of a key was right.
        sent = key.encode(errors="replace")
        own = secrets.compare_digest(sent, self.own.encode())
        shared = secrets.compare_digest(sent, self.shared.encode())
        if own and self.own:
            return "write"
        return self.shared_right if shared and self.shared else None


def make_keys(folder: Path, *, share: bool = False, share_write: bool = False) -> Keys:
    """Return the keys for a folder: those of the last run, if that was within a day.

    So a page that is open when the server is started again goes on. They are kept in the folder
    where this user's programs keep their state, for this user's eyes only; where that cannot be
    done, they are new each time.
    """
    from hashlib import sha256

    place = state_folder()
    name = sha256(os.fsencode(os.path.realpath(folder))).hexdigest()[:16]
    file = place / f"desk-{name}.json"
    own = shared = ""
    with suppress(OSError, ValueError, TypeError, KeyError):
        if time.time() - file.stat().st_mtime < KEY_S:
            kept = json.loads(file.read_bytes())
            own, shared = str(kept["own"]), str(kept["shared"])
    if min(len(own), len(shared)) < 32:
        own, shared = secrets.token_urlsafe(32), secrets.token_urlsafe(32)
    with suppress(OSError, VocheckError):
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        with replacing(file) as temporary:
            temporary.touch(mode=0o600)
            temporary.write_text(json.dumps({"own": own, "shared": shared}), encoding="utf-8")
    if not share and not share_write:
        return Keys(own)
    return Keys(own, shared, "write" if share_write else "read")


class Door:
    """Lets in who has a key, as an ASGI application around the one that answers.

    Parameters
    ----------
    app : ASGI application
    keys : Keys
    host : str
        Address that is listened on.
    port : int
        Names the cookie: cookies of one machine do not tell its ports apart.
    """

    def __init__(self, app: ASGIApp, keys: Keys, host: str, port: int) -> None:
        self._app = app
        self._keys = keys
        self._names = names_of(host)
        self._loopback = is_loopback(host)
        self._cookie = f"vocheck_{port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = _Headers(scope["headers"])
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _refuse(send, refusal)
            return
        key = self._key_in_address(scope)
        right = self._keys.right(key or self._key_in_cookie(headers))
        if right is None:
            await _refuse(send, HTTPStatus.FORBIDDEN)
            return
        if right == "read" and scope["method"] != "GET":
            await _refuse(send, HTTPStatus.FORBIDDEN)
            return
        body = _limited(receive)
        scope["vocheck.right"] = right
        cookie = f"{self._cookie}={key}; Path=/; SameSite=Strict; HttpOnly" if key else ""
        await self._app(scope, body, _with_headers(send, cookie))

    def _refusal(self, scope: Scope, headers: _Headers) -> HTTPStatus | None:
        """Return why a request is refused whoever sends it, or ``None``."""
        if scope["method"] not in ("GET", "POST"):
            return HTTPStatus.METHOD_NOT_ALLOWED
        hosts = headers.all("host")
        if len(hosts) != 1 or not may_name(hosts[0], self._names, self._loopback):
            return HTTPStatus.FORBIDDEN
        origins = headers.all("origin")
        if any(origin != f"http://{hosts[0]}" for origin in origins):
            return HTTPStatus.FORBIDDEN
        if scope["method"] == "POST":
            if not origins or headers.one("content-type") != "application/json":
                return HTTPStatus.FORBIDDEN
            length = headers.one("content-length")
            if not length.isascii() or not length.isdigit() or len(length) > 9:
                return HTTPStatus.LENGTH_REQUIRED
            if int(length) > MOST_BYTES:
                return HTTPStatus.REQUEST_ENTITY_TOO_LARGE
        # A page elsewhere may lead here (a link with the key), and may take nothing from here.
        if headers.one("sec-fetch-site") in ("cross-site", "same-site") and (
            headers.one("sec-fetch-mode") != "navigate" or scope["path"] != "/"
        ):
            return HTTPStatus.FORBIDDEN
        return None

    def _key_in_address(self, scope: Scope) -> str:
        """Return the key in the address of the page itself; elsewhere none counts."""
        if scope["path"] != "/" or not scope["query_string"]:
            return ""
        try:
            asked = parse_qs(scope["query_string"].decode("latin-1"), max_num_fields=20)
        except ValueError:
            return ""
        key = asked.get("key", [""])[0]
        return key if self._keys.right(key) is not None else ""

    def _key_in_cookie(self, headers: _Headers) -> str:
        try:
            cookies = SimpleCookie("; ".join(headers.all("cookie")))
        except CookieError:
            return ""
        return cookies[self._cookie].value if self._cookie in cookies else ""


class _Headers:
    """The headers of a request, by their names in lower case."""

    def __init__(self, raw: Iterable[tuple[bytes, bytes]]) -> None:
        self._raw = [(name.decode("latin-1"), value.decode("latin-1")) for name, value in raw]

    def all(self, name: str) -> list[str]:
        """Return every value of a header."""
        return [value for known, value in self._raw if known == name]

    def one(self, name: str) -> str:
        """Return the value of a header; empty where there is none, or more than one."""
        values = self.all(name)
        return values[0].lower() if len(values) == 1 else ""


async def _refuse(send: Send, status: HTTPStatus) -> None:
    headers = [(b"content-length", b"0"), (b"connection", b"close")]
    await send({"type": "http.response.start", "status": int(status), "headers": headers})
    await send({"type": "http.response.body", "body": b""})


def _limited(receive: Receive) -> Receive:
    """Return `receive`, which gives up where more comes than a request may hold."""
    left = MOST_BYTES

    async def limited() -> Message:
        nonlocal left
        message = await receive()
        left -= len(message.get("body", b""))
        return message if left >= 0 else {"type": "http.disconnect"}

    return limited


def _with_headers(send: Send, cookie: str) -> Send:
    more = [(name.lower().encode(), value.encode()) for name, value in HEADERS.items()]
    if cookie:
        more.append((b"set-cookie", cookie.encode()))

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = [*message.get("headers", ())]
            if not any(name == b"cache-control" for name, _ in own):
                own.append((b"cache-control", b"no-store"))
            message["headers"] = [*own, *more]
        await send(message)

    return sending


def names_of(host: str) -> set[str]:
    """Return the names by which this machine may be asked for, where `host` is listened on."""
    names = {"localhost", host.lower()}
    if not is_loopback(host):
        here = socket.gethostname().lower()
        names |= {here, here.partition(".")[0], f"{here.partition('.')[0]}.local"}
    return names


def may_name(header: str, names: set[str], loopback: bool) -> bool:
    """Whether the host that a request names is this machine, by its name or by an address.

    An address cannot be made to lead elsewhere; where only this machine listens, it must be its.
    """
    try:
        named = (urlsplit(f"//{header}").hostname or "").rstrip(".")
    except ValueError:
        return False
    return named in names or (is_loopback(named) if loopback else _is_address(named))


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def is_loopback(host: str) -> bool:
    """Whether only this machine reaches an address."""
    return host == "localhost" or (_is_address(host) and ipaddress.ip_address(host).is_loopback)


def booth_keys(folder: Path) -> Keys:
    """Return the keys of a page that only shows: whoever has one may look, and no more."""
    keys = make_keys(folder, share=True)
    return Keys("", keys.shared)
