"""Files of every kind with one tone per channel, made by FFmpeg (PyAV) and libsndfile."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import soundfile

RATE = 48_000

LAYOUTS = {
    **{1: "mono", 2: "stereo", 3: "3.0", 4: "4.0", 5: "5.0", 6: "5.1", 7: "6.1", 8: "7.1"},
    **{10: "5.1.4", 12: "7.1.4", 14: "9.1.4", 16: "9.1.6"},
}
"""FFmpeg's name for each number of channels; the others have only their number."""

LFE = {6: 3, 7: 3, 8: 3, 10: 3, 12: 3, 14: 3, 16: 3}
"""Which channel of `LAYOUTS` is the low-frequency effects, which encoders cut at 120 Hz."""


def layout_of(channels: int) -> str:
    return LAYOUTS.get(channels, f"{channels} channels")


def tone_hz(channels: int) -> list[int]:
    """Return the frequency of each channel's tone; 60 Hz where FFmpeg expects the effects."""
    return [60 if k == LFE.get(channels) else 300 + 100 * k for k in range(channels)]


def tones(channels: int, seconds: float = 1.0, rate: int = RATE) -> np.ndarray:
    """Return one tone per channel at -20 dBFS peak, float32 (frames, channels)."""
    time_s = np.arange(round(seconds * rate))[:, np.newaxis] / rate
    return (0.1 * np.sin(2 * np.pi * np.array(tone_hz(channels)) * time_s)).astype(np.float32)


def found_hz(samples: np.ndarray, rate: int = RATE) -> list[int]:
    """Return the strongest component of each channel in the middle half second."""
    start = (len(samples) - rate // 2) // 2
    middle = samples[start : start + rate // 2].astype(np.float64)
    return [2 * int(np.argmax(np.abs(np.fft.rfft(channel)))) for channel in middle.T]


def write(path: Path, codec: str, samples: np.ndarray, **options: str) -> Path:
    """Write float samples (frames, channels) with FFmpeg's encoder `codec`."""
    layout = layout_of(samples.shape[1])
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=RATE, layout=layout, options=options)
        packed = np.ascontiguousarray(samples, np.float32).reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(packed, format="flt", layout=layout)
        frame.sample_rate = RATE
        frame.pts = 0
        resampler = av.AudioResampler(
            stream.codec_context.format, layout, RATE, stream.codec_context.frame_size or 4800
        )
        for piece in [*resampler.resample(frame), *resampler.resample(None)]:
            container.mux(stream.encode(piece))
        container.mux(stream.encode(None))
    return path


def write_by_libsndfile(path: Path, form: str, subtype: str, samples: np.ndarray) -> Path:
    with soundfile.SoundFile(
        path, "w", RATE, samples.shape[1], format=form, subtype=subtype
    ) as file:
        # In pieces: libsndfile 1.2.2 overruns its stack on one long Vorbis write.
        for start in range(0, len(samples), 4800):
            file.write(samples[start : start + 4800])
    return path
