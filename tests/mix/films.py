"""Small films made with FFmpeg's encoders, for tests of what is copied and what is not."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

RATE = 48000
FRAMES_PER_S = 25


@dataclass(frozen=True)
class Sound:
    """A track of sound: samples (frames, channels), codec, what it takes, and when it starts."""

    samples: np.ndarray
    codec: str = "pcm_s24le"
    kind: str = "s32"
    start_s: float = 0.0
    title: str = ""


def film(path: Path, sounds: list[Sound], timecode: str = "") -> Path:
    """Write a film of moving bars with some tracks of sound, and return its path."""
    with av.open(str(path), "w") as out:
        picture = out.add_stream("mpeg4", rate=FRAMES_PER_S)
        picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        picture.codec_context.max_b_frames = 2
        out.metadata["title"] = "Portrait of a potter"
        if timecode:
            picture.metadata["timecode"] = timecode
        tracks = [_open(out, sound) for sound in sounds]
        seconds = max(len(sound.samples) / RATE + sound.start_s for sound in sounds)
        for number in range(round(seconds * FRAMES_PER_S)):
            image = np.full((48, 64, 3), number % 200, np.uint8)
            image[:, number % 60 : number % 60 + 4] = 220
            frame = av.VideoFrame.from_ndarray(image, "rgb24")
            frame.pts = number
            out.mux(picture.encode(frame))
        out.mux(picture.encode(None))
        for sound, (stream, cutter) in zip(sounds, tracks, strict=True):
            layout = "mono" if sound.samples.shape[1] == 1 else "stereo"
            packed = np.ascontiguousarray(sound.samples, np.float32).reshape(1, -1)
            whole = av.AudioFrame.from_ndarray(packed, format="flt", layout=layout)
            whole.sample_rate, whole.pts = RATE, round(sound.start_s * RATE)
            for frame in [*cutter.resample(whole), *cutter.resample(None)]:
                out.mux(stream.encode(frame))
            out.mux(stream.encode(None))
    return path


def _open(out: Any, sound: Sound) -> tuple[Any, Any]:
    layout = "mono" if sound.samples.shape[1] == 1 else "stereo"
    stream = out.add_stream(sound.codec, rate=RATE)
    stream.codec_context.layout, stream.codec_context.format = layout, sound.kind
    stream.metadata["language"] = "eng"
    if sound.title:
        stream.metadata["title"] = sound.title
    stream.codec_context.open()
    size = stream.codec_context.frame_size or 1024
    cutter = av.AudioResampler(format=sound.kind, layout=layout, rate=RATE, frame_size=size)
    return stream, cutter


def packets(path: Path, kind: str, number: int = 0) -> list[tuple[Fraction, bytes]]:
    """Return times and contents of the packets of a track, as FFmpeg's demuxer gives them."""
    with av.open(str(path)) as file:
        stream = [stream for stream in file.streams if stream.type == kind][number]
        return [
            (packet.pts * stream.time_base, bytes(packet))
            for packet in file.demux(stream)
            if packet.dts is not None
        ]
