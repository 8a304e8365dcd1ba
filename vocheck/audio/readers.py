"""The only room that opens audio files.

Two libraries read them. soundfile (libsndfile) reads what recorders and editors write: WAV and
Broadcast WAV, RF64, W64, AIFF, CAF, FLAC, Ogg Vorbis and Opus. PyAV (FFmpeg) reads the rest: MP3,
M4A, MP4, MOV, MKV, WebM; and whatever of the former libsndfile gives up on, such as a FLAC that
stops in mid-frame. Both give the samples their file holds, with no resampling and no dither.

A file may hold less than its header promises (a card pulled out too early, a copy cut short), or
its recorder may have died before it filled the length in. Such a file is read as far as it goes,
and `Source.missing_s` and `Source.unfinished` say so. A file with nothing to measure is an
`AudioError` of one line.

Files are opened for reading only.
"""

from __future__ import annotations

import os
import re
import stat
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, BinaryIO, Protocol

import numpy as np
import numpy.typing as npt
import soundfile

from vocheck.audio.frames import guard, take_speakers, to_array
from vocheck.dsp.kweighting import DEFAULT_LAYOUTS
from vocheck.errors import AudioError
from vocheck.recording import Recording, Samples, Source

BLOCK_FRAMES = 192_000
"""Frames read at a time: long enough that the overhead per block vanishes, 1.5 MB in stereo."""

LENGTH_TOLERANCE_S = 0.1
"""How far a compressed file may fall short of its header before something counts as missing: above
the encoder delays and the rounding of container clocks (under 50 ms), below the shortest word."""


def read(path: str | os.PathLike[str]) -> Recording:
    """Read a whole recording into memory.

    Parameters
    ----------
    path
        Any file of the formats named at the top of this module. Of a video file the first audio
        track is read.

    Returns
    -------
    recording
        Samples of shape (frames, channels), full scale 1.0: float32, which holds 24-bit PCM
        exactly, or float64 where the file holds more (32-bit PCM, 64-bit float). A lossy decoder
        and a float file may pass 1.0.

    Raises
    ------
    AudioError
        If the file is missing, empty, not audio, unreadable, without any sample, or holds a NaN
        or an infinity. The message is one line and names the file.
    """
    with open_audio(path) as file:
        samples = np.concatenate(list(file.blocks()))
        return Recording(samples, file.source.rate_hz, file.source)


@contextmanager
def open_audio(path: str | os.PathLike[str]) -> Iterator[AudioFile]:
    """Open a recording to be read block by block in constant memory.

    Yields
    ------
    file : AudioFile

    Raises
    ------
    AudioError
        As `read` does; what only the samples show is raised by `AudioFile.blocks`.

    Examples
    --------
    >>> with open_audio("mix.mov") as file:  # doctest: +SKIP
    ...     peak = max(abs(block).max() for block in file.blocks())
    """
    path = os.fspath(path)
    try:
        facts = _look(path)
        reader = _open(path, facts)
    except OSError as error:
        raise AudioError(f"{path}: cannot be read: {error.strerror or error}") from error
    file = AudioFile(path, facts, reader)
    try:
        yield file
    finally:
        file._close()


class AudioFile:
    """An open recording. Made by `open_audio`.

    Attributes
    ----------
    source : Source
        What the file says of itself. `duration_s` and `missing_s` are the header's until `blocks`
        has run to its end, and what was found from then on.
    """

    def __init__(self, path: str, facts: _Facts, reader: _Reader) -> None:
        self._path = path
        self._facts = facts
        self._reader = reader
        self.source = reader.source

    def blocks(self, frames: int = BLOCK_FRAMES) -> Iterator[Samples]:
        """Yield the samples from first to last, once.

        Parameters
        ----------
        frames : int
            Length of every block but the last, which may be shorter (never empty).

        Yields
        ------
        block : ndarray of float32 or float64, shape (frames, channels)
            As `read` gives them, whatever the block length. In memory one channel stands after
            the other (``block.T`` is contiguous), as meters and encoders want them.

        Raises
        ------
        AudioError
            If there is not one sample, or a NaN or an infinity, or the decoder fails.
        """
        rate = self.source.rate_hz
        integers = self.source.codec == "PCM"  # which are numbers, every one
        done = 0
        for block in self._decoded(frames):
            # The sum of squares is finite only where every sample is: one pass, no copy.
            flat = block.ravel("K")
            if (
                not integers
                and not np.isfinite(np.vdot(flat, flat))
                and not np.isfinite(block).all()
            ):
                first = int(np.argmin(np.isfinite(block).all(axis=1)))
                raise AudioError(
                    f"{self._path}: holds samples that are not numbers "
                    f"(NaN or infinity, first at {(done + first) / rate:.3f} s)"
                )
            done += len(block)
            yield block
        if not done:
            raise AudioError(f"{self._path}: holds a header but no audio")
        missing_s = max(0.0, self._reader.promised_s - done / rate)
        if missing_s <= self._reader.tolerance_s:
            missing_s = 0.0
        self.source = replace(
            self.source,
            duration_s=done / rate,
            missing_s=missing_s,
            unfinished=self._facts.unfinished,
        )

    def _decoded(self, frames: int) -> Iterator[Samples]:
        """Yield blocks from the reader; where libsndfile gives up, go on with PyAV."""
        done = 0
        try:
            for block in self._reader.blocks(frames):
                done += len(block)
                yield block
        except soundfile.LibsndfileError:
            promised_s = self._reader.promised_s
            self._close()
            self._reader = _PyavReader(self._path, self._facts)
            self._reader.promised_s = promised_s
            yield from _skip(self._reader.blocks(frames), done)

    def _close(self) -> None:
        self._reader.close()


def _skip(blocks: Iterator[Samples], frames: int) -> Iterator[Samples]:
    """Yield `blocks` without their first `frames` frames."""
    for block in blocks:
        if frames < len(block):
            yield block[frames:]
        frames = max(0, frames - len(block))


# -- What the bytes say before any decoder is asked ----------------------------------------------


@dataclass(frozen=True)
class _Facts:
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
    """

    kind: str | None
    container: str = ""
    missing_s: float = 0.0
    unfinished: bool = False
    speakers: tuple[str, ...] | None = None
    data_start: int | None = None


def _look(path: str) -> _Facts:
    """Refuse what is no file of audio, and read the head of what is."""
    try:
        mode = os.stat(path)
    except FileNotFoundError:
        raise AudioError(f"{path}: no such file") from None
    if stat.S_ISDIR(mode.st_mode):
        raise AudioError(f"{path}: is a folder, not a recording")
    if not stat.S_ISREG(mode.st_mode):
        raise AudioError(f"{path}: is not a regular file")
    if mode.st_size == 0:
        raise AudioError(f"{path}: is empty (0 bytes)")
    with open(path, "rb") as file:
        return _identify(file, mode.st_size)


def _identify(file: BinaryIO, size: int) -> _Facts:
    head = file.read(80).ljust(80, b"\0")
    match head[:4], head[4:8], head[8:12]:
        case (b"RIFF" | b"RF64" | b"BW64", _, b"WAVE"):
            return _look_at_wave(file, size, head[:4])
        case (b"FORM", _, b"AIFF" | b"AIFC"):
            return _Facts("aiff", "AIFF")
        case (b"riff", _, _):
            # Sony's W64: after a 16-byte name the size of the whole file, in the format chunk the
            # bytes per second.
            promised, per_s = struct.unpack_from("<16xQ48xI", head)
            return _Facts("w64", "W64", missing_s=max(0, promised - size) / max(1, per_s))
        case (b"caff", _, _):
            return _Facts("caf", "CAF")
        case (b"fLaC", _, _):
            # STREAMINFO stands first; 0 samples in all means that the encoder did not know yet.
            samples = int.from_bytes(head[21:26]) & 0xF_FFFF_FFFF
            return _Facts("flac", "FLAC", unfinished=samples == 0)
        case (b"OggS", _, _):
            return _Facts("ogg", "Ogg")
        case (b"\x1a\x45\xdf\xa3", _, _):
            return _Facts("matroska", "WebM" if b"webm" in head else "MKV")
        case (_, b"ftyp", brand):
            return _Facts("mp4", {b"qt  ": "MOV", b"M4A ": "M4A"}.get(brand, "MP4"))
        case (_, b"moov" | b"mdat" | b"wide" | b"free" | b"skip", _):
            return _Facts("mp4", "MOV")
    if head[:3] == b"ID3" or (head[0] == 0xFF and head[1] & 0xE6 == 0xE2):
        return _Facts("mp3", "MP3")
    return _Facts(None)


UNKNOWN_LENGTH = 0x7FFF_F000
"""Data sizes from here up, where the file is shorter, are what programs that cannot know the length
put down (0xFFFFFFFF, 0x7FFFFFFF and the like)."""

SPEAKERS = ("FL", "FR", "FC", "LFE", "BL", "BR", "FLC", "FRC", "BC", "SL", "SR")
"""Bits 0 to 10 of the channel mask of a WAVE_FORMAT_EXTENSIBLE header [1]_.

References
----------
.. [1] Microsoft, WAVEFORMATEXTENSIBLE structure, dwChannelMask.
"""


def _look_at_wave(file: BinaryIO, size: int, magic: bytes) -> _Facts:
    """Walk the chunks of a WAV, Broadcast WAV or RF64 file up to its samples."""
    container = "WAV" if magic == b"RIFF" else magic.decode()
    speakers: tuple[str, ...] | None = None
    bytes_per_s = 1
    long_size = None  # RF64 and BW64 keep the data size as 64 bits in the chunk ds64
    position = 12
    while position + 8 <= size:
        file.seek(position)
        name, length = struct.unpack("<4sI", file.read(8))
        position += 8
        if name == b"data":
            if long_size is not None and length == 0xFFFF_FFFF:
                length = long_size
            missing = max(0, position + length - size)
            unfinished = (missing > 0 and length >= UNKNOWN_LENGTH) or (
                length == 0 and not _is_chunk_chain(file, position, size)
            )
            missing_s = 0.0 if unfinished else missing / bytes_per_s
            return _Facts("wave", container, missing_s, unfinished, speakers, position)
        if name == b"ds64":
            long_size = struct.unpack("<8xQ", file.read(16).ljust(16, b"\0"))[0]
        elif name == b"bext" and container == "WAV":
            container = "BWF"
        elif name == b"fmt ":
            channels, rate, bytes_per_s, align, mask = struct.unpack(
                "<2xHIIH6xI", file.read(min(length, 24)).ljust(24, b"\0")
            )
            named = tuple(s for bit, s in enumerate(SPEAKERS) if mask >> bit & 1)
            speakers = named if length >= 40 and len(named) == channels else None
            bytes_per_s = bytes_per_s or max(1, rate * align)
        position += length + length % 2
    return _Facts("wave", container)


def _is_chunk_chain(file: BinaryIO, position: int, size: int) -> bool:
    """Whether nothing but whole chunks stands between `position` and the end of the file."""
    while position < size:
        file.seek(position)
        head = file.read(8)
        # A chunk's name is four printable characters; silence would pass for chunks otherwise.
        if len(head) < 8 or not all(0x20 <= byte < 0x7F for byte in head[:4]):
            return False
        length = struct.unpack("<4xI", head)[0]
        position += 8 + length + length % 2
    return position <= size + 1


def _aiff_frames(path: str) -> int:
    """Return the number of frames that the COMM chunk of an AIFF file promises."""
    with open(path, "rb") as file:
        head = file.read(64 * 1024)
    found = re.search(rb"COMM....", head, re.DOTALL)
    return int(struct.unpack_from(">I", head, found.end() + 2)[0]) if found else 0


MPEG_LENGTH_TAGS = (b"Xing", b"Info", b"VBRI")


def _mp3_says_its_length(path: str) -> bool:
    """Whether the first frame of an MP3 file carries the number of frames.

    Without it a decoder guesses the length from the file size and the first bit rate.
    """
    with open(path, "rb") as file:
        head = file.read(10)
        if head[:3] == b"ID3":
            a, b, c, d = head[6:10]  # seven bits each
            file.seek(10 + (a << 21 | b << 14 | c << 7 | d))
        first_frames = file.read(4096)
    return any(tag in first_frames for tag in MPEG_LENGTH_TAGS)


# -- The two readers ------------------------------------------------------------------------------


class _Reader(Protocol):
    source: Source
    promised_s: float
    tolerance_s: float

    def blocks(self, frames: int) -> Iterator[Samples]: ...

    def close(self) -> None: ...


def _open(path: str, facts: _Facts) -> _Reader:
    """Choose the library that reads this file best."""
    if facts.kind in ("mp3", "mp4", "matroska") or (facts.unfinished and facts.kind == "wave"):
        return _PyavReader(path, facts)
    try:
        reader = _SoundfileReader(path, facts)
    except soundfile.LibsndfileError:
        return _PyavReader(path, facts)
    if facts.data_start is not None and (reader.source.codec, reader.source.bits) == ("PCM", 24):
        return _Wave24Reader(reader, path, facts.data_start)
    return reader


SOUNDFILE_CODECS: dict[str, tuple[str, int | None]] = {
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
}
"""Trade name and bits per sample of libsndfile's subtypes."""

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


def _native(path: str) -> str | bytes:
    """Return a name as libsndfile takes it: as bytes, for it need be no UTF-8, but on Windows."""
    return path if os.name == "nt" else os.fsencode(path)


class _SoundfileReader:
    """libsndfile."""

    def __init__(self, path: str, facts: _Facts) -> None:
        self._file = file = soundfile.SoundFile(_native(path))
        codec, bits = SOUNDFILE_CODECS.get(file.subtype, (file.subtype, None))
        if file.format == "FLAC":
            codec = "FLAC"
        speakers = VORBIS_SPEAKERS if file.format == "OGG" else DEFAULT_LAYOUTS
        rate, channels = file.samplerate, file.channels
        duration_s = 0.0 if facts.unfinished else file.frames / rate
        self.promised_s = duration_s + facts.missing_s
        if facts.kind == "aiff":
            self.promised_s = max(self.promised_s, _aiff_frames(path) / rate)
        self.tolerance_s = 0.0
        self.source = Source(
            path=path,
            container=facts.container or file.format,
            codec=codec,
            rate_hz=rate,
            channels=channels,
            bits=bits,
            duration_s=duration_s,
            layout=facts.speakers or speakers.get(channels),
            missing_s=self.promised_s - duration_s,
            unfinished=facts.unfinished,
            bitrate_kbps=_file_kbps(path, duration_s) if codec in LOSSY_CODECS else None,
        )

    def blocks(self, frames: int) -> Iterator[Samples]:
        dtype = "float64" if self._file.subtype in DOUBLE_SUBTYPES else "float32"
        while len(block := self._file.read(frames, dtype=dtype, always_2d=True)):
            yield np.asfortranarray(block)

    def close(self) -> None:
        self._file.close()


class _Wave24Reader:
    """Decodes the commonest recording, 24-bit WAV, in a fourth of libsndfile's time.

    The three bytes of a sample are the upper three of a 32-bit integer that starts one byte before
    them. So the bytes are looked at as integers three bytes apart, and the lowest byte, which
    belongs to the sample before, is masked out.
    """

    def __init__(self, header: _SoundfileReader, path: str, data_start: int) -> None:
        self._header = header
        self.source = header.source
        self.promised_s = header.promised_s
        self.tolerance_s = header.tolerance_s
        self._file = open(path, "rb")  # noqa: SIM115 (closed by `close`)
        self._file.seek(data_start)

    def blocks(self, frames: int) -> Iterator[Samples]:
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
        self._file.close()
        self._header.close()


def _file_kbps(path: str, duration_s: float) -> float | None:
    """Return the bit rate of a file that holds nothing but one track."""
    return os.stat(path).st_size * 8 / 1000 / duration_s if duration_s > 0 else None


PYAV_FORMATS = (
    *("mov", "mp4", "m4a", "3gp", "3g2", "mj2", "matroska", "webm", "avi", "asf", "mpegts"),
    *("aac", "ac3", "eac3", "mp3", "flac", "ogg", "wav", "w64", "aiff", "caf"),
)
"""What FFmpeg may take a file for. Left out are its readers of text, pictures and play lists, the
last of which would follow addresses found in the file."""

PYAV_CODECS = {
    "aac": "AAC",
    "alac": "ALAC",
    "mp3": "MP3",
    "opus": "Opus",
    "vorbis": "Vorbis",
    "flac": "FLAC",
    "ac3": "AC-3",
    "eac3": "E-AC-3",
}
"""Trade names of FFmpeg's codecs; the others go by FFmpeg's own in capitals."""


class _PyavReader:
    """FFmpeg's first audio track."""

    def __init__(self, path: str, facts: _Facts) -> None:
        import av

        self._path = path
        self._error = av.FFmpegError
        # FFmpeg gets an open file, not a name, lest it take "take:1.mov" for a network address.
        self._file = open(path, "rb")  # noqa: SIM115 (closed by `close`)
        try:
            self._container: Any = av.open(
                self._file, options={"format_whitelist": ",".join(PYAV_FORMATS)}
            )
        except av.FFmpegError:
            self._file.close()
            raise AudioError(f"{path}: {_why_not(facts)}") from None
        try:
            self._stream, self.source = self._first_track(facts)
        except AudioError:
            self.close()
            raise
        self.promised_s = self.source.duration_s
        self.tolerance_s = LENGTH_TOLERANCE_S
        self._wide = self.source.codec == "64-bit float" or (self.source.bits or 0) > 24

    def _first_track(self, facts: _Facts) -> tuple[Any, Source]:
        """Return FFmpeg's first audio stream, and what it says of itself."""
        if not self._container.streams.audio:
            raise AudioError(f"{self._path}: holds no audio track")
        stream = self._container.streams.audio[0]
        context = stream.codec_context
        if context is None or not context.sample_rate:
            raise AudioError(f"{self._path}: {_why_not(facts)}")
        speakers = take_speakers(context)
        if not speakers:
            raise AudioError(f"{self._path}: {_why_not(facts)}")
        codec, bits = _pyav_codec(context)
        source = Source(
            path=self._path,
            container=facts.container or self._container.format.name.upper(),
            codec=codec,
            rate_hz=context.sample_rate,
            channels=len(speakers),
            bits=bits,
            duration_s=self._promised_s(stream, facts),
            layout=facts.speakers or _known_speakers(speakers),
            unfinished=facts.unfinished,
            bitrate_kbps=self._kbps(context) if codec in LOSSY_CODECS else None,
        )
        return stream, source

    def _kbps(self, context: Any) -> float | None:
        """Return the bit rate that the file states for its track."""
        stated = context.bit_rate
        if not stated and len(self._container.streams) == 1:
            stated = self._container.bit_rate
        return stated / 1000 if stated else None

    def _promised_s(self, stream: Any, facts: _Facts) -> float:
        """Return the length the file states for this track; 0 where it states none."""
        if facts.kind is None or (facts.kind == "mp3" and not _mp3_says_its_length(self._path)):
            return 0.0  # FFmpeg would guess from the file size
        if stream.duration is not None:
            duration_s = float(stream.duration * stream.time_base)
            if stream.codec_context.name.startswith("pcm_"):
                # FFmpeg cuts the duration of some containers (CAF) to what is there, not the count.
                duration_s = max(duration_s, stream.frames / stream.codec_context.sample_rate)
            return duration_s
        if clock := re.fullmatch(r"(\d+):(\d+):([\d.]+)", stream.metadata.get("DURATION", "")):
            hours, minutes, seconds = (float(part) for part in clock.groups())
            return hours * 3600 + minutes * 60 + seconds
        return 0.0

    def blocks(self, frames: int) -> Iterator[npt.NDArray[Any]]:
        held: list[npt.NDArray[Any]] = []
        count = 0
        for piece in self._pieces():
            held.append(piece)
            count += len(piece)
            if count >= frames:
                joined = np.concatenate(held)
                whole = count - count % frames
                for start in range(0, whole, frames):
                    yield self._scaled(joined[start : start + frames])
                held, count = [joined[whole:]], count - whole
        if count:
            yield self._scaled(np.concatenate(held))

    def _pieces(self) -> Iterator[npt.NDArray[Any]]:
        """Yield what the decoder gives, (frames, channels); a damaged packet is left out."""
        try:
            for packet in self._container.demux(self._stream):
                try:
                    decoded = packet.decode()
                except self._error:
                    continue
                guard(decoded)
                for frame in decoded:
                    yield self._array(frame)
        except self._error:
            # The container breaks off. What is missing is told by the length it promised.
            return

    def _array(self, frame: Any) -> npt.NDArray[Any]:
        source = self.source
        channels = frame.layout.nb_channels
        if (frame.sample_rate, channels) != (source.rate_hz, source.channels):
            raise AudioError(
                f"{self._path}: changes in mid-file from {source.channels} channels at "
                f"{source.rate_hz} Hz to {channels} at {frame.sample_rate} Hz"
            )
        return to_array(frame)

    def _scaled(self, raw: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Turn the decoder's numbers into floats of full scale 1.0."""
        dtype = np.float64 if self._wide else np.float32
        samples: npt.NDArray[np.floating[Any]] = raw.astype(dtype, order="F")
        if raw.dtype.kind == "u":
            samples -= 128
        if raw.dtype.kind != "f":
            samples *= 2.0 ** (1 - 8 * raw.dtype.itemsize)
        return samples

    def close(self) -> None:
        self._container.close()
        self._file.close()


def _why_not(facts: _Facts) -> str:
    """Say why no library could open a file."""
    match facts.kind:
        case None:
            return "is not an audio file"
        case "mp4":
            return "cannot be read: it is damaged, or the recording was never finished (no index)"
        case _:
            return f"looks like {facts.container} but cannot be read: it is damaged or too short"


def _pyav_codec(context: Any) -> tuple[str, int | None]:
    """Return trade name and bits per sample of what a decoder decodes."""
    name = context.codec.canonical_name
    if pcm := re.fullmatch(r"pcm_([suf])(\d+)(le|be|_planar)*", name):
        kind, bits = pcm[1], int(pcm[2])
        return (f"{bits}-bit float", None) if kind == "f" else ("PCM", bits)
    setup = context.extradata or b""
    depth = None
    if name == "alac" and len(setup) >= 18:
        depth = setup[17]  # ALACSpecificConfig.bitDepth, behind the 12 bytes of its box
    elif name == "flac" and len(setup) >= 14:
        depth = ((setup[12] & 1) << 4 | setup[13] >> 4) + 1  # STREAMINFO (RFC 9639, section 8.2)
    return PYAV_CODECS.get(name, name.upper()), depth


def _known_speakers(names: tuple[str, ...]) -> tuple[str, ...] | None:
    return names if "NONE" not in names else DEFAULT_LAYOUTS.get(len(names))
