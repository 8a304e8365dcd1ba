"""Reading a file block by block: ours beside libsndfile and FFmpeg alone.

Writes two minutes of stereo noise (48 kHz) in each format and reads it in turns, on one thread, in
this process; keeps the least CPU time of each. Noise is the worst case for FLAC and ALAC::

    python -m tests.benchmarks.reading --write
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import av
import numpy as np
import soundfile

from vocheck.audio.readers import open_audio

RATE, SECONDS, BLOCK = 48000, 120, 192_000
LIBSNDFILE = {"PCM_16": "wav", "PCM_24": "wav", "PCM_32": "wav", "FLOAT": "wav", "FLAC": "flac"}
FFMPEG = {"libmp3lame": "mp3", "aac": "m4a", "alac": "m4a", "pcm_s24le": "mov", "libopus": "webm"}


def ours(path: str) -> int:
    """Read as vocheck does, checks included."""
    with open_audio(path) as file:
        return sum(len(block) for block in file.blocks(BLOCK))


def libsndfile(path: str) -> int:
    """Read with soundfile alone."""
    with soundfile.SoundFile(path) as file:
        wide = file.subtype == "PCM_32"
        dtype = "float64" if wide else "float32"
        return sum(len(block) for block in file.blocks(BLOCK, dtype=dtype, always_2d=True))


def ffmpeg(path: str) -> int:
    """Decode with PyAV alone, without turning the samples into floats."""
    with av.open(path) as container:
        return sum(frame.to_ndarray().size // 2 for frame in container.decode(audio=0))


def write_with_ffmpeg(path: Path, codec: str, samples: np.ndarray) -> None:
    """Write stereo float32 samples, shape (frames, 2), with an encoder of FFmpeg."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=RATE, layout="stereo")
        frame = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(samples.T), format="fltp", layout="stereo"
        )
        frame.sample_rate, frame.pts = RATE, 0
        size = stream.codec_context.frame_size or 4800
        resampler = av.AudioResampler(stream.codec_context.format, "stereo", RATE, size)
        for piece in [*resampler.resample(frame), *resampler.resample(None)]:
            container.mux(stream.encode(piece))
        container.mux(stream.encode(None))


def least(readers: list[Callable[[str], int]], path: str, repeat: int) -> list[float]:
    """Return the least CPU seconds of each reader, run in turns."""
    times: list[list[float]] = [[] for _ in readers]
    for _ in range(repeat):
        for reader, found in zip(readers, times, strict=True):
            start = time.process_time()
            reader(path)
            found.append(time.process_time() - start)
    return [min(found) for found in times]


def main() -> None:
    """Measure, print, and write the section when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeat", type=int, default=5)
    parser.add_argument("--write", action="store_true", help="into docs/performance.md")
    arguments = parser.parse_args()
    noise = np.random.default_rng(0).standard_normal((RATE * SECONDS, 2), np.float32) * 0.1
    rows = [
        "| file | ours, x real time | library alone, x real time | library's time over ours |",
        "|---|---|---|---|",
    ]
    with tempfile.TemporaryDirectory() as folder:
        files: list[tuple[str, str, Callable[[str], int]]] = []
        for codec, suffix in LIBSNDFILE.items():
            path = Path(folder, f"{codec}.{suffix}")
            soundfile.write(path, noise, RATE, subtype="PCM_24" if codec == "FLAC" else codec)
            files.append((f"{suffix.upper()} {codec}", str(path), libsndfile))
        for codec, suffix in FFMPEG.items():
            path = Path(folder, f"{codec}.{suffix}")
            write_with_ffmpeg(path, codec, noise)
            files.append((f"{suffix.upper()} {codec}", str(path), ffmpeg))
        for label, name, library in files:
            mine, other = least([ours, library], name, arguments.repeat)
            rows.append(
                f"| {label} | {SECONDS / mine:.0f} | {SECONDS / other:.0f} ({library.__name__}) "
                f"| {other / mine:.2f} |"
            )
            print(rows[-1], flush=True)
    how = (
        f"{SECONDS // 60} minutes of stereo noise at 48 kHz in blocks of {BLOCK} frames, one "
        f"thread, least of {arguments.repeat} runs in turns. Ours checks every sample for NaN and "
        "infinity; FFmpeg alone stops at its decoder's own sample format."
    )
    if arguments.write:
        from tests.benchmarks.sections import write_section

        write_section("reading", "Reading files", "\n".join([how, "", *rows]))


if __name__ == "__main__":
    main()
