"""The page server answers two paths, to this machine only."""

import socket
import time
import urllib.error
import urllib.request

import pytest

from vocheck.booth import serve
from vocheck.booth.serve import PageServer
from vocheck.errors import VocheckError


def get(url, **headers):
    """Return status, headers and body of a request."""
    request = urllib.request.Request(url, headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=10) as reply:
            return reply.status, reply.headers, reply.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.headers, ""


@pytest.fixture
def server():
    with PageServer("<p>the page</p>") as running:
        yield running


def test_the_page_and_its_state_are_served(server):
    """The page stands still; the state is what was published last, and is never cached."""
    assert get(server.url)[2] == "<p>the page</p>"
    server.publish("<p>KEEP ☕</p>")
    status, headers, body = get(server.url + "state")
    assert (status, body) == (200, "<p>KEEP ☕</p>")
    assert headers["Content-Type"] == "text/html; charset=utf-8"
    assert headers["Cache-Control"] == "no-store"
    server.publish("<p>RETAKE</p>")
    assert get(server.url + "state")[2] == "<p>RETAKE</p>"


def test_an_unchanged_state_is_not_sent_again(server):
    """A reader that has the state already gets 304 until it changes."""
    server.publish("one")
    etag = get(server.url + "state")[1]["ETag"]
    assert get(server.url + "state", **{"If-None-Match": etag})[0] == 304
    server.publish("two")
    assert get(server.url + "state", **{"If-None-Match": etag})[::2] == (200, "two")


def test_nothing_else_is_served(server):
    """No file of the machine is within reach, and nothing can be sent."""
    for path in ("etc/passwd", "../etc/passwd", "state/", "index.html"):
        assert get(server.url + path)[0] == 404
    request = urllib.request.Request(server.url, data=b"x", method="POST")
    with pytest.raises(urllib.error.HTTPError, match="501"):
        urllib.request.urlopen(request, timeout=10)


def test_it_listens_on_this_machine_and_to_its_own_name(server):
    """Loopback by default, and a request for another host (DNS rebinding) is refused."""
    assert server.url.startswith("http://127.0.0.1:")
    assert get(server.url, Host="evil.example:80")[0] == 403
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
    with PageServer("page", host="0.0.0.0") as server:
        port = int(server.url.rsplit(":", 1)[1].strip("/"))
        assert get(f"http://127.0.0.1:{port}/", Host=named)[0] == status


def test_a_slow_reader_is_cut_off(monkeypatch):
    """A byte now and then does not hold a place for ever, and others are answered meanwhile."""
    monkeypatch.setattr(serve, "REQUEST_S", 0.6)
    monkeypatch.setattr(serve, "MOST_READERS", 4)
    with PageServer("page") as server:
        port = int(server.url.rsplit(":", 1)[1].strip("/"))
        slow = [socket.create_connection(("127.0.0.1", port), timeout=10) for _ in range(3)]
        for reader in slow:
            reader.sendall(b"GET / HTTP/1.0\r\nHost: 127.0.0.1\r\nX: ")
        assert get(server.url)[2] == "page"
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
        assert get(server.url)[2] == "page"


def test_too_many_readers_are_turned_away_and_leave_no_trace(monkeypatch, capfd):
    """Those beyond the limit are closed at once; when places are free the page is there again."""
    monkeypatch.setattr(serve, "REQUEST_S", 0.5)
    monkeypatch.setattr(serve, "MOST_READERS", 2)
    with PageServer("page") as server:
        port = int(server.url.rsplit(":", 1)[1].strip("/"))
        many = [socket.create_connection(("127.0.0.1", port), timeout=10) for _ in range(8)]
        assert sum(reader.recv(1) == b"" for reader in many) == 8
        for reader in many:
            reader.close()
        time.sleep(0.1)
        assert get(server.url)[2] == "page"
    assert capfd.readouterr() == ("", "")


def test_the_page_may_load_nothing_from_elsewhere(server):
    """The content security policy allows no source but the page and its own state."""
    policy = get(server.url)[1]["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "connect-src 'self'" in policy


def test_a_port_that_is_taken_is_said(server):
    """The second server on one port names the address."""
    port = int(server.url.rsplit(":", 1)[1].strip("/"))
    with pytest.raises(VocheckError, match=rf"cannot serve the page on 127\.0\.0\.1:{port}"):
        PageServer("", port=port)
