"""The command that opens the desk: its address, who it is for, and how it ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.desk.asking import get
from vocheck.cli import run


@pytest.fixture
def state(tmp_path: Path, monkeypatch) -> Path:
    """Return a folder for what the desk remembers of this user."""
    folder = tmp_path / "state"
    monkeypatch.setenv("VOCHECK_STATE", str(folder))
    return folder


def started(*options: str) -> tuple[subprocess.Popen, str]:
    """Return a running desk and the first line that it printed."""
    desk = subprocess.Popen(
        [sys.executable, "-m", "vocheck", "desk", "--no-browser", "--port", "0", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=os.environ,
        text=True,
    )
    assert desk.stdout is not None
    return desk, desk.stdout.readline().strip()


def test_the_first_line_is_the_address_and_ctrl_c_ends_it(state):
    """The demo session is copied, served, and what is noted stays; the end is no failure."""
    desk, address = started("--demo", "--share")
    try:
        assert address.startswith("http://127.0.0.1:")
        status, _, body = get(address)
        assert status == 200
        assert b"<title>vocheck-demo</title>" in body
        assert b'data-write="yes"' in body
        assert (state / "vocheck-demo" / "02_kiln_t3.flac").is_file()
        told = [desk.stdout.readline() for _ in range(2)]
        shared = told[1].rpartition(" ")[2].strip()
        assert told[1].startswith("For others in this network: http://")
        key = shared.partition("?")[2]
        assert key not in address
        assert b'data-write="no"' in get(f"{address.partition('?')[0]}?{key}")[2]
    finally:
        desk.send_signal(signal.SIGINT)
    out, err = desk.communicate(timeout=60)
    assert (desk.returncode, out, err) == (0, "", "")


def test_without_a_folder_it_says_what_to_do(state, tmp_path, monkeypatch, capsys):
    """No recordings here, and none opened before: one line, status 2; then the last one counts."""
    from vocheck.desk.recent import remember, session_folder

    (tmp_path / "empty").mkdir()
    monkeypatch.chdir(tmp_path / "empty")
    assert run(["desk", "--no-browser"]) == 2
    assert "vocheck desk --demo" in capsys.readouterr().err
    remember(tmp_path)
    assert session_folder(None) == tmp_path
    (tmp_path / "empty" / "a.wav").touch()
    assert session_folder(None) == tmp_path / "empty"
    assert state.is_dir()


def test_a_folder_beside_the_demo_does_nothing_and_is_refused(tmp_path, capsys):
    """One of the two."""
    assert run(["desk", str(tmp_path), "--demo"]) == 2
    assert "beside --demo" in capsys.readouterr().err
