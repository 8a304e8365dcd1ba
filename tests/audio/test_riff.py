"""The walk over chunks, on files made byte by byte as the formats' own texts say.

IBM and Microsoft, Multimedia Programming Interface 1.0, 1991 (RIFF: a name, a length, a content,
padded to an even length); EBU Tech 3306 v1.1 (RF64: lengths in ds64); Apple, AIFF 1.3, 1989.
"""

from __future__ import annotations

import io
import struct
from pathlib import Path

import pytest

from vocheck.audio.riff import (
    FIRST_CHUNK,
    UNKNOWN_LENGTH,
    Chunk,
    aiff_chunks,
    content,
    is_wave,
    wave_chunks,
)

MAX = 0xFFFF_FFFF


def chunk(name: bytes, body: bytes, told: int | None = None, order: str = "<") -> bytes:
    """Return a chunk; `told` is the length in its head, where it is not the true one."""
    length = len(body) if told is None else told
    return name + struct.pack(f"{order}I", length) + body + bytes(len(body) % 2)


def walked(tmp_path: Path, *chunks: bytes, kind: bytes = b"RIFF") -> list[Chunk]:
    path = tmp_path / "take.wav"
    path.write_bytes(kind + bytes(4) + b"WAVE" + b"".join(chunks))
    with path.open("rb") as file:
        return list(wave_chunks(file))


def ds64(data: int) -> bytes:
    """Return the chunk with the sizes of an RF64 file; that of data comes second."""
    return chunk(b"ds64", struct.pack("<QQQI", 0, data, 0, 0))


@pytest.mark.parametrize(
    ("head", "is_one"),
    [
        *[(kind + b"\1\2\3\4WAVE", True) for kind in (b"RIFF", b"RF64", b"BW64")],
        (b"RIFF\1\2\3\4AVI ", False),
        (b"FORM\1\2\3\4WAVE", False),
        (b"RIFF\1\2\3\4WAV", False),
    ],
)
def test_a_wave_is_told_by_kind_and_form(head: bytes, is_one: bool):
    """Both must be right: other formats share each of the two."""
    assert is_wave(io.BytesIO(head)) is is_one


def test_chunks_stand_at_even_places(tmp_path: Path):
    """A content of odd length is followed by a byte that belongs to nothing."""
    found = walked(
        tmp_path, chunk(b"fmt ", b"12345"), chunk(b"data", b"123456"), chunk(b"note", b"")
    )
    first = FIRST_CHUNK + 8
    assert found == [
        Chunk(b"fmt ", first, 5, 5),
        Chunk(b"data", first + 6 + 8, 6, 6),
        Chunk(b"note", first + 6 + 8 + 6 + 8, 0, 0),
    ]


def test_what_a_chunk_promises_beyond_the_end_is_not_there(tmp_path: Path):
    """Its length is what the file holds; what was told is told."""
    (found,) = walked(tmp_path, chunk(b"LIST", b"1234", told=100))
    assert (found.length, found.told, found.unfinished) == (4, 100, False)
    (found,) = walked(tmp_path, chunk(b"data", b"1234", told=100))
    assert (found.length, found.told, found.unfinished) == (4, 100, False)


@pytest.mark.parametrize(
    ("told", "unfinished"), [(UNKNOWN_LENGTH - 1, False), (UNKNOWN_LENGTH, True), (MAX, True)]
)
def test_a_length_that_nobody_knew(tmp_path: Path, told: int, unfinished: bool):
    """From a certain height on a length stands for none: all that follows is samples."""
    found = walked(tmp_path, chunk(b"data", b"1234", told=told), chunk(b"LIST", b"12"))
    assert (found[0].length, found[0].unfinished) == (4 + 8 + 2, unfinished)
    assert len(found) == 1


def test_a_length_of_zero_is_one_where_chunks_follow(tmp_path: Path):
    """An empty take has whole chunks behind it, or nothing; else the length was never written."""
    for follows in (b"", chunk(b"LIST", b"12"), chunk(b"LIST", b"12") + chunk(b"cue ", b"1234")):
        found = walked(tmp_path, chunk(b"data", b""), follows)
        assert (found[0].length, found[0].unfinished) == (0, False)
    assert [one.name for one in found] == [b"data", b"LIST", b"cue "]
    odd_end = chunk(b"LIST", b"123")[:-1]  # a writer that left out the last byte
    assert not walked(tmp_path, chunk(b"data", b""), odd_end)[0].unfinished
    for samples in (
        b"\0\1\0\2" * 10,
        chunk(b"LIST", b"12") + b"\0\1",
        chunk(b"LIST", b"1", told=9),
    ):
        (found,) = walked(tmp_path, chunk(b"data", b""), samples)
        assert (found.length, found.unfinished) == (len(samples), True)


@pytest.mark.parametrize("data", [b"123456", b"12345"])
def test_a_size_in_ds64(tmp_path: Path, data: bytes):
    """RF64 tells the size of data elsewhere; what follows data is found behind its true end."""
    note = chunk(b"note", b"abcdef", told=50)
    found = walked(tmp_path, ds64(len(data)), chunk(b"data", data, told=MAX), note, kind=b"RF64")
    assert [(one.name, one.length, one.told) for one in found] == [
        (b"ds64", 28, 28),
        (b"data", len(data), len(data)),
        (b"note", 6, 50),
    ]
    assert not found[1].unfinished
    before = FIRST_CHUNK + 8 + 28
    assert found[2].position == before + 8 + len(data) + len(data) % 2 + 8


def test_a_size_in_ds64_beyond_the_end(tmp_path: Path):
    """A finished file that was cut is no unfinished one: its length is known."""
    found = walked(tmp_path, ds64(MAX + 7), chunk(b"data", b"1234", told=MAX), kind=b"RF64")
    assert (found[1].length, found[1].told, found[1].unfinished) == (4, MAX + 7, False)


@pytest.mark.parametrize("byte", [0x1F, 0x7F, 0x00, 0xFF])
def test_the_walk_ends_at_what_is_no_name(tmp_path: Path, byte: int):
    """One letter that cannot be printed is enough; those at the border can."""
    for place in range(4):
        name = bytearray(b"LIST")
        name[place] = byte
        found = walked(tmp_path, chunk(b"fmt ", b"12"), chunk(bytes(name), b"12"))
        assert [one.name for one in found] == [b"fmt "]
    assert [one.name for one in walked(tmp_path, chunk(b" ~ ~", b""))] == [b" ~ ~"]


def test_a_head_that_is_cut_is_none(tmp_path: Path):
    """A head needs its eight bytes."""
    whole = chunk(b"fmt ", b"")
    assert len(walked(tmp_path, whole)) == 1
    assert walked(tmp_path, whole[:-1]) == []


def test_aiff_counts_the_other_way(tmp_path: Path):
    """Big-endian lengths; the last chunk is cut."""
    path = tmp_path / "take.aiff"
    chunks = [chunk(b"COMM", b"123", order=">"), chunk(b"SSND", b"1234", told=300, order=">")]
    path.write_bytes(b"FORM" + bytes(4) + b"AIFF" + b"".join(chunks))
    with path.open("rb") as file:
        found = list(aiff_chunks(file))
        assert found == [Chunk(b"COMM", 20, 3, 3), Chunk(b"SSND", 32, 4, 300)]
        assert [content(file, one, 2) for one in found] == [b"12", b"12"]
        assert content(file, found[1], 100) == b"1234"
