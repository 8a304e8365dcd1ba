"""Where a report is written to: whole or not at all, and into a pipe rather than in its place."""

from __future__ import annotations

import os
import stat
import threading
from pathlib import Path

import pytest

from vocheck.errors import VocheckError
from vocheck.files import replacing


def test_a_file_is_replaced_as_a_whole(tmp_path: Path):
    """A block that raises leaves what stood there, and nothing beside it."""
    path = tmp_path / "report.txt"
    path.write_text("old")

    def break_off() -> None:
        with replacing(path) as temporary:
            temporary.write_text("half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        break_off()
    assert path.read_text() == "old"
    with replacing(path) as temporary:
        temporary.write_text("new")
    assert path.read_text() == "new"
    assert list(tmp_path.iterdir()) == [path]


def test_a_pipe_stays_a_pipe(tmp_path: Path):
    """Output to a pipe or a device goes through it: a rename would have put a file there."""
    path = tmp_path / "pipe"
    os.mkfifo(path)
    read: list[bytes] = []
    reader = threading.Thread(target=lambda: read.append(path.read_bytes()))
    reader.start()
    with replacing(path) as temporary:
        temporary.write_text("through")
    reader.join(timeout=10)
    assert read == [b"through"]
    assert stat.S_ISFIFO(path.stat().st_mode)
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_not_there(tmp_path: Path):
    """One line that names the file."""
    path = tmp_path / "none" / "report.txt"
    with pytest.raises(VocheckError, match=r"report\.txt: cannot be written"), replacing(path) as t:
        t.write_text("x")
