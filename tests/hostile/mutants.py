"""Damaged copies of files of every format, each from a number; and workers that try them.

The same number makes the same file, so a case that was found is told by its number alone.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.audio.files import tones, write, write_by_libsndfile
from tests.audio.test_metadata import IXML, bext, take

MEMORY_BYTES = 3 << 30
"""Of address space, most of which libraries map and never touch; the bar is 1 GB of memory."""

SECONDS, WALL_SECONDS = 20, 120
"""A case that takes longer counts as hung: of processor time, and by the clock (a busy machine)."""

MEASURED_EVERY = 8
"""Measuring takes a hundred times as long as reading, so it is done for one case in eight."""


def make_seeds(folder: Path) -> list[bytes]:
    """Return whole files of every format."""
    sound = tones(2, 0.4)
    libsndfile = [
        *[("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAVEX", "FLOAT"), ("RF64", "PCM_24")],
        *[("W64", "PCM_16"), ("AIFF", "PCM_24"), ("CAF", "PCM_24"), ("CAF", "ALAC_16")],
        *[("FLAC", "PCM_24"), ("OGG", "VORBIS"), ("OGG", "OPUS"), ("AU", "PCM_16")],
        *[("WAV", "IMA_ADPCM"), ("WAV", "ULAW"), ("WAV", "DOUBLE")],
    ]
    ffmpeg = [
        *[("a.mp3", "libmp3lame"), ("a.m4a", "aac"), ("b.m4a", "alac"), ("a.mov", "pcm_s24le")],
        *[("a.mkv", "flac"), ("a.webm", "libopus"), ("b.mkv", "ac3"), ("a.ts", "aac")],
        *[("a.avi", "pcm_s16le"), ("a.aac", "aac"), ("a.flac", "flac"), ("a.mp4", "aac")],
    ]
    files = [
        write_by_libsndfile(folder / f"{form}.{subtype}", form, subtype, sound)
        for form, subtype in libsndfile
    ]
    files += [write(folder / name, codec, sound) for name, codec in ffmpeg]
    files.append(write(folder / "surround.mp4", "aac", tones(8, 0.4)))
    ixml = IXML.format(encoding="utf-8").encode()
    files.append(take(folder / "take.wav", (b"bext", bext()), (b"iXML", ixml)))
    return [path.read_bytes() for path in files]


def mutate(raw: bytes, rng: np.random.Generator) -> bytes:
    """Return a copy with one to four things wrong with it, most often near its head."""
    copy = bytearray(raw)
    for _ in range(int(rng.integers(1, 5))):
        if not copy:
            break
        reach = min(len(copy), 600) if rng.random() < 0.6 else len(copy)
        at = int(rng.integers(reach))
        length = int(rng.choice([1, 2, 4, 8, 64, 1000]))
        match int(rng.integers(8)):
            case 0:
                copy[at : at + length] = rng.bytes(len(copy[at : at + length]))
            case 1:
                copy[at : at + length] = bytes(len(copy[at : at + length]))
            case 2:
                copy[at] ^= 1 << int(rng.integers(8))
            case 3:
                del copy[at:]
            case 4:
                del copy[at : at + length]
            case 5:
                copy[at:at] = copy[at : at + length]
            case 6:
                extreme = int(rng.choice([0, 1, 2**31 - 1, 2**31, 2**32 - 1]))
                order = "little" if rng.random() < 0.5 else "big"
                copy[at : at + 4] = extreme.to_bytes(4, order)[: len(copy[at : at + 4])]
            case 7:
                copy[at : at + length] = b"\xff" * len(copy[at : at + length])
    return bytes(copy)


def try_case(seeds: Sequence[bytes], number: int, path: Path) -> str:
    """Return "read" or the one line that refuses the file; raise whatever else happens."""
    from vocheck.audio import read, read_metadata
    from vocheck.errors import AudioError
    from vocheck.measurements import measure

    rng = np.random.default_rng(number)
    path.write_bytes(mutate(seeds[number % len(seeds)], rng))
    read_metadata(path)
    try:
        recording = read(path)
    except AudioError as error:
        if "\n" in str(error) or str(path) not in str(error):
            raise AssertionError(f"no one line that names the file: {error}") from error
        return str(error)
    if number // len(seeds) % MEASURED_EVERY == 0:
        measure(recording)
    return "read"


@dataclass(frozen=True)
class Failure:
    """A case that did not end as it must."""

    number: int
    what: str


def run(numbers: range) -> tuple[int, list[Failure]]:
    """Try cases in a worker of little memory, restarted where it dies.

    Returns
    -------
    read : int
        How many were read rather than refused.
    failures : list of Failure
    """
    read_count, failures, left = 0, [], numbers
    while left:
        said = subprocess.run(
            [sys.executable, "-m", "tests.hostile.mutants", str(left.start), str(left.stop)]
            + [str(left.step)],
            capture_output=True,
            text=True,
            check=False,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )
        begun = None
        for line in said.stdout.splitlines():
            word, number, what = (*line.split(" ", 2), "")[:3]
            if word == "begin":
                begun = int(number)
            elif word == "end":
                begun = None
                read_count += what == "read"
            elif word == "failed":
                begun = None
                failures.append(Failure(int(number), what))
        if begun is None and said.returncode == 0:
            break
        if begun is None:
            raise RuntimeError(f"the worker did not start: {said.stderr[-2000:]}")
        failures.append(
            Failure(begun, f"ended the process: {said.returncode} {said.stderr[-300:]}")
        )
        left = range(begun + left.step, left.stop, left.step)
    return read_count, failures


def _work(numbers: range) -> None:
    import resource
    import signal
    import warnings

    warnings.simplefilter("ignore")
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    with tempfile.TemporaryDirectory() as folder:
        seeds = make_seeds(Path(folder))
        for number in numbers:
            print("begin", number, flush=True)
            signal.setitimer(signal.ITIMER_PROF, SECONDS)  # each of them ends the process
            signal.alarm(WALL_SECONDS)
            try:
                outcome = try_case(seeds, number, Path(folder) / "take.wav")
            except Exception:
                reason = traceback.format_exc().replace("\n", " | ")
                print("failed", number, reason, flush=True)
            else:
                print("end", number, "read" if outcome == "read" else "refused", flush=True)
            signal.setitimer(signal.ITIMER_PROF, 0)
            signal.alarm(0)


def forever(workers: int, first: int, batch: int = 400) -> Iterator[range]:
    """Yield ever new ranges of case numbers."""
    while True:
        yield range(first, first + batch * workers)
        first += batch * workers


if __name__ == "__main__":
    _work(range(*map(int, sys.argv[1:4])))
