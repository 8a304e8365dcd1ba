"""Compressed sound and the sound of video files, read by FFmpeg (PyAV).

MP3, M4A, MP4, MOV, MKV, WebM, MXF, AVI, MPEG-TS, and whatever libsndfile gives up on. Pictures are
never decoded, not even to look what they are.

A packet that cannot be decoded counts as damage, and leaves silence of its length behind, so that
what follows keeps its place. Where a codec carries check sums (FLAC, AC-3, E-AC-3) they are
checked.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from vocheck.audio.frames import guard, take_speakers, to_array
from vocheck.audio.heads import Head, check_format, mp3_says_its_length, why_not
from vocheck.audio.libsndfile import LOSSY_CODECS
from vocheck.audio.tracks import choose_track
from vocheck.audio.whitelist import DECODERS, open_container
from vocheck.dsp.kweighting import DEFAULT_LAYOUTS
from vocheck.errors import AudioError
from vocheck.recording import Source

LENGTH_TOLERANCE_S = 0.1
"""How far a compressed file may fall short of its header before something counts as missing: above
the encoder delays and the rounding of container clocks (under 50 ms), below the shortest word."""

TRADE_NAMES = {
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

CHECKED = ("flac", "ac3", "eac3", "truehd", "mlp")
"""Decoders whose check sums are checked. Others would leave out what is odd but whole, such as the
first frames of an MP3 that was cut."""

_LONGEST_PACKET_S = 2.0
"""No codec's packet is as long: a longer one is not filled with silence but told as missing."""


class PyavReader:
    """One audio track of a file that FFmpeg reads.

    Raises
    ------
    AudioError
        If it does not, or the track is not there or in a codec that is not read.
    """

    def __init__(self, path: str, head: Head, track: int | None = None) -> None:
        import av

        self._path = path
        self._head = head
        self._error = av.FFmpegError
        # FFmpeg gets an open file, not a name: it would take "take:1.mov" for an address.
        self._file = open(path, "rb")  # noqa: SIM115 (closed by `close`)
        try:
            self._container = open_container(self._file)
        except av.FFmpegError:
            self._file.close()
            raise AudioError(f"{path}: {why_not(head)}") from None
        except BaseException:
            self._file.close()
            raise
        try:
            self._stream, self.source = self._open_track(track)
        except BaseException:
            self.close()
            raise
        self.promised_s = self.source.duration_s
        is_exact = self.source.codec == "FLAC" and head.kind == "flac"
        self.tolerance_s = 0.0 if is_exact else LENGTH_TOLERANCE_S
        self._numbered = is_exact  # each of its frames tells the number of its first sample
        self.damaged_s: list[float] = []
        self._wide = self.source.codec == "64-bit float" or (self.source.bits or 0) > 24

    def _open_track(self, track: int | None) -> tuple[Any, Source]:
        """Return the chosen audio stream, and what it says of itself."""
        streams = self._container.streams
        if not streams.audio:
            raise AudioError(f"{self._path}: holds no audio track")
        number = choose_track(self._path, self._container, track)
        stream = streams.audio[number - 1]
        context = stream.codec_context
        if context is None:
            raise AudioError(f"{self._path}: its sound is in a codec that is not read, or damaged")
        if context.codec.name not in DECODERS:
            name = context.codec.canonical_name
            raise AudioError(f"{self._path}: its sound is coded as {name}, which is not read")
        speakers = take_speakers(context)
        if not context.sample_rate or not speakers:
            raise AudioError(f"{self._path}: {why_not(self._head)}")
        check_format(self._path, context.sample_rate, len(speakers))
        if context.codec.name in CHECKED:
            context.options = {"err_detect": "crccheck+bitstream+buffer+explode"}
        codec, bits = _codec(context)
        source = Source(
            path=self._path,
            container=self._head.container or self._container.format.name.upper(),
            codec=codec,
            profile=context.profile if codec == "AAC" else None,
            rate_hz=context.sample_rate,
            channels=len(speakers),
            bits=bits,
            duration_s=self._promised_s(stream),
            layout=self._head.speakers or _known_speakers(speakers),
            unfinished=self._head.unfinished,
            bitrate_kbps=self._kbps(context) if codec in LOSSY_CODECS else None,
            track=number,
            tracks=len(streams.audio),
            start_s=self._start_s(stream),
            picture_s=_picture_s(streams.video),
        )
        return stream, source

    def _kbps(self, context: Any) -> float | None:
        """Return the bit rate that the file states for its track."""
        stated = context.bit_rate
        if not stated and len(self._container.streams) == 1:
            stated = self._container.bit_rate
        return stated / 1000 if stated else None

    def _promised_s(self, stream: Any) -> float:
        """Return the length the file states for this track; 0 where it states none."""
        kind, rate = self._head.kind, stream.codec_context.sample_rate
        if kind is None or (kind == "mp3" and not mp3_says_its_length(self._path)):
            return 0.0  # FFmpeg would guess from the file size
        if self._head.frames is not None:
            return float(self._head.frames / rate)
        if stream.duration is not None and stream.time_base is not None:
            duration_s: float = float(stream.duration * stream.time_base)
            if kind == "caf":
                # FFmpeg cuts the duration to what is there, but not the count.
                duration_s = max(duration_s, float(stream.frames / rate))
            return duration_s
        if clock := re.fullmatch(r"(\d+):(\d+):([\d.]+)", stream.metadata.get("DURATION", "")):
            hours, minutes, seconds = (float(part) for part in clock.groups())
            # Matroska tells when the track ends.
            return max(0.0, hours * 3600 + minutes * 60 + seconds - self._start_s(stream))
        return 0.0

    def _start_s(self, stream: Any) -> float:
        """Return when the track starts in the time of the file; an encoder's delay is none."""
        if self._head.kind in ("mp3", "ogg", "flac") or stream.start_time is None:
            return 0.0
        start = stream.start_time * (stream.time_base or 0)
        if self._container.format.name == "mpegts":  # its clock starts anywhere
            start -= Fraction(self._container.start_time or 0, 1_000_000)
        return max(0.0, round(float(start), 6))

    def blocks(self, frames: int) -> Iterator[npt.NDArray[Any]]:
        """Yield blocks; see `vocheck.audio.readers.AudioFile.blocks`."""
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
        """Yield what the decoder gives, (frames, channels), and silence for damaged packets."""
        rate, done = self.source.rate_hz, 0
        lost: list[int] = []  # frames of the damaged packets since the last whole one
        like = None
        for packet, decoded in self._packets():
            if decoded is None:
                lost.append(_frames_of(packet, rate))
            for frame in decoded or ():
                like = self._array(frame)
                gap = self._gap(frame, done) if self._numbered else sum(lost)
                if lost or gap or frame.is_corrupt:
                    self.damaged_s.append(done / rate)
                if gap > 0:
                    yield _silence(like, gap)
                    done += gap
                lost.clear()
                yield like
                done += len(like)
        if lost and done / rate > self.promised_s - max(self.tolerance_s, 1 / rate):
            # Where less was found than the file promised, that is said instead.
            self.damaged_s.append(done / rate)

    def _packets(self) -> Iterator[tuple[Any, list[Any] | None]]:
        """Yield each packet of the track with its frames, ``None`` where it is damaged."""
        try:
            for packet in self._container.demux(self._stream):
                try:
                    decoded = packet.decode()
                except self._error:
                    yield packet, None
                    continue
                guard(decoded)
                yield packet, decoded
        except self._error:
            # The container breaks off. What is missing is told by the length it promised.
            return

    def _gap(self, frame: Any, done: int) -> int:
        """Return how many samples are missing before a frame that tells its place."""
        if frame.pts is None or frame.time_base is None:
            return 0
        place: int = round(frame.pts * frame.time_base * self.source.rate_hz)
        last: int = round(self.promised_s * self.source.rate_hz) - frame.samples
        behind: int = min(place, last) - done
        return max(0, behind)

    def _array(self, frame: Any) -> npt.NDArray[Any]:
        source, channels = self.source, frame.layout.nb_channels
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
        """Close the file."""
        self._container.close()
        self._file.close()


def _frames_of(packet: Any, rate: int) -> int:
    if not packet.duration or packet.time_base is None:
        return 0
    duration_s = float(packet.duration * packet.time_base)
    return round(duration_s * rate) if duration_s < _LONGEST_PACKET_S else 0


def _silence(like: npt.NDArray[Any], frames: int) -> npt.NDArray[Any]:
    """Return silence in the numbers of a decoder (8-bit samples are unsigned, 128 is zero)."""
    return np.full((frames, like.shape[1]), 128 if like.dtype.kind == "u" else 0, like.dtype)


def _picture_s(streams: Any) -> float | None:
    """Return the length of the longest picture track, where the file tells it."""
    lengths = [
        float(stream.duration * stream.time_base)
        for stream in streams
        if stream.duration and stream.time_base and not stream.disposition & _COVER
    ]
    return max(lengths, default=None)


_COVER = 1 << 10
"""AV_DISPOSITION_ATTACHED_PIC: a cover, not a film."""


def _codec(context: Any) -> tuple[str, int | None]:
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
    return TRADE_NAMES.get(name, name.upper()), depth


def _known_speakers(names: tuple[str, ...]) -> tuple[str, ...] | None:
    return names if "NONE" not in names else DEFAULT_LAYOUTS.get(len(names))
