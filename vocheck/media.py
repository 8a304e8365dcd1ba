"""Which files hold sound or moving pictures, told by their first bytes or by their suffix.

Nothing is decoded here: this is what keeps an output from replacing a recording, so it knows more
kinds of files than can be measured, and a recording whose head is damaged still counts by its
suffix.
"""

from __future__ import annotations

import os
from pathlib import Path

HEAD_BYTES = 512
"""How much of a file `is_media_head` wants to see."""

MEDIA_SUFFIXES = frozenset(
    # Sound.
    ".wav .wave .bwf .rf64 .w64 .aif .aiff .aifc .caf .flac .mp1 .mp2 .mp3 .ogg .oga .opus .spx"
    " .m4a .m4b .aac .ac3 .eac3 .ec3 .dts .thd .au .snd .voc .sph .amr .wma .wv .ape .tta .tak"
    " .dsf .dff .mka .raw .pcm .sd2 .omf .aaf"
    # Moving pictures.
    " .mp4 .m4v .mov .qt .mkv .webm .mxf .avi .ts .m2ts .mts .mpg .mpeg .vob .flv .f4v .wmv .asf"
    " .ogv .3gp .3g2 .dv".split()
)

# Sources: RFC 9639 (FLAC), RFC 3533 (Ogg), RFC 8794 (EBML), EBU Tech 3306 (RF64), ITU-R BS.2088
# (BW64), SMPTE ST 377-1 (MXF), ISO/IEC 13818-1 (program streams), ETSI TS 102 366 (AC-3),
# ETSI TS 102 114 (DTS); the others from memory.
_STARTS = (
    *(b"RIFF", b"RIFX", b"RF64", b"BW64", b"riff\x2e\x91\xcf\x11", b"caff", b"fLaC", b"OggS"),
    *(b"ID3", b".snd", b"dns.", b"wvpk", b"MAC ", b"TTA1", b"tBaK", b"FRM8", b"DSD ", b"#!AMR"),
    *(b"NIST_1A", b"Creative Voice File", b"\x0b\x77", b"\x7f\xfe\x80\x01", b"\xfe\x7f\x01\x80"),
    *(b"\x1a\x45\xdf\xa3", b"\x06\x0e\x2b\x34\x02\x05\x01\x01", b"FLV\x01", b"\xaa\xaa\xaa\xaa\0"),
    *(b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", b"\0\0\x01\xba", b"\0\0\x01\xb3", b"\0\0\x01\xb0"),
)
_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot", b"moof", b"styp")
_PACKETS = (188, 192, 204)
"""Lengths of a packet of an MPEG transport stream: bare, with a time code, with error correction
(ISO/IEC 13818-1; the others from memory)."""


def is_media_head(head: bytes) -> bool:
    """Whether the first bytes of a file are those of sound or moving pictures."""
    if head.startswith(_STARTS) or head[4:8] in _BOXES:
        return True
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC", b"8SVX"):
        return True
    return _is_mpeg_audio(head) or _is_transport_stream(head)


def holds_media(path: str | os.PathLike[str]) -> bool:
    """Whether a file holds a recording or a film: by its first bytes, or by its suffix.

    An empty file holds nothing.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with open(path, "rb") as file:
        head = file.read(HEAD_BYTES)
    return bool(head) and (is_media_head(head) or Path(path).suffix.lower() in MEDIA_SUFFIXES)


def _is_mpeg_audio(head: bytes) -> bool:
    """Whether a frame of MPEG audio (layer II or III) or of AAC (ADTS) stands first.

    Layer I is left out: its first bytes are also those of text in UTF-16.
    """
    if len(head) < 4 or head[0] != 0xFF:
        return False
    if head[1] & 0xF6 == 0xF0:  # ADTS: twelve ones, layer 0
        return head[2] >> 2 & 0xF < 13
    layer, rate, bits = head[1] >> 1 & 3, head[2] >> 2 & 3, head[2] >> 4
    return head[1] & 0xE0 == 0xE0 and layer in (1, 2) and rate != 3 and bits != 15


def _is_transport_stream(head: bytes) -> bool:
    return any(
        len(head) > start + length and head[start] == head[start + length] == 0x47
        for length in _PACKETS
        for start in (0, length - 188)
    )
