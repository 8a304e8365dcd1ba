"""A copy of a video with other sound in one of its audio tracks; its picture is copied bit for bit.

Nothing but the new sound is coded: the packets of pictures, subtitles and the other audio tracks go
from one file to the other as they are, with their times. The new track is coded as the old one was:
PCM, FLAC and ALAC in the same word length, lossy sound by FFmpeg's encoder of the same codec.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from vocheck.audio.codecs import LAYOUTS
from vocheck.audio.whitelist import open_container
from vocheck.audio.writers import Quantizer
from vocheck.errors import AudioError
from vocheck.recording import Source

VIDEO_SUFFIXES = (".mov", ".mp4", ".m4v", ".mkv", ".webm")
"""Files that a copy can be written as: as what the source is."""

_PCM = {16: "pcm_s16le", 24: "pcm_s24le", 32: "pcm_s32le"}
_ENCODERS = {
    "AAC": ("aac", "fltp"),
    "MP3": ("libmp3lame", "fltp"),
    "Opus": ("libopus", "flt"),
    "AC-3": ("ac3", "fltp"),
    "E-AC-3": ("eac3", "fltp"),
    "32-bit float": ("pcm_f32le", "flt"),
    "64-bit float": ("pcm_f64le", "dbl"),
}
_LOSSY = ("AAC", "MP3", "Opus", "AC-3", "E-AC-3")
_TIMECODE = ("tmcd", "none", "unknown")
"""Data tracks that FFmpeg makes anew from the time code that the picture track tells."""
_OF_THE_FILE = ("major_brand", "minor_version", "compatible_brands", "encoder")
"""What the program that writes a file says of it, and not of the film."""


@dataclass(frozen=True, kw_only=True)
class TrackForm:
    """How a new audio track is coded.

    Attributes
    ----------
    encoder : str
        FFmpeg's name.
    sample_format : str
        What the encoder takes, in FFmpeg's words.
    bits : int or None
        Of whole numbers.
    kbps : float or None
        Of lossy sound.
    words : str
        ``"PCM, 24 bit"``, ``"AAC, 320 kb/s"``.
    """

    encoder: str
    sample_format: str
    bits: int | None
    kbps: float | None
    words: str


def form_of(source: Source, least_kbps_per_channel: float) -> TrackForm:
    """Return how the track of a source is coded anew.

    Parameters
    ----------
    source : Source
    least_kbps_per_channel : float
        Of lossy sound, which is coded a second time; more where the source has more.

    Raises
    ------
    AudioError
        If its codec cannot be written.
    """
    codec, bits = source.codec or "", source.bits
    if codec in ("PCM", "FLAC", "ALAC"):
        width = next((w for w in (16, 24, 32) if (bits or 24) <= w), 32)
        if codec != "PCM":
            width = min(width, 24)
        encoder = _PCM[width] if codec == "PCM" else codec.lower()
        kind = "s16" if width == 16 else "s32"
        planar = "p" if codec == "ALAC" else ""
        words = f"{codec}, {width} bit"
        return TrackForm(
            encoder=encoder, sample_format=kind + planar, bits=width, kbps=None, words=words
        )
    if codec not in _ENCODERS:
        raise AudioError(
            f"{source.path}: its sound is coded as {codec}, which is not written: name a WAV file "
            "to write the sound alone"
        )
    encoder, kind = _ENCODERS[codec]
    if codec not in _LOSSY:
        return TrackForm(encoder=encoder, sample_format=kind, bits=None, kbps=None, words=codec)
    kbps = max(source.bitrate_kbps or 0.0, least_kbps_per_channel * source.channels)
    kbps = min(kbps, {"MP3": 320.0, "AC-3": 640.0}.get(codec, 510.0))
    words = f"{codec}, {kbps:.0f} kb/s"
    return TrackForm(encoder=encoder, sample_format=kind, bits=None, kbps=kbps, words=words)


def replace_tracks(
    source: Source,
    output: str | os.PathLike[str],
    tracks: Mapping[int, slice],
    blocks: Iterator[npt.NDArray[np.float64]],
    form: TrackForm,
    *,
    dither: bool,
) -> tuple[str, ...]:
    """Write a copy of a video with other sound.

    Parameters
    ----------
    source : Source
        Of the track that is replaced, with the path of its file.
    output : path-like
        Written to as it is: to be called with a temporary name.
    tracks : mapping of int to slice
        Which channels of the new sound go into which audio track, counted from 1.
    blocks : iterator of ndarray of float, shape (frames, channels)
        The new sound, as long as the old one.
    form : TrackForm
    dither : bool

    Returns
    -------
    tuple of str
        What the copy could not take.

    Raises
    ------
    AudioError
        If the copy cannot be written.
    """
    import av

    path = source.path or ""
    with ExitStack() as stack:
        try:
            file = stack.enter_context(open(path, "rb"))
            old = stack.enter_context(open_container(file, pictures=True))
            new = stack.enter_context(av.open(os.fspath(output), "w"))
            work = _Copy(source, old, new, tracks, form, dither)
            work.run(blocks)
        except (av.FFmpegError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise AudioError(f"{path}: no copy of this video can be written: {reason}") from error
    return work.left_out


class _Copy:
    """One copy on its way."""

    def __init__(
        self,
        source: Source,
        old: Any,
        new: Any,
        tracks: Mapping[int, slice],
        form: TrackForm,
        dither: bool,
    ) -> None:
        self._source = source
        self._old = old
        self._new = new
        self._streams: dict[int, Any] = {}
        self._tracks: dict[int, _Track] = {}
        left_out = []
        new.metadata.update({k: v for k, v in old.metadata.items() if k not in _OF_THE_FILE})
        numbers = {stream.index: n for n, stream in enumerate(old.streams.audio, start=1)}
        for stream in old.streams:
            number = numbers.get(stream.index)
            if number is not None and number in tracks:
                track = _Track(source, stream, new, tracks[number], form, dither)
                self._tracks[stream.index] = track
                continue
            if stream.type == "data":
                name = _codec_name(stream)
                if name not in _TIMECODE:
                    left_out.append(f"a data track ({name})")
                continue
            try:
                copied = new.add_stream_from_template(stream)
            except Exception as error:  # whatever FFmpeg or PyAV has against such a track
                left_out.append(f"a {stream.type} track ({' '.join(str(error).split())})")
                continue
            _describe(stream, copied)
            self._streams[stream.index] = copied
        if chapters := old.chapters():
            new.set_chapters(chapters)
        self.left_out = tuple(left_out)

    def run(self, blocks: Iterator[npt.NDArray[np.float64]]) -> None:
        """Copy the packets, the new sound between them in the place of the old."""
        done_s = 0.0
        first = next(iter(self._tracks))
        for packet in self._old.demux():
            if packet.dts is None:  # the end of a stream
                continue
            index = packet.stream_index
            if index in self._tracks:
                # One stream of the replaced ones sets the pace; the sound goes into all of them.
                end_s = float((packet.pts + (packet.duration or 0)) * packet.time_base)
                while index == first and done_s < end_s - self._source.start_s:
                    block = next(blocks, None)
                    if block is None:
                        break
                    self._feed(block)
                    done_s += len(block) / self._source.rate_hz
            elif index in self._streams:
                packet.stream = self._streams[index]
                self._new.mux(packet)
        for block in blocks:
            self._feed(block)
        for track in self._tracks.values():
            track.finish()

    def _feed(self, block: npt.NDArray[np.float64]) -> None:
        for track in self._tracks.values():
            track.feed(block)


class _Track:
    """A new audio track."""

    def __init__(
        self, source: Source, old: Any, new: Any, channels: slice, form: TrackForm, dither: bool
    ) -> None:
        import av

        self._channels = channels
        self._new = new
        self._rate = source.rate_hz
        count = len(range(*channels.indices(source.channels)))
        if count not in LAYOUTS:
            raise ValueError(f"{count} channels are not written")
        self._layout = LAYOUTS[count]
        known = old.codec_context.layout.name if old.codec_context is not None else ""
        with_own_order = " channels" in known or not known
        self._layout = self._layout if with_own_order else known
        self._stream = stream = new.add_stream(form.encoder, rate=source.rate_hz)
        context = stream.codec_context
        context.layout = self._layout
        context.format = form.sample_format
        if form.kbps:
            context.bit_rate = round(1000 * form.kbps)
        _describe(old, stream)
        context.open()
        self._quantizer = Quantizer(form.bits, dither=dither) if form.bits else None
        self._wide = form.sample_format == "dbl"
        # Encoders take frames of one length; the resampler cuts them.
        self._cutter: Any = av.AudioResampler(
            format=form.sample_format,
            layout=self._layout,
            rate=source.rate_hz,
            frame_size=context.frame_size or 1024,
        )
        self._fed = round(source.start_s * source.rate_hz)

    def feed(self, block: npt.NDArray[np.float64]) -> None:
        """Encode some frames of all channels."""
        import av

        own = block[:, self._channels]
        if self._quantizer is not None:
            bits = self._quantizer.bits
            samples: npt.NDArray[Any] = self._quantizer(own)
            kind = "s16" if bits == 16 else "s32"
            if bits == 16:
                samples = samples.astype(np.int16)
            else:
                samples = np.left_shift(samples, 32 - bits)
        else:
            kind = "dbl" if self._wide else "flt"
            samples = own.astype(np.float64 if self._wide else np.float32)
        packed = np.ascontiguousarray(samples).reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(packed, format=kind, layout=self._layout)
        frame.sample_rate = self._rate
        frame.pts = self._fed
        self._fed += len(own)
        self._encode(self._cutter.resample(frame))

    def finish(self) -> None:
        """Encode what is left."""
        self._encode(self._cutter.resample(None))
        self._new.mux(self._stream.encode(None))

    def _encode(self, frames: list[Any]) -> None:
        for frame in frames:
            self._new.mux(self._stream.encode(frame))


def _describe(old: Any, new: Any) -> None:
    """Copy what a file says of a track: names, language, and what it is for."""
    new.metadata.update({k: v for k, v in old.metadata.items() if k.lower() != "encoder"})
    new.disposition = old.disposition


def _codec_name(stream: Any) -> str:
    context = stream.codec_context
    return "none" if context is None else str(context.name)
