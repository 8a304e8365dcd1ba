"""Asking a running desk over the network, as a browser would."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from http.client import HTTPMessage
from typing import Any
from urllib.parse import urlsplit


def get(url: str, **headers: str) -> tuple[int, HTTPMessage, bytes]:
    """Return status, headers and body of a request."""
    return _asked(urllib.request.Request(url, headers=headers))


def post(url: str, value: Any, **headers: str) -> tuple[int, HTTPMessage, bytes]:
    """Send a value as JSON from the page's own origin."""
    parts = urlsplit(url)
    sent = {"Content-Type": "application/json", "Origin": f"http://{parts.netloc}", **headers}
    body = value if isinstance(value, bytes) else json.dumps(value).encode()
    return _asked(urllib.request.Request(url, data=body, headers=sent, method="POST"))


def _asked(request: urllib.request.Request) -> tuple[int, HTTPMessage, bytes]:
    try:
        with urllib.request.urlopen(request, timeout=30) as reply:
            return reply.status, reply.headers, reply.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.headers, error.read()


def cookie(url: str) -> str:
    """Return the cookie that the address with the key gives."""
    status, headers, _ = get(url)
    assert status == 200
    return headers["Set-Cookie"].partition(";")[0]


def base(url: str) -> str:
    """Return the address without path and key."""
    return f"http://{urlsplit(url).netloc}"


def news(url: str, since: str = "") -> dict[str, Any]:
    """Return what the board shows, as a browser that was away gets it."""
    headers = {"Cookie": cookie(url), **({"Last-Event-ID": since} if since else {})}
    request = urllib.request.Request(f"{base(url)}/events", headers=headers)
    with urllib.request.urlopen(request, timeout=30) as stream:
        for line in stream:
            if line.startswith(b"data: "):
                return dict(json.loads(line[6:])["values"])
    raise AssertionError("no news")
