"""What recorders and editors write, read by libsndfile; and 24-bit WAV, read here.

WAV and Broadcast WAV, RF64, W64, AIFF, CAF, AU, FLAC, Ogg Vorbis and Opus.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile

from vocheck.audio.heads import Head, check_format
from vocheck.audio.ogg import damaged_places
from vocheck.dsp.kweighting import DEFAULT_LAYOUTS
from vocheck.recording import Samples, Source

KINDS = ("wave", "w64", "aiff", "caf", "au", "flac", "ogg")
"""The kinds of `Head` that are opened. A file of no known kind never is: libsndfile would take text
with a fitting name for samples."""

CODECS: dict[str, tuple[str, int | None]] = {
    "PCM_S8": ("PCM", 8),
    "PCM_U8": ("PCM", 8),
    "PCM_16": ("PCM", 16),
    "PCM_24": ("PCM", 24),
    "PCM_32": ("PCM", 32),
    "FLOAT": ("32-bit float", None),
    "DOUBLE": ("64-bit float", None),
    "ALAC_16": ("ALAC", 16),
    "ALAC_20": ("ALAC", 20),
    "ALAC_24": ("ALAC", 24),
    "ALAC_32": ("ALAC", 32),
    "VORBIS": ("Vorbis", None),
    "OPUS": ("Opus", None),
    "ULAW": ("G.711 mu-law", None),
    "ALAW": ("G.711 A-law", None),
    "IMA_ADPCM": ("IMA ADPCM", None),
    "MS_ADPCM": ("MS ADPCM", None),
    "GSM610": ("GSM 06.10", None),
}
"""Trade name and bits per sample of libsndfile's subtypes, those that are read."""

LOSSY_CODECS = ("AAC", "MP3", "Opus", "Vorbis", "AC-3", "E-AC-3")

DOUBLE_SUBTYPES = ("PCM_32", "ALAC_32", "DOUBLE")
"""What float32, with its 24-bit significand, cannot hold."""

VORBIS_SPEAKERS: dict[int, tuple[str, ...]] = {
    **DEFAULT_LAYOUTS,
    3: ("FL", "FC", "FR"),
    5: ("FL", "FC", "FR", "BL", "BR"),
    6: ("FL", "FC", "FR", "BL", "BR", "LFE"),
    7: ("FL", "FC", "FR", "SL", "SR", "BC", "LFE"),
    8: ("FL", "FC", "FR", "SL", "SR", "BL", "BR", "LFE"),
}
"""The order of Ogg Vorbis (Vorbis I specification, section 4.3.9) and of Ogg Opus (RFC 7845,
section 5.1.1.2), which libsndfile leaves as it is."""


class Refused(Exception):
    """libsndfile cannot read the file; FFmpeg may."""


class SoundfileReader:
    """A file that libsndfile reads.

    Raises
    ------
    Refused
        If it does not.
    AudioError
        If the header asks for what no recording has.
    """

    def __init__(self, path: str, head: Head) -> None:
        if head.kind not in KINDS:
            raise Refused
        try:
            self._file = file = soundfile.SoundFile(_native(path))
        except soundfile.LibsndfileError:
            raise Refused from None
        codec, bits = CODECS.get(file.subtype, ("", None))
        rate, channels = file.samplerate, file.channels
        if not codec or not rate:
            file.close()
            raise Refused
        try:
            check_format(path, rate, channels)
        except Exception:
            file.close()
            raise
        if file.format == "FLAC":
            codec = "FLAC"
        speakers = VORBIS_SPEAKERS if file.format == "OGG" else DEFAULT_LAYOUTS
        duration_s = 0.0 if head.unfinished else file.frames / rate
        self.promised_s = duration_s + head.missing_s
        if head.kind == "aiff" and head.frames is not None:
            self.promised_s = max(self.promised_s, head.frames / rate)
        self.tolerance_s = 0.0
        self.damaged_s: list[float] = []
        self._path = path
        self.source = Source(
            path=path,
            container=head.container,
            codec=codec,
            rate_hz=rate,
            channels=channels,
            bits=bits,
            duration_s=duration_s,
            layout=head.speakers or speakers.get(channels),
            missing_s=self.promised_s - duration_s,
            unfinished=head.unfinished,
            bitrate_kbps=_file_kbps(path, duration_s) if codec in LOSSY_CODECS else None,
        )

    def blocks(self, frames: int) -> Iterator[Samples]:
        """Yield blocks; see `vocheck.audio.readers.AudioFile.blocks`."""
        try:
            while len(block := self._read(frames)):
                # In front of a damaged page of Ogg a read stops short.
                while len(more := self._read(frames - len(block))):
                    block = np.concatenate((block, more))
                yield np.asfortranarray(block)
        except soundfile.LibsndfileError:
            raise Refused from None
        if self.source.container == "Ogg":
            granules_per_s = 48_000 if self.source.codec == "Opus" else self.source.rate_hz
            with open(self._path, "rb") as file:
                self.damaged_s += [place / granules_per_s for place in damaged_places(file)]

    def _read(self, frames: int) -> npt.NDArray[Any]:
        dtype = "float64" if self._file.subtype in DOUBLE_SUBTYPES else "float32"
        samples: npt.NDArray[Any] = self._file.read(frames, dtype=dtype, always_2d=True)
        return samples

    def close(self) -> None:
        """Close the file."""
        self._file.close()


class Wave24Reader:
    """Decodes the commonest recording, 24-bit WAV, in a fourth of libsndfile's time.

    The three bytes of a sample are the upper three of a 32-bit integer that starts one byte before
    them. So the bytes are looked at as integers three bytes apart, and the lowest byte, which
    belongs to the sample before, is masked out.
    """

    def __init__(self, header: SoundfileReader, path: str, data_start: int) -> None:
        self._header = header
        self.source = header.source
        self.promised_s = header.promised_s
        self.tolerance_s = header.tolerance_s
        self.damaged_s = header.damaged_s
        self._file = open(path, "rb")  # noqa: SIM115 (closed by `close`)
        self._file.seek(data_start)

    def blocks(self, frames: int) -> Iterator[Samples]:
        """Yield blocks; see `vocheck.audio.readers.AudioFile.blocks`."""
        channels = self.source.channels
        width = 3 * channels
        left = round(self.source.duration_s * self.source.rate_hz)
        raw = np.zeros(1 + min(frames, left) * width, np.uint8)
        integers = np.ndarray((channels, len(raw) // width), "<i4", raw, strides=(3, width))
        scratch = np.empty(integers.size, np.int32)
        while left:
            wanted = raw[1 : 1 + min(frames, left) * width].data
            count = self._file.readinto(wanted) // width
            if not count:  # the file has become shorter since it was opened
                return
            values = scratch[: channels * count]
            np.bitwise_and(integers[:, :count], -256, out=values.reshape(channels, count))
            block = np.multiply(values, 2.0**-31, dtype=np.float32, casting="unsafe")
            yield block.reshape(channels, count).T
            left -= count

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        self._header.close()


def _native(path: str) -> str | bytes:
    """Return a name as libsndfile takes it: as bytes, for it need be no UTF-8, but on Windows."""
    return path if os.name == "nt" else os.fsencode(path)


def _file_kbps(path: str, duration_s: float) -> float | None:
    """Return the bit rate of a file that holds nothing but one track."""
    return os.stat(path).st_size * 8 / 1000 / duration_s if duration_s > 0 else None
