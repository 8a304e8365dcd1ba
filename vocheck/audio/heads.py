"""What the first bytes of a file say, before any decoder is asked.

Only what is known here by its bytes reaches a decoder that would guess from the name.
"""

from __future__ import annotations

import os
import stat
import struct
from dataclasses import dataclass
from typing import BinaryIO

from vocheck.audio.riff import Chunk, aiff_chunks, content, wave_chunks
from vocheck.errors import AudioError

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 5_000, 1_000_000
"""Below, no speech is left to measure (its band ends at 2.5 kHz); above is no converter's rate."""

MOST_CHANNELS = 64
"""A MADI stream carries 64. Headers that ask for more have been found to be damaged."""

SPEAKERS = ("FL", "FR", "FC", "LFE", "BL", "BR", "FLC", "FRC", "BC", "SL", "SR")
"""Bits 0 to 10 of the channel mask of a WAVE_FORMAT_EXTENSIBLE header [1]_.

References
----------
.. [1] Microsoft, WAVEFORMATEXTENSIBLE structure, dwChannelMask.
"""


@dataclass(frozen=True)
class Head:
    """What the head of a file tells.

    Attributes
    ----------
    kind : str or None
        The container's family; ``None`` where the bytes are those of no known one.
    container : str
        Its trade name.
    missing_s : float
        What the header promises beyond the end of the file.
    unfinished : bool
        Whether the recorder never wrote the length.
    speakers : tuple of str or None
        From the channel mask of a WAV file.
    data_start : int or None
        Where the samples of a WAV file begin, in bytes.
    frames : int or None
        How many an AIFF or FLAC file promises.
    has_samples : bool
        Whether a chunk of samples was found in a file of chunks.
    """

    kind: str | None
    container: str = ""
    missing_s: float = 0.0
    unfinished: bool = False
    speakers: tuple[str, ...] | None = None
    data_start: int | None = None
    frames: int | None = None
    has_samples: bool = True


def look(path: str) -> Head:
    """Read the head of an audio file; refuse any other file.

    Raises
    ------
    AudioError
        If there is no such file, or it is a folder, a device or empty.
    """
    try:
        facts = os.stat(path)
    except FileNotFoundError:
        raise AudioError(f"{path}: no such file") from None
    if stat.S_ISDIR(facts.st_mode):
        raise AudioError(f"{path}: is a folder, not a recording")
    if not stat.S_ISREG(facts.st_mode):
        raise AudioError(f"{path}: is not a regular file")
    if facts.st_size == 0:
        raise AudioError(f"{path}: is empty (0 bytes)")
    with open(path, "rb") as file:
        return _identify(file, facts.st_size)


def check_format(path: str, rate_hz: int, channels: int) -> None:
    """Refuse what no recording has, before any memory is asked for.

    Raises
    ------
    AudioError
        If the rate or the number of channels is out of all reason.
    """
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise AudioError(
            f"{path}: has a sample rate of {rate_hz} Hz; "
            f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz can be measured"
        )
    if not 1 <= channels <= MOST_CHANNELS:
        raise AudioError(
            f"{path}: has {channels} channels; up to {MOST_CHANNELS} can be measured "
            "(or its header is damaged)"
        )


def _identify(file: BinaryIO, size: int) -> Head:
    head = file.read(80).ljust(80, b"\0")
    match head[:4], head[4:8], head[8:12]:
        case (b"RIFF" | b"RF64" | b"BW64", _, b"WAVE"):
            return _wave(file, head[:4])
        case (b"FORM", _, b"AIFF" | b"AIFC"):
            return _aiff(file)
        case (b"riff", _, _):
            # Sony's W64: after a 16-byte name the size of the whole file, in the format chunk the
            # bytes per second.
            promised, per_s = struct.unpack_from("<16xQ48xI", head)
            return Head("w64", "W64", missing_s=max(0, promised - size) / max(1, per_s))
        case (b"fLaC", _, _):
            return _flac(head)
        case (b"\x1a\x45\xdf\xa3", _, _):
            return Head("matroska", "WebM" if b"webm" in head else "MKV")
        case (_, b"ftyp", brand):
            return Head("mp4", {b"qt  ": "MOV", b"M4A ": "M4A"}.get(brand, "MP4"))
        case (_, b"moov" | b"mdat" | b"wide" | b"free" | b"skip", _):
            return Head("mp4", "MOV")
    return _by_magic(head)


_MAGIC = (
    (b"caff", "caf", "CAF"),
    (b"OggS", "ogg", "Ogg"),
    (b".snd", "au", "AU"),
    (b"ID3", "mp3", "MP3"),
    (b"\x06\x0e\x2b\x34", "mxf", "MXF"),  # the start of a SMPTE universal label
)


def _by_magic(head: bytes) -> Head:
    for magic, kind, container in _MAGIC:
        if head.startswith(magic):
            return Head(kind, container)
    if head[0] == 0xFF and head[1] & 0xE6 == 0xE2:
        return Head("mp3", "MP3")
    return Head(None)


def _flac(head: bytes) -> Head:
    """Read STREAMINFO (RFC 9639, section 8.2), which stands first."""
    samples = int.from_bytes(head[21:26]) & 0xF_FFFF_FFFF
    return Head(
        "flac",
        "FLAC",
        unfinished=samples == 0,  # the encoder did not know yet
        frames=samples or None,
    )


def _aiff(file: BinaryIO) -> Head:
    frames, has_samples = None, False
    for chunk in aiff_chunks(file):
        if chunk.name == b"COMM":
            common = content(file, chunk, 6)
            frames = struct.unpack(">2xI", common)[0] if len(common) == 6 else None
        has_samples |= chunk.name == b"SSND"
    return Head("aiff", "AIFF", frames=frames, has_samples=has_samples)


def _wave(file: BinaryIO, magic: bytes) -> Head:
    """Walk the chunks of a WAV, Broadcast WAV or RF64 file up to its samples."""
    container = "WAV" if magic == b"RIFF" else magic.decode()
    speakers: tuple[str, ...] | None = None
    bytes_per_s = 1
    for chunk in wave_chunks(file):
        if chunk.name == b"data":
            missing_s = 0.0 if chunk.unfinished else (chunk.told - chunk.length) / bytes_per_s
            return Head("wave", container, missing_s, chunk.unfinished, speakers, chunk.position)
        if chunk.name == b"bext" and container == "WAV":
            container = "BWF"
        elif chunk.name == b"fmt ":
            speakers, bytes_per_s = _format(file, chunk)
    return Head("wave", container, has_samples=False)


def _format(file: BinaryIO, chunk: Chunk) -> tuple[tuple[str, ...] | None, int]:
    """Return the speakers and the bytes per second of a chunk ``fmt``."""
    fields = content(file, chunk, 24).ljust(24, b"\0")
    channels, rate, bytes_per_s, align, mask = struct.unpack("<2xHIIH6xI", fields)
    named = tuple(name for bit, name in enumerate(SPEAKERS) if mask >> bit & 1)
    speakers = named if chunk.told >= 40 and len(named) == channels else None
    return speakers, bytes_per_s or max(1, rate * align)


def why_not(head: Head) -> str:
    """Say why no library could open a file."""
    match head.kind:
        case None:
            return "is not an audio file"
        case "mp4":
            return "cannot be read: it is damaged, or the recording was never finished (no index)"
        case _:
            return f"looks like {head.container} but cannot be read: it is damaged or too short"


MPEG_LENGTH_TAGS = (b"Xing", b"Info", b"VBRI")


def mp3_says_its_length(path: str) -> bool:
    """Whether the first frame of an MP3 file carries the number of frames.

    Without it a decoder guesses the length from the file size and the first bit rate.
    """
    with open(path, "rb") as file:
        head = file.read(10)
        if head[:3] == b"ID3" and len(head) == 10:
            a, b, c, d = (byte & 0x7F for byte in head[6:10])  # seven bits each
            file.seek(10 + (a << 21 | b << 14 | c << 7 | d))
        first_frames = file.read(4096)
    return any(tag in first_frames for tag in MPEG_LENGTH_TAGS)
