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


def test_a_take_recorded_meanwhile_is_kept(tmp_path: Path):
    """Between the look before the work and the rename somebody may have recorded there."""
    path = tmp_path / "copy.wav"

    def copy() -> None:
        with replacing(path) as temporary:
            temporary.write_bytes(b"RIFF....WAVE new")
            path.write_bytes(b"RIFF....WAVE take")

    with pytest.raises(VocheckError, match="holds a recording"):
        copy()
    assert path.read_bytes() == b"RIFF....WAVE take"
    assert list(tmp_path.iterdir()) == [path]


def test_a_link_is_followed(tmp_path: Path):
    """A report that lies elsewhere is replaced there, and the link to it stays one."""
    (tmp_path / "far").mkdir()
    real, link = tmp_path / "far" / "report.txt", tmp_path / "report.txt"
    link.symlink_to(real)
    for text in ("first", "second"):
        with replacing(link) as temporary:
            temporary.write_text(text)
        assert real.read_text() == text
        assert link.is_symlink()


def test_what_a_killed_run_left_is_cleared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Only files of ours by their whole name, and only those not written to for long."""
    import vocheck.files as files

    monkeypatch.setattr(files, "_cleared", set())
    old, fresh = (tmp_path / f".vocheck-7-{n * 16}.part.txt" for n in "ab")
    others = [tmp_path / ".vocheck-7-notes.part.txt", tmp_path / "take.part.wav"]
    for file in (old, fresh, *others):
        file.write_text("x")
    for file in (old, *others):
        os.utime(file, (0, 0))
    with replacing(tmp_path / "report.txt") as temporary:
        temporary.write_text("new")
    assert not old.exists()
    assert all(file.exists() for file in (fresh, *others))


# Heads as published: RFC 9639, RFC 3533, RFC 8794, EBU Tech 3306, ITU-R BS.2088, SMPTE ST 377-1,
# ISO/IEC 13818-1 and 14496-12, ISO/IEC 11172-3; AU, CAF, W64 and ASF from memory.
@pytest.mark.parametrize(
    "head",
    [
        *(b"RIFF\0\0\0\0WAVE", b"RF64\xff\xff\xff\xffWAVE", b"BW64\xff\xff\xff\xffWAVE", b"RIFX"),
        *(b"FORM\0\0\0\0AIFF", b"FORM\0\0\0\0AIFC", b"caff\0\1", b"fLaC\0", b"OggS\0", b".snd\0"),
        *(b"ID3\4", b"\xff\xfb\x90\x64", b"\xff\xf1\x50\x80", b"\x1a\x45\xdf\xa3\x01"),
        *(b"\0\0\0\x18ftypisom", b"\0\0\0\x08wide", b"riff\x2e\x91\xcf\x11\xa5\xd6"),
        *(b"\x06\x0e\x2b\x34\x02\x05\x01\x01\x0d", b"G" + bytes(187) + b"G", b"\0\0\x01\xba"),
        *(bytes(4) + b"G" + bytes(191) + b"G", b"\x30\x26\xb2\x75\x8e\x66\xcf\x11\xa6"),
    ],
    ids=repr,
)
def test_every_kind_of_recording_is_kept(tmp_path: Path, head: bytes):
    """By the first bytes alone, whatever the name."""
    path = tmp_path / "report.txt"
    path.write_bytes(head.ljust(600, b"\x01"))
    with pytest.raises(VocheckError, match="holds a recording"), replacing(path):
        pass
    assert path.read_bytes().startswith(head)


@pytest.mark.parametrize("text", ["", "Gone: a take\n", "<!doctype html>", "%PDF-1.7\n", "\ufeffA"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be"])
def test_a_text_is_no_recording(tmp_path: Path, text: str, encoding: str):
    """Reports of an earlier run are replaced, also what an editor has saved as UTF-16."""
    path = tmp_path / "report.txt"
    path.write_bytes(text.encode(encoding))
    with replacing(path) as temporary:
        temporary.write_text("new")
    assert path.read_text() == "new"
