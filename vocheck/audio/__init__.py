"""The only room that touches sound files.

Read here: WAV, Broadcast WAV, RF64, BW64, W64, AIFF, CAF, AU, FLAC, Ogg Vorbis and Opus, MP3, AAC,
AC-3, and the sound of M4A, MP4, MOV, MKV, WebM, MXF, AVI and MPEG-TS.

==================  ================================================================
`readers`           `read` and `open_audio`: the way in
`heads`             what the first bytes of a file say
`libsndfile`        what recorders and editors write; 24-bit WAV
`ffmpeg`            compressed sound and video files
`tracks`            which of several audio tracks
`whitelist`         what FFmpeg may open and run
`frames`            FFmpeg's frames as arrays
`riff`              the one walker over chunks of WAV and AIFF
`ogg`               damaged pages of Ogg
`metadata`          scene, take, note: what a recorder wrote beside the sound
`broadcast_wav`     copies of a recording with loudness or markers written into them
`writers`           new samples as WAV, with dither
`video`             a copy of a film with other sound in one track
`codecs`            a lossy codec there and back
==================  ================================================================
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vocheck.audio.broadcast_wav import LoudnessFields, Marker, cut, mark, stamp
    from vocheck.audio.codecs import CODECS, Coding, RoundTrip, parse_codings
    from vocheck.audio.metadata import TakeMetadata, read_metadata
    from vocheck.audio.readers import AudioFile, open_audio, read

_HOMES = {
    "LoudnessFields": "broadcast_wav",
    "Marker": "broadcast_wav",
    "cut": "broadcast_wav",
    "mark": "broadcast_wav",
    "stamp": "broadcast_wav",
    "CODECS": "codecs",
    "Coding": "codecs",
    "RoundTrip": "codecs",
    "parse_codings": "codecs",
    "TakeMetadata": "metadata",
    "read_metadata": "metadata",
    "AudioFile": "readers",
    "open_audio": "readers",
    "read": "readers",
}

__all__ = [
    "CODECS",
    "AudioFile",
    "Coding",
    "LoudnessFields",
    "Marker",
    "RoundTrip",
    "TakeMetadata",
    "cut",
    "mark",
    "open_audio",
    "parse_codings",
    "read",
    "read_metadata",
    "stamp",
]


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for: each module costs its libraries."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
