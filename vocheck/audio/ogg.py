"""Damaged pages of an Ogg file.

Decoders drop a page whose check sum is wrong and say nothing. Each page carries its number and
a CRC of 32 bits (RFC 3533, section 6), which are looked at here.
"""

from __future__ import annotations

import struct
import zlib
from typing import BinaryIO

_PAGE = struct.Struct("<4sBBQIIIB")  # capture, version, flags, granule, serial, number, CRC, parts
_WINDOW = 1 << 17  # bytes read at a time: more than the longest page (65307, RFC 3533)
_REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def damaged_places(file: BinaryIO) -> list[int]:
    """Return the granule position in front of each damaged stretch.

    Parameters
    ----------
    file : binary file
        Opened at its start.

    Returns
    -------
    list of int
        Samples, at 48 kHz for Opus and at the file's own rate for Vorbis.
    """
    places: list[int] = []
    reached, damaged, start = 0, False, 0
    while True:
        file.seek(start)
        page = _next_page(file)
        if page == b"":
            return places
        if page is None:  # not where the last one ended, or its check sum is wrong
            if not damaged:
                places.append(reached)
            damaged = True
            start = _find_page(file, start + 1)
            continue
        granule = _PAGE.unpack_from(page)[3]
        if granule < 1 << 63:  # all ones on a page on which no packet ends
            reached = granule
        damaged = False
        start += len(page)


def _next_page(file: BinaryIO) -> bytes | None:
    """Return the page that starts here: nothing at the end, ``None`` where it is no whole page."""
    head = file.read(_PAGE.size)
    if not head:
        return b""
    if len(head) < _PAGE.size or head[:4] != b"OggS":
        return None
    lengths = file.read(head[-1])
    page = head + lengths + file.read(sum(lengths))
    told = _PAGE.unpack(head)[6]
    return page if _crc(page[:22] + bytes(4) + page[26:]) == told else None


def _find_page(file: BinaryIO, start: int) -> int:
    """Return the next place that reads like the start of a page, or the end of the file."""
    file.seek(start)
    while window := file.read(_WINDOW):
        place = window.find(b"OggS")
        if place >= 0:
            return start + place
        start += max(1, len(window) - 3)
        file.seek(start)
    return start


def _crc(data: bytes) -> int:
    """Return the CRC of RFC 3533: zlib's polynomial, most significant bit first, from zero."""
    reflected = zlib.crc32(data.translate(_REVERSED), 0xFFFF_FFFF) ^ 0xFFFF_FFFF
    return int(f"{reflected:032b}"[::-1], 2)
