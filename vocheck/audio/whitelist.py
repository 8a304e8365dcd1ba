"""What FFmpeg may take a file for, and which of its decoders may run."""

from __future__ import annotations

from typing import Any, BinaryIO

FORMATS = (
    *("mov", "mp4", "m4a", "3gp", "3g2", "mj2", "matroska", "webm", "avi", "asf", "mpegts"),
    *("mxf", "aac", "ac3", "eac3", "mp3", "flac", "ogg", "wav", "w64", "aiff", "caf"),
)
"""What FFmpeg may take a file for. Left out are its readers of text, pictures and play lists, the
last of which would follow addresses found in the file."""

_PCM = ("s8", "u8", "s16le", "s16be", "s24le", "s24be", "s32le", "s32be", "f32le", "f32be")
DECODERS = (
    *("aac", "aac_latm", "alac", "flac", "opus", "vorbis", "mp3float", "mp3", "mp2float", "mp2"),
    *("ac3", "eac3", "dca", "truehd", "mlp", "s302m", "amrnb", "amrwb"),
    *("adpcm_ima_wav", "adpcm_ms", "adpcm_ima_qt", "gsm", "gsm_ms"),
    *("wmav1", "wmav2", "wmapro", "wmalossless"),
    *(f"pcm_{kind}" for kind in _PCM),
    *("pcm_f64le", "pcm_f64be", "pcm_s16le_planar", "pcm_s24le_planar", "pcm_s32le_planar"),
    *("pcm_s16be_planar", "pcm_bluray", "pcm_dvd", "pcm_mulaw", "pcm_alaw"),
)
"""The decoders of FFmpeg that may run: none for pictures, and none for integers of 64 bits, which
no array here holds."""


PICTURES = (
    *("h264", "hevc", "av1", "libdav1d", "vp8", "vp9", "mpeg4", "mpeg2video", "mpeg1video"),
    *("prores", "dnxhd", "mjpeg", "ffv1", "rawvideo", "v210", "dvvideo", "png", "qtrle"),
    *("mov_text", "subrip", "ass", "webvtt"),
)
"""Decoders of pictures and subtitles that FFmpeg asks how large they are, where a film is copied.
None of them decodes a picture for us."""


def open_container(file: BinaryIO, *, pictures: bool = False) -> Any:
    """Return FFmpeg's view of an open file, in which only `DECODERS` ever run.

    Names and remarks in the file may be in any encoding.

    Parameters
    ----------
    file : file object
    pictures : bool
        Whether `PICTURES` may run as well, so that these tracks can be copied.

    Raises
    ------
    av.FFmpegError
        If it is of no kind that FFmpeg may open, or damaged.
    """
    import av

    decoders = (*DECODERS, *PICTURES) if pictures else DECODERS
    return av.open(
        file,
        options={"format_whitelist": ",".join(FORMATS), "codec_whitelist": ",".join(decoders)},
        metadata_errors="replace",
    )
