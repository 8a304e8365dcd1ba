"""Requests that mean harm: a thousand of them, and not a byte of a session for any.

They are put to the application itself, so that nothing on the way (a client library) tidies them
up; some of them once more to the server, byte by byte.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import random
import socket
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from urllib.parse import quote

import numpy as np
import pytest
import soundfile

from tests.desk.test_serve import OWN, SHARED, served
from vocheck.desk.access import Door, Keys
from vocheck.desk.app import make_app
from vocheck.desk.session import Session
from vocheck.session.settings import make_settings

PORT = 8470
HOST = f"127.0.0.1:{PORT}"
COUNT = 1000
PLACES = (
    *("/etc/passwd", "/../../etc/passwd", "/sound/../secret.wav", "/static/../desk.py", "/sound/"),
    *("/sound/..%2f..%2fsecret.wav", "/line/takes/../../x", "/picture/%2e%2e", "//evil.example/"),
    *("/sound/secret.wav", "/\x00", "/static/%00.css", "/mix/..", "/events/..", "/notes.csv"),
    *("/file:///etc/passwd", "/sound/" + "a" * 5000, "/limits/..;/", "/undo", "/vocheck.toml"),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a session's folder; beside it lies a secret, and in it links lead there."""
    root = tmp_path_factory.mktemp("hostile")
    place = root / "session"
    place.mkdir()
    noise = np.random.default_rng(0).standard_normal(9600).astype(np.float32) * np.float32(0.1)
    soundfile.write(place / "01_river_t1.wav", noise, 48_000)
    soundfile.write(root / "secret.wav", noise, 48_000)
    (place / "01_river_t2.wav").symlink_to(root / "secret.wav")
    (root / "away").mkdir()
    soundfile.write(root / "away" / "01_river_t9.wav", noise, 48_000)
    (place / "linked").symlink_to(root / "away")
    (root / "secret.txt").write_text("CANARY")
    return place


@pytest.fixture(scope="module")
def session(folder: Path) -> Iterator[Session]:
    """Return a session that knows its files."""
    with ThreadPoolExecutor(1) as pool:
        made = Session(folder, make_settings([folder], executor=pool), pool, pool)
        inside = made.views[0]._inside
        inside.add([folder / "01_river_t1.wav", folder / "01_river_t2.wav"])
        inside.add([folder / "linked" / "01_river_t9.wav"])
        yield made
        made.close()


@pytest.fixture(scope="module")
def door(session: Session) -> Door:
    """Return the application as the server holds it."""
    return Door(make_app(session.answers), Keys(OWN, SHARED), "127.0.0.1", PORT)


def ask(door, *request, **more) -> tuple[int, bytes]:
    """Return status and body of a request."""
    status, _, body = answer(door, *request, **more)
    return status, body


def answer(
    door, method="GET", path="/", query="", headers=(), body=b""
) -> tuple[int, dict[str, str], bytes]:
    """Return status, headers and body of a request, put to the application as it stands."""
    sent = [{"type": "http.request", "body": body, "more_body": False}]
    got: list[dict] = []

    async def receive():
        if sent:
            return sent.pop()
        await asyncio.sleep(3600)

    async def send(message):
        got.append(message)

    scope = {
        "type": "http",
        "asgi": {"version": "3.0", "spec_version": "2.3"},
        "http_version": "1.1",
        "scheme": "http",
        "method": method,
        "path": path,
        "raw_path": quote(path).encode(),
        "root_path": "",
        "query_string": query.encode("latin-1", "replace"),
        "headers": [(name.encode(), value.encode("latin-1", "replace")) for name, value in headers],
        "client": ("127.0.0.1", 5),
        "server": ("127.0.0.1", PORT),
    }
    # In a thread of its own: a browser of other tests keeps a loop running in this one.
    with ThreadPoolExecutor(1) as thread:
        thread.submit(
            lambda: asyncio.run(asyncio.wait_for(door(scope, receive, send), 10))
        ).result()
    start = next(m for m in got if m["type"] == "http.response.start")
    told = {name.decode(): value.decode() for name, value in start["headers"]}
    return start["status"], told, b"".join(m.get("body", b"") for m in got)


def opened(*more: tuple[str, str]) -> list[tuple[str, str]]:
    """Return the headers of the page itself, with others in their place."""
    headers = {
        "host": HOST,
        "cookie": f"vocheck_{PORT}={OWN}",
        "origin": f"http://{HOST}",
        "content-type": "application/json",
        "content-length": "2",
    }
    return [*{**headers, **dict(more)}.items()]


def hostile(chance: random.Random) -> dict:
    """Return a request that has no right to anything: one thing, at least, is wrong with it."""
    path = chance.choice(
        (*PLACES, "/", "/events", "/sound/x", "/note", "/limit", "/static/desk.js")
    )
    wrong = chance.choice(
        [
            ("host", chance.choice(["evil.example", "evil.example:8470", "", "[::1", "192.0.2.1"])),
            ("origin", chance.choice(["http://evil.example", "null", f"https://{HOST}", "x"])),
            ("cookie", chance.choice(["", "vocheck_8470=", "vocheck_8470=x", f"vocheck_1={OWN}"])),
            ("cookie", f"vocheck_{PORT}={OWN[:-1]}" + chance.choice(["", "x", "\x00", "é"])),
            ("cookie", "".join(chr(chance.randrange(1, 256)) for _ in range(40))),
            ("sec-fetch-site", "cross-site"),
        ]
    )
    method = chance.choice(["GET", "GET", "POST", "PUT", "DELETE", "TRACE", "CONNECT", "\x01"])
    if wrong[0] == "sec-fetch-site":
        path, wrong = chance.choice(PLACES), (wrong[0], chance.choice(["cross-site", "same-site"]))
    body = bytes(chance.randrange(256) for _ in range(chance.randrange(60)))
    query = chance.choice(["", "key=", f"key={OWN}x", "key=%00", "since=x&key=" + "k" * 3000])
    return {
        "method": method,
        "path": path,
        "query": query,
        "headers": opened(wrong),
        "body": body,
    }


def tree(folder: Path) -> dict[str, str]:
    """Return what lies in and beside the folder, by its content."""
    files = (p for p in folder.parent.rglob("*") if p.is_file())
    return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def test_a_thousand_requests_get_a_status_and_nothing_else(door, folder):
    """Traversal, foreign hosts, other origins, forged cookies, garbage: refused without a byte."""
    assert ask(door, headers=opened())[0] == 200  # so much is right with a request of the page
    before, chance = tree(folder), random.Random(19)
    seen = set()
    for _ in range(COUNT):
        request = hostile(chance)
        status, body = ask(door, **request)
        assert body == b"", request
        assert 400 <= status < 500, request
        seen.add(status)
    assert seen >= {403, 405}
    assert tree(folder) == before


@pytest.mark.parametrize("path", PLACES)
def test_who_has_the_key_reaches_nothing_outside_either(door, folder, path):
    """An address that names no id of this session leads nowhere."""
    for method in ("GET", "POST"):
        status, body = ask(door, method, path, headers=opened(), body=b"{}")
        assert status in (404, 405, 409) or path == "/undo", (method, path)
        assert b"CANARY" not in body
        assert b"root:" not in body
    assert not (folder / "notes.csv").exists()


@pytest.mark.parametrize("name", ["01_river_t2.wav", "linked/01_river_t9.wav"])
def test_a_link_that_leads_out_is_not_followed(door, session, folder, name):
    """Neither its sound nor its picture, nor are notes written beside it."""
    take = session.views[0]._inside.id_of(folder / name)
    assert ask(door, path=f"/sound/{take}", headers=opened())[0] == 404
    assert ask(door, path=f"/picture/{take}", query="from=0&to=1", headers=opened())[0] == 404
    note = json.dumps({"take": take, "field": "circled", "value": "x", "client": "c"}).encode()
    assert ask(door, "POST", "/note", headers=opened(), body=note)[0] == 409
    assert not (folder / "notes.csv").exists()
    assert not (folder.parent / "away" / "notes.csv").exists()


def test_notes_and_settings_that_are_links_out_are_not_written(door, session, folder):
    """Somebody has put a link in their place: what it leads to stays."""
    outside = folder.parent / "outside.csv"
    outside.write_text("file,remark\n")
    take = session.views[0]._inside.id_of(folder / "01_river_t1.wav")
    change = json.dumps({"take": take, "field": "remark", "value": "x", "client": "c"}).encode()
    (folder / "notes.csv").symlink_to(outside)
    assert ask(door, "POST", "/note", headers=opened(), body=change)[0] == 409
    (folder / "notes.csv").unlink()
    settings = folder.parent / "outside.toml"
    settings.write_text("# theirs\n")
    (folder / "vocheck.toml").symlink_to(settings)
    number = json.dumps({"path": ["limits", "hum", "note"], "value": "-50"}).encode()
    assert ask(door, "POST", "/limit", headers=opened(), body=number)[0] == 409
    (folder / "vocheck.toml").unlink()
    assert (outside.read_text(), settings.read_text()) == ("file,remark\n", "# theirs\n")


@pytest.mark.parametrize(
    "body",
    [
        *(
            b"",
            b"{",
            b"[]",
            b"null",
            b"\xff",
            b'{"take": 3}',
            b"[" * 60_000,
            b'{"take": "\\u0000"}',
        ),
        *(b'{"path": ["session", "script"], "value": "/etc/passwd"}', b'{"path": [[]]}'),
        *(b'{"file": "../secret.wav", "to": ["social"]}', b'{"files": []}', b'{"to": [1]}'),
        b'{"path": ["limits", "__class__", "x"], "value": "1"}',
        b'{"take": "x", "field": "__init__", "value": "x"}',
    ],
)
@pytest.mark.parametrize("path", ["/note", "/undo", "/limit", "/mix", "/room"])
def test_garbage_from_the_page_itself_is_answered_in_a_line(door, folder, path, body):
    """With the key: one line that says what is wrong, and nothing is written."""
    before = tree(folder)
    status, told = ask(door, "POST", path, headers=opened(), body=body)
    assert status in (200, 409)
    assert status == 409 or path == "/undo"
    assert set(json.loads(told)) <= {"error", "undone", "left"}
    assert b"Traceback" not in told
    assert tree(folder) == before


def test_raw_bytes_to_the_server(monkeypatch):
    """What is no request at all gets no content either, and the server goes on."""
    monkeypatch.setattr("vocheck.desk.serve.REQUEST_S", 0.5)
    chance = random.Random(19)
    with served() as server:
        for _ in range(40):
            with socket.create_connection(("127.0.0.1", server.port), timeout=5) as raw:
                garbage = bytes(chance.randrange(256) for _ in range(chance.randrange(1, 400)))
                raw.sendall(chance.choice([b"", b"GET ", b"GET / HTTP/1.1\r\n"]) + garbage)
                raw.shutdown(socket.SHUT_WR)
                got = b""
                try:
                    while part := raw.recv(4096):
                        got += part
                except OSError:
                    pass
                assert b"\r\n\r\n" not in got or got.split(b"\r\n\r\n", 1)[1] == b""
        with socket.create_connection(("127.0.0.1", server.port), timeout=5) as raw:
            head = f"GET /?key={OWN} HTTP/1.0\r\nHost: 127.0.0.1\r\n\r\n"
            raw.sendall(head.encode())
            assert raw.recv(15).startswith(b"HTTP/1.1 200")


def test_ids_do_not_tell_where_the_folder_lies(folder):
    """The same file has the same id wherever the session is, so that links to it last."""
    from vocheck.desk.inside import Inside

    one, other = Inside(folder), Inside(Path(os.path.join("elsewhere", "session")))
    assert one.id_of(folder / "a.wav") == other.id_of(Path("elsewhere/session/a.wav"))
    assert one.find("0" * 16) is None
