"""The server answers who has a key, on this machine, and nobody else."""

import socket
import time
from types import SimpleNamespace

import pytest

from tests.desk.asking import base, cookie, get, news, post
from vocheck.desk import serve
from vocheck.desk.access import Keys
from vocheck.desk.app import Answers, make_app
from vocheck.desk.board import Board
from vocheck.desk.serve import Server
from vocheck.errors import VocheckError

OWN, SHARED = "o" * 40, "s" * 40


def served(board=None, host="127.0.0.1", keys=None, port=0):
    """Return a server of the booth's page."""
    answers = Answers(board or Board())
    return Server(make_app(answers), keys or Keys(OWN, SHARED), host, port, answers.end)


@pytest.fixture
def server():
    with served() as running:
        yield running


@pytest.mark.quick
def test_the_key_opens_the_page_and_a_cookie_keeps_it_open(server):
    """The cookie goes to this site only, and no script reads it."""
    status, headers, body = get(server.url)
    assert (status, headers["Content-Type"]) == (200, "text/html; charset=utf-8")
    assert b"<title>Booth</title>" in body
    told = headers["Set-Cookie"]
    assert "SameSite=Strict" in told
    assert "HttpOnly" in told
    status, headers, again = get(base(server.url), Cookie=told.partition(";")[0])
    assert (status, again) == (200, body)
    assert headers["Set-Cookie"] is None


@pytest.mark.parametrize("path", ["/", "/events", "/static/page.css", "/?key=", "/?key=wrong"])
def test_without_a_key_nothing_is_answered(server, path):
    """A refusal has no content, whatever was asked for."""
    for headers in ({}, {"Cookie": "vocheck_1=" + OWN}, {"Cookie": f"vocheck_{server.port}="}):
        status, _, body = get(base(server.url) + path, **headers)
        assert (status, body) == (403, b"")


def test_an_empty_key_opens_nothing():
    """A page that nobody may write on has no key for it, and an empty one is none."""
    with served(keys=Keys("", SHARED)) as server:
        assert server.url.endswith(SHARED)
        assert get(base(server.url))[0] == 403
        assert get(f"{base(server.url)}/?key=")[0] == 403
        assert get(server.url)[0] == 200


def test_the_news_are_what_the_board_shows():
    """All of it for who comes new, the newer part for who was away."""
    board = Board()
    board.set("one", 1)
    with served(board) as server:
        assert news(server.url) == {"one": 1}
        seen = board.since("").version
        board.set("two", "KEEP ☕")
        assert news(server.url, since=seen) == {"two": "KEEP ☕"}
        assert news(server.url, since="another-1") == {"one": 1, "two": "KEEP ☕"}


def test_styles_and_scripts_are_sent_once(server):
    """What a browser has already is not sent again; nothing else lies at that address."""
    key = {"Cookie": cookie(server.url)}
    status, headers, body = get(f"{base(server.url)}/static/desk.css", **key)
    assert status == 200
    assert body
    seen = {"If-None-Match": headers["ETag"]}
    assert get(f"{base(server.url)}/static/desk.css", **key, **seen)[::2] == (304, b"")
    for name in ("base.html", "template.py", "..%2ftemplate.py", "%2e%2e/x", "nothing.css"):
        assert get(f"{base(server.url)}/static/{name}", **key)[::2] == (404, b"")


def test_it_listens_on_this_machine_and_to_its_own_name(server):
    """Loopback by default, and a request for another host (DNS rebinding) is refused."""
    assert server.url.startswith("http://127.0.0.1:")
    assert get(server.url, Host="evil.example:80")[::2] == (403, b"")
    assert get(server.url, Host="localhost:80")[0] == 200


@pytest.mark.parametrize(
    ("named", "status"),
    [
        *(("evil.example:80", 403), ("evil.example", 403), ("", 403), ("[::1", 403)),
        *(("192.0.2.7:80", 200), ("[2001:db8::7]:80", 200), ("localhost", 200)),
        (f"{socket.gethostname()}:80", 200),
    ],
)
def test_a_server_for_the_whole_network_answers_to_itself_only(named, status):
    """By an address, which nobody can rebind, or by this machine's name; by no other name."""
    with served(host="0.0.0.0") as server:
        assert get(f"http://127.0.0.1:{server.port}/?key={OWN}", Host=named)[0] == status


def test_another_origin_is_refused(server):
    """A page from elsewhere that runs in the reader's browser gets nothing, cookie or not."""
    key = {"Cookie": cookie(server.url)}
    for headers in (
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": f"http://127.0.0.1:{server.port + 1}"},
        {"Origin": f"https://127.0.0.1:{server.port}"},
        {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"},
        {"Sec-Fetch-Site": "same-site", "Sec-Fetch-Mode": "cors"},
    ):
        assert get(f"{base(server.url)}/events", **key, **headers)[::2] == (403, b"")
    # A link in a message leads here: that is how a shared address is opened.
    led = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
    assert get(server.url, **led)[0] == 200


def test_nothing_is_changed_without_the_page(server):
    """Another method, another type, too much, or no origin: refused before it is read."""
    key = {"Cookie": cookie(server.url)}
    url = f"{base(server.url)}/note"
    assert post(url, {}, **key, Origin="http://evil.example")[::2] == (403, b"")
    assert post(url, {}, **key, **{"Content-Type": "text/plain"})[::2] == (403, b"")
    assert post(url, b"x" * 70_000, **key)[::2] == (413, b"")
    assert post(url, {}, **key)[::2] == (404, b"")  # the booth's page changes nothing


def test_a_slow_reader_is_cut_off(monkeypatch):
    """A byte now and then does not hold a place for ever, and others are answered meanwhile."""
    monkeypatch.setattr(serve, "REQUEST_S", 0.6)
    with served() as server:
        slow = [socket.create_connection(("127.0.0.1", server.port), timeout=10) for _ in range(3)]
        for reader in slow:
            reader.sendall(b"GET / HTTP/1.0\r\nHost: 127.0.0.1\r\nX: ")
        assert get(server.url)[0] == 200
        ended = time.monotonic() + 10
        for reader in slow:
            reader.settimeout(0.1)
            while time.monotonic() < ended:
                try:
                    reader.sendall(b"x")
                    if reader.recv(100) == b"":
                        break
                except TimeoutError:
                    continue
                except OSError:
                    break
            else:
                pytest.fail("a slow reader was never cut off")
            reader.close()
        assert get(server.url)[0] == 200


def test_too_many_readers_leave_no_trace(monkeypatch, capfd):
    """Those beyond the limit get no page; when places are free it is there again."""
    monkeypatch.setattr(serve, "REQUEST_S", 0.5)
    monkeypatch.setattr(serve, "MOST_READERS", 4)
    with served() as server:
        many = [socket.create_connection(("127.0.0.1", server.port), timeout=10) for _ in range(8)]
        time.sleep(0.1)
        assert get(server.url)[0] == 503
        assert sum(reader.recv(1) == b"" for reader in many) == 8
        for reader in many:
            reader.close()
        time.sleep(0.1)
        assert get(server.url)[0] == 200
    assert capfd.readouterr() == ("", "")


def test_the_page_may_load_nothing_from_elsewhere(server):
    """The content security policy allows no source but this server, and no script in the page."""
    policy = get(server.url)[1]["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "connect-src 'self'" in policy
    assert "script-src 'self';" in policy
    assert b"<script>" not in get(server.url)[2]


def test_a_port_that_is_taken_is_said(server):
    """The second server on one port names the address."""
    with pytest.raises(VocheckError, match=rf"cannot serve the page on 127\.0\.0\.1:{server.port}"):
        served(port=server.port)


def test_a_stream_of_news_ends_with_the_server(server):
    """Stopping does not wait for who listens."""
    stream = socket.create_connection(("127.0.0.1", server.port), timeout=10)
    head = f"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: {cookie(server.url)}\r\n\r\n"
    stream.sendall(head.encode())
    assert stream.recv(12) == b"HTTP/1.1 200"
    began = time.monotonic()
    server.__exit__(None, None, None)
    assert time.monotonic() - began < 3.0
    stream.close()


def test_keys_are_kept_for_a_day(tmp_path, monkeypatch):
    """A page that is open goes on when the server starts again; another folder has other keys."""
    from vocheck.desk.access import make_keys

    monkeypatch.setenv("VOCHECK_STATE", str(tmp_path / "state"))
    keys = make_keys(tmp_path)
    assert (keys.shared, make_keys(tmp_path)) == ("", keys)
    assert make_keys(tmp_path, share=True).shared_right == "read"
    assert make_keys(tmp_path, share_write=True).shared_right == "write"
    assert make_keys(tmp_path / "other").own != keys.own
    (kept,) = (f for f in (tmp_path / "state").iterdir() if keys.own in f.read_text())
    assert kept.stat().st_mode & 0o077 == 0
    monkeypatch.setattr(
        "vocheck.desk.access.time", SimpleNamespace(time=lambda: time.time() + 90_000)
    )
    assert make_keys(tmp_path).own != keys.own
