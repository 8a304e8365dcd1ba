"""Loudness and true peak of a long file: our meters beside libebur128, FFmpeg and pyloudnorm.

Makes a stereo and a mono WAV file (48 kHz, 24 bit) of speech, measures them with each meter in a
process of its own, one after another, as often as asked, and keeps the least CPU time of each::

    python -m tests.benchmarks.loudness --minutes 60 --write
    python -m tests.benchmarks.loudness --minutes 5 --repeat 3

The CPU time includes reading the file and leaves out starting Python and importing. The peak memory
is that of the whole process above a Python that has imported nothing. Everything runs on one
thread. ``--write`` puts the tables into ``docs/performance.md``.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

RATE = 48000
BLOCK = 192000
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
METERS = {
    "ours": "vocheck: I, M, S, range, true peak",
    "ffmpeg": "FFmpeg ebur128, peak=true: I, M, S, range, true peak",
    "libebur128": "libebur128: I, range, true peak",
    "pyloudnorm": "pyloudnorm: I",
    "read": "reading the file alone (libsndfile)",
}
COLD = """
from vocheck.audio.readers import open_audio
from vocheck.measurements.loudness import LoudnessMeter
from vocheck.measurements.true_peak import TruePeakMeter

with open_audio({path!r}) as file:
    loudness = LoudnessMeter(file.source.rate_hz, file.source.channels, file.source.layout)
    peak = TruePeakMeter(file.source.channels, file.source.rate_hz)
    for block in file.blocks():
        loudness.feed(block)
        peak.feed(block)
print(loudness.result().summary(), peak.result())
"""
"""What `ours` does, as a program of its own: without what this script itself imports."""
BARS = {"ffmpeg": 2.0, "libebur128": 4.0, "pyloudnorm": 7.0}
BAR_MEMORY_MB = 80
BAR_COLD_S = 0.35


def voices() -> list[np.ndarray]:
    """Return passages of speech at -23 dBFS: two synthetic voices, or the demo session's takes.

    The takes stand in where festival is not installed.
    """
    if shutil.which("festival"):
        from tests.material.speech import DEVELOPMENT_LINES, take

        found = [take(voice, DEVELOPMENT_LINES, level_dbfs=-23.0) for voice in ("slt", "kal")]
        return [voice.samples.astype(np.float32) for voice in found]
    from tests.benchmarks.booth import FAULTLESS
    from tests.material.demo_session import FOLDER
    from vocheck.voice.level import active_level

    takes = [soundfile.read(FOLDER / f"{name}.flac", dtype="float32")[0] for name in FAULTLESS]
    return [x * np.float32(10 ** ((-23.0 - active_level(x, RATE).dbfs) / 20)) for x in takes]


def make_file(path: Path, minutes: float, channels: int) -> None:
    """Write speech (with a bed of noise where there are two channels) of some length."""
    rng = np.random.default_rng(0)
    passages = voices()
    frames = round(minutes * 60 * RATE)
    with soundfile.SoundFile(path, "w", RATE, channels, "PCM_24") as file:
        while frames > 0:
            voice = passages[int(rng.integers(len(passages)))][:frames]
            gain = np.float32(10 ** (rng.uniform(-6.0, 0.0) / 20))
            bed = rng.standard_normal((len(voice), channels), np.float32)
            bed[1:] += bed[:-1]  # softer treble
            level = np.float32(1e-2 if channels == 2 else 2e-4)
            file.write(np.clip(voice[:, np.newaxis] * gain + bed * level, -1, 1))
            frames -= len(voice)


def ours(path: str) -> dict[str, float | None]:
    from vocheck.audio.readers import open_audio
    from vocheck.measurements.loudness import LoudnessMeter
    from vocheck.measurements.true_peak import TruePeakMeter

    with open_audio(path) as file:
        source = file.source
        loudness = LoudnessMeter(source.rate_hz, source.channels, source.layout)
        peak = TruePeakMeter(source.channels, source.rate_hz)
        for block in file.blocks():
            loudness.feed(block)
            peak.feed(block)
    return {
        "I": loudness.result().summary().integrated_lufs,
        "range": loudness.result().summary().range_lu,
        "peak": peak.result().level_dbtp,
    }


def libebur128(path: str) -> dict[str, float | None]:
    import pyebur128

    modes = pyebur128.MeasurementMode
    with soundfile.SoundFile(path) as file:
        state = pyebur128.R128State(
            file.channels,
            file.samplerate,
            modes.MODE_I | modes.MODE_LRA | modes.MODE_TRUE_PEAK,
        )
        for block in file.blocks(BLOCK, dtype="float32", always_2d=True):
            state.add_frames(block.ravel(), len(block))
        peak = max(pyebur128.get_true_peak(state, c) for c in range(file.channels))
    return {
        "I": pyebur128.get_loudness_global(state),
        "range": pyebur128.get_loudness_range(state),
        "peak": 20 * np.log10(peak),
    }


def ffmpeg(path: str) -> dict[str, float | None]:
    import av

    graph = av.filter.Graph()
    source = graph.add("amovie", f"filename={path}")
    meter = graph.add("ebur128", "peak=true:metadata=1:framelog=quiet")
    sink = graph.add("abuffersink")
    source.link_to(meter)
    meter.link_to(sink)
    graph.configure()
    last = None
    while True:
        try:
            last = sink.pull()
        except (av.error.EOFError, av.error.BlockingIOError):
            break
    metadata = last.metadata if last else {}
    return {
        "I": float(metadata["lavfi.r128.I"]),
        "range": float(metadata["lavfi.r128.LRA"]),
        "peak": 20 * np.log10(float(metadata["lavfi.r128.true_peak"])),
    }


def pyloudnorm(path: str) -> dict[str, float | None]:
    import pyloudnorm as package

    samples, rate = soundfile.read(path, always_2d=True)
    return {"I": package.Meter(rate).integrated_loudness(samples), "range": None, "peak": None}


def read(path: str) -> dict[str, float | None]:
    with soundfile.SoundFile(path) as file:
        for _ in file.blocks(BLOCK, dtype="float32", always_2d=True):
            pass
    return {"I": None, "range": None, "peak": None}


def work(meter: str, path: str, warm_up: str) -> None:
    """Measure one file in this process and print what it read and cost."""
    measure: Callable[[str], dict[str, float | None]] = globals()[meter]
    measure(warm_up)  # imports, and tables that are made once
    start = time.process_time()
    readings = measure(path)
    cpu_s = time.process_time() - start
    json.dump({"cpu_s": cpu_s, "peak_mb": peak_mb(), **readings}, sys.stdout)


def peak_mb() -> float:
    """Return the greatest memory this process has held (Linux counts from the start of Python)."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024


def run(*arguments: str) -> dict[str, float]:
    command = [sys.executable, "-m", "tests.benchmarks.loudness", *arguments]
    done = subprocess.run(
        command, env=os.environ | ONE_THREAD, capture_output=True, text=True, check=True
    )
    result: dict[str, float] = json.loads(done.stdout)
    return result


def interpreter_mb() -> float:
    code = "print(open('/proc/self/status').read().partition('VmHWM:')[2].split()[0])"
    return int(subprocess.check_output([sys.executable, "-c", code])) / 1024


def cold_s(code: str) -> float:
    """Return the CPU time of a new Python process that runs some code, imports and all."""
    times = []
    for _ in range(5):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(
            [sys.executable, "-c", code],
            env=os.environ | ONE_THREAD,
            check=True,
            stdout=subprocess.DEVNULL,
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(times)


def table(path: Path, warm_up: Path, seconds: float, repeat: int) -> str:
    """Run every meter on one file and return a Markdown table."""
    runs: dict[str, list[dict[str, float]]] = {meter: [] for meter in METERS}
    for _ in range(repeat):  # in turns, so that a busy moment of the machine meets all of them
        for meter in METERS:
            runs[meter].append(run("--worker", meter, str(path), str(warm_up)))
    best = {meter: min(found, key=lambda r: r["cpu_s"]) for meter, found in runs.items()}
    base_mb = interpreter_mb()
    lines = [
        "| meter | CPU s | x real time | time over ours | MB above Python | I | range | peak |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for meter, label in METERS.items():
        result = best[meter]
        ratio = result["cpu_s"] / best["ours"]["cpu_s"]
        bar = f" (bar {BARS[meter]:.0f})" if meter in BARS and path.stem == "stereo" else ""
        readings = " | ".join(
            "" if result[name] is None else f"{result[name]:.3f}" for name in ("I", "range", "peak")
        )
        memory = max(found["peak_mb"] for found in runs[meter]) - base_mb
        lines.append(
            f"| {label} | {result['cpu_s']:.2f} | {seconds / result['cpu_s']:.0f} "
            f"| {ratio:.2f}{bar} | {memory:.0f} | {readings} |"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--write", action="store_true", help="into docs/performance.md")
    parser.add_argument("--worker", nargs=3, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.worker:
        work(*arguments.worker)
        return
    from tests.benchmarks.sections import load, write_section

    busy = load()
    parts = []
    with tempfile.TemporaryDirectory() as folder:
        minute = Path(folder, "minute.wav")
        make_file(minute, 1.0, 2)
        for name, channels in (("stereo", 2), ("mono", 1)):
            path = Path(folder, f"{name}.wav")
            make_file(path, arguments.minutes, channels)
            found = table(path, minute, arguments.minutes * 60, arguments.repeat)
            parts.append(f"### {arguments.minutes:g} min, {name}\n\n{found}")
            print(parts[-1], flush=True)
            path.unlink()
        cold = cold_s(COLD.format(path=str(minute)))
        parts.append(
            f"One minute of stereo in a new process, Python and imports included: {cold:.2f} s of "
            f"CPU time (bar {BAR_COLD_S} s); importing numpy alone takes "
            f"{cold_s('import numpy'):.2f} s of it."
        )
        print(parts[-1])
    spoken_by = "two synthetic voices" if shutil.which("festival") else "the demo session"
    how = (
        f"Speech of {spoken_by}, 48 kHz, 24 bit; in stereo over a bed of noise. Least of "
        f"{arguments.repeat} runs in turns. Bars are for stereo; memory: {BAR_MEMORY_MB} MB. "
        f"Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}. "
        f"{busy}"
    )
    if arguments.write:
        write_section("loudness", "Loudness and true peak", "\n\n".join([how, *parts]))


if __name__ == "__main__":
    main()
