"""The one walker over chunks: WAV, Broadcast WAV, RF64 and BW64 [1]_ [2]_, and AIFF [3]_.

A chunk is a name of four printable characters, a 32-bit length and a content, padded to an even
length. The walk ends at the first name that is none, and after `MOST_CHUNKS`: a file of zeros or of
empty chunks costs no more than a whole one.

References
----------
.. [1] IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0, 1991.
.. [2] EBU Tech 3306, MBWF / RF64: An extended file format for audio, version 1.1, 2009.
.. [3] Apple Computer, Audio Interchange File Format "AIFF", version 1.3, 1989.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO, Literal

WAVE_KINDS = (b"RIFF", b"RF64", b"BW64")

MOST_CHUNKS = 4096
"""Editors write some twenty; a list of labels is one chunk."""

FIRST_CHUNK = 12
"""Where the chunks begin: behind the name of the file's kind, its length and its form."""

SIZE_IN_DS64 = 0xFFFF_FFFF
"""In place of a 32-bit size in RF64: the size is told by the chunk ds64."""

UNKNOWN_LENGTH = 0x7FFF_F000
"""Data sizes from here up, where the file is shorter, are what programs that cannot know the length
put down (0xFFFFFFFF, 0x7FFFFFFF and the like)."""


@dataclass(frozen=True)
class Chunk:
    """A chunk and where its content stands.

    Attributes
    ----------
    name : bytes
    position : int
        Of the content, in bytes from the start of the file.
    length : int
        Bytes of content that are there.
    told : int
        Bytes of content that the file tells of.
    unfinished : bool
        Whether the recorder never wrote the length of these samples.
    """

    name: bytes
    position: int
    length: int
    told: int
    unfinished: bool = False


def is_wave(file: BinaryIO) -> bool:
    """Whether a file opened at its start is WAV, Broadcast WAV, RF64 or BW64."""
    head = file.read(FIRST_CHUNK)
    return head[:4] in WAVE_KINDS and head[8:] == b"WAVE"


def wave_chunks(file: BinaryIO) -> Iterator[Chunk]:
    """Yield the chunks of a WAV file of any size, in order.

    Of a recording that was never finished, everything behind the head of ``data`` is samples.
    """
    size = os.fstat(file.fileno()).st_size
    long_size = None  # RF64 and BW64 keep the data size as 64 bits in the chunk ds64
    for name, position, told in _walk(file, FIRST_CHUNK, size, "<"):
        if name == b"ds64":
            long_size = struct.unpack("<8xQ", _content(file, position, 16))[0]
        if name != b"data":
            yield Chunk(name, position, min(told, size - position), told)
            continue
        if told == SIZE_IN_DS64 and long_size is not None:
            told = long_size
        there = min(told, size - position)
        unfinished = there < told >= UNKNOWN_LENGTH and told != long_size
        if told == 0 and not _is_chain(file, position, size):
            unfinished, there = True, size - position
        yield Chunk(name, position, there, told, unfinished)
        if long_size is not None and position + there < size:
            # The walk goes by 32 bits; behind a longer chunk it starts anew.
            for name, later, told in _walk(file, position + there + there % 2, size, "<"):
                yield Chunk(name, later, min(told, size - later), told)
            return
        if unfinished:
            return


def aiff_chunks(file: BinaryIO) -> Iterator[Chunk]:
    """Yield the chunks of an AIFF or AIFF-C file, in order."""
    size = os.fstat(file.fileno()).st_size
    for name, position, told in _walk(file, FIRST_CHUNK, size, ">"):
        yield Chunk(name, position, min(told, size - position), told)


def content(file: BinaryIO, chunk: Chunk, most: int) -> bytes:
    """Return the first `most` bytes, at most, of what a chunk holds."""
    file.seek(chunk.position)
    return file.read(min(chunk.length, most))


def _content(file: BinaryIO, position: int, length: int) -> bytes:
    """Return bytes of the file, zeros where it has ended."""
    file.seek(position)
    return file.read(length).ljust(length, b"\0")


def _walk(
    file: BinaryIO, position: int, size: int, order: Literal["<", ">"]
) -> Iterator[tuple[bytes, int, int]]:
    """Yield name, position of the content and told length of each chunk."""
    for _ in range(MOST_CHUNKS):
        head = _content(file, position, 8)
        name = head[:4]
        if position + 8 > size or not all(0x20 <= byte < 0x7F for byte in name):
            return
        length = struct.unpack(f"{order}4xI", head)[0]
        position += 8
        yield name, position, length
        position += length + length % 2


def _is_chain(file: BinaryIO, position: int, size: int) -> bool:
    """Whether nothing but whole chunks stands between `position` and the end of the file."""
    for _, start, length in _walk(file, position, size, "<"):
        position = start + length + length % 2
    return size <= position <= size + 1
