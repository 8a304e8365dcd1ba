"""A lossy codec, there and back: what its decoder gives for what its encoder is fed.

Lossy coding changes the waveform, and peaks that stood just below full scale come back above it.
By how much depends on the sound, the codec and its bit rate, so it is tried rather than assumed:
the sound is encoded and decoded packet by packet in memory. The encoders are FFmpeg's. A platform's
own encoder, its settings and its version are not known, so the result is a *prediction*, to be
worded with its encoder: "with FFmpeg's AAC at 128 kb/s". It is meant for programme: with a few
steady tones, which no codec is tuned for, FFmpeg's AAC overshoots by several dB.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from vocheck.audio.frames import from_array, to_array
from vocheck.errors import TargetError

LAYOUTS = {1: "mono", 2: "stereo", 3: "3.0", 4: "4.0", 5: "5.0", 6: "5.1", 7: "6.1", 8: "7.1"}
"""FFmpeg's name of the usual order of so many channels."""

LOUDEST = 1e3
"""60 dB over full scale. FFmpeg's AAC encoder never comes back from numbers far above."""


@dataclass(frozen=True)
class _Kind:
    name: str
    encoder: str
    decoder: str
    sample_format: str
    rates: tuple[int, ...]
    channels: int


_KINDS = {
    "aac": _Kind(
        "AAC",
        "aac",
        "aac",
        "fltp",
        (96000, 88200, 64000, 48000, 44100, 32000, 24000, 22050, 16000, 12000, 11025, 8000),
        8,
    ),
    "mp3": _Kind(
        "MP3",
        "libmp3lame",
        "mp3float",
        "fltp",
        (48000, 44100, 32000, 24000, 22050, 16000, 12000, 11025, 8000),
        2,
    ),
    "opus": _Kind("Opus", "libopus", "opus", "flt", (48000,), 2),
    "mulaw": _Kind("G.711", "pcm_mulaw", "pcm_mulaw", "s16", (8000,), 1),
}

CODECS = tuple(_KINDS)
"""The codecs that can be tried."""


@dataclass(frozen=True)
class Coding:
    """A codec and its bit rate.

    Attributes
    ----------
    codec : {"aac", "mp3", "opus", "mulaw"}
    bitrate_kbps : int
    """

    codec: str
    bitrate_kbps: int

    def __str__(self) -> str:
        return f"FFmpeg's {_KINDS[self.codec].name} at {self.bitrate_kbps} kb/s"

    @property
    def name(self) -> str:
        """The codec's trade name."""
        return _KINDS[self.codec].name


def parse_codings(text: str) -> tuple[Coding, ...]:
    """Return what ``aac:128,opus:96`` asks for.

    Raises
    ------
    TargetError
        If a codec is unknown, or a bit rate is missing or no plausible number.
    """
    return tuple(_parse(part.strip()) for part in text.split(",") if part.strip())


def _parse(text: str) -> Coding:
    codec, _, rate = text.lower().partition(":")
    if codec not in _KINDS:
        raise TargetError(f"{text}: unknown codec {codec!r}; known are {', '.join(CODECS)}")
    if not rate.isdecimal() or not 8 <= int(rate) <= 640:
        raise TargetError(f"{text}: wants a bit rate from 8 to 640 kb/s, e.g. {codec}:128")
    return Coding(codec, int(rate))


class RoundTrip:
    """An encoder and a decoder in a row; blocks in, decoded blocks out, in constant memory.

    Parameters
    ----------
    coding : Coding
    rate_hz, channels : int
        Of the sound that is fed in. A rate that the codec does not know is converted to its next.

    Attributes
    ----------
    rate_hz : int
        Of what comes out.

    Raises
    ------
    TargetError
        If the codec takes no such sound; the message says why.
    """

    def __init__(self, coding: Coding, rate_hz: int, channels: int) -> None:
        import av

        kind = _KINDS[coding.codec]
        if channels > kind.channels or channels not in LAYOUTS:
            most = "one channel" if kind.channels == 1 else f"up to {kind.channels} channels"
            raise TargetError(f"{coding}: tried with {most} only, not with {channels}")
        higher = [rate for rate in kind.rates if rate >= rate_hz]
        self.rate_hz = min(higher, default=max(kind.rates))
        self._kind = kind
        self._layout = LAYOUTS[channels]
        self._input_rate = rate_hz
        self._fed = 0
        self._encoder = encoder = _context(kind.encoder, "w")
        encoder.sample_rate = self.rate_hz
        encoder.layout = self._layout
        encoder.format = kind.sample_format
        encoder.bit_rate = coding.bitrate_kbps * 1000
        try:
            encoder.open()
        except av.FFmpegError as error:
            raise TargetError(
                f"{coding}: the encoder refuses {channels} channels at {self.rate_hz} Hz"
            ) from error
        # Encoders take frames of one length; the resampler cuts them (and converts where needed).
        self._cutter: Any = av.AudioResampler(
            format=kind.sample_format,
            layout=self._layout,
            rate=self.rate_hz,
            frame_size=encoder.frame_size or 1024,
        )
        self._decoder = decoder = _context(kind.decoder, "r")
        decoder.sample_rate = self.rate_hz
        decoder.layout = self._layout
        if encoder.extradata:
            decoder.extradata = encoder.extradata

    def feed(self, block: npt.NDArray[Any]) -> Iterator[npt.NDArray[np.float32]]:
        """Encode a block (frames, channels) and yield blocks of what the decoder has ready.

        Samples beyond `LOUDEST` are clipped.
        """
        if max(block.max(initial=0), -block.min(initial=0)) > LOUDEST:
            block = np.clip(block, -LOUDEST, LOUDEST)
        frame = from_array(block, self._layout)
        frame.sample_rate = self._input_rate
        frame.pts = self._fed
        self._fed += len(block)
        yield from self._through(self._cutter.resample(frame))

    def finish(self) -> Iterator[npt.NDArray[np.float32]]:
        """Yield what the codec still holds."""
        yield from self._through(self._cutter.resample(None))
        yield from self._decoded(self._encoder.encode(None))
        for frame in self._decoder.decode(None):
            yield self._samples(frame)

    def _through(self, frames: list[Any]) -> Iterator[npt.NDArray[np.float32]]:
        for frame in frames:
            yield from self._decoded(self._encoder.encode(frame))

    def _decoded(self, packets: list[Any]) -> Iterator[npt.NDArray[np.float32]]:
        for packet in packets:
            for frame in self._decoder.decode(packet):
                yield self._samples(frame)

    def _samples(self, frame: Any) -> npt.NDArray[np.float32]:
        raw = to_array(frame)
        scale = 1.0 if raw.dtype.kind == "f" else 2.0 ** (1 - 8 * raw.dtype.itemsize)
        samples: npt.NDArray[np.float32] = np.multiply(raw, scale, dtype=np.float32)
        return samples


def _context(name: str, mode: Literal["r", "w"]) -> Any:
    import av

    return av.CodecContext.create(name, mode)
