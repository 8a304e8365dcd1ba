"""A take from samples to facts, and `vocheck take` from a cold start to its verdict.

Measures a minute of speech (the faultless takes of the demo session, joined; 48 kHz, one channel)
on one thread: all measurements together, then each by itself, after the intermediates they share.
Then the command, as a new process, on takes of 8 and 20 s (WAV, 24 bit)::

    python -m tests.benchmarks.take --write

Each number is the least of the runs. The parts are timed in the order in which `measure` runs them,
each on a recording whose shared intermediates stand ready.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from tests.benchmarks.booth import RATE, speech
from tests.benchmarks.loudness import ONE_THREAD
from tests.benchmarks.sections import load, write_section
from vocheck.measurements import MEASUREMENTS, group_name, measure
from vocheck.measurements.loudness import energies_of
from vocheck.recording import Recording
from vocheck.voice.activity import activity_of
from vocheck.voice.channel import spectrogram_of, voice_at
from vocheck.voice.level import active_level_of
from vocheck.voice.pitch import pitch_of

SECONDS = 60
BAR_REAL_TIME = 60
COLD_S = (8, 20)
BAR_COLD_S = 1.0
INTERMEDIATES: dict[str, Callable[[Recording], object]] = {
    "voice at 16 kHz": lambda r: voice_at(r, 16000),
    "voice at 4 kHz": lambda r: voice_at(r, 4000),
    "voice at 1 kHz": lambda r: voice_at(r, 1000),
    "K-weighted energies": energies_of,
    "spectrogram": spectrogram_of,
    "activity": activity_of,
    "active level": active_level_of,
    "pitch": pitch_of,
}


def cpu_s(work: Callable[[], object]) -> float:
    """Return the CPU time of some work."""
    start = time.process_time()
    work()
    return time.process_time() - start


def parts(samples: np.ndarray) -> dict[str, float]:
    """Return the CPU seconds of one run: all together, each intermediate, each measurement."""
    found = {"all": cpu_s(lambda: measure(Recording(samples, RATE)))}
    recording = Recording(samples, RATE)
    for name, intermediate in INTERMEDIATES.items():
        found[name] = cpu_s(lambda: intermediate(recording))  # noqa: B023 (run at once)
    for module in MEASUREMENTS:
        found[group_name(module)] = cpu_s(lambda: module.measure(recording))  # noqa: B023
    return found


def cold_s(path: Path) -> float:
    """Return the CPU seconds of a new `vocheck take` process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-m", "vocheck", "take", str(path), "--no-cache"],
        env=os.environ | ONE_THREAD,
        capture_output=True,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 1):  # nothing to fix, or findings
        raise SystemExit(f"vocheck take {path}: exit status {done.returncode}")
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def table(best: dict[str, float]) -> str:
    """Return the shares of intermediates and measurements as a Markdown table."""
    whole = best["all"]
    rows = ["| part | CPU ms per minute | share |", "|---|---|---|"]
    groups = [group_name(module) for module in MEASUREMENTS]
    for title, names in (
        ("shared intermediates", list(INTERMEDIATES)),
        ("measurements", groups),
    ):
        total = sum(best[name] for name in names)
        rows.append(f"| **{title}, together** | {total * 1e3:.0f} | {total / whole:.0%} |")
        rows += [
            f"| {name.replace('_', ' ')} | {best[name] * 1e3:.1f} | {best[name] / whole:.1%} |"
            for name in sorted(names, key=lambda name: -best[name])
        ]
    return "\n".join(rows)


def main() -> None:
    """Measure, print, and write the section when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeat", type=int, default=7)
    parser.add_argument("--write", action="store_true", help="into docs/performance.md")
    arguments = parser.parse_args()
    if any(os.environ.get(name) != "1" for name in ONE_THREAD):  # numpy has read them already
        again = [sys.executable, "-m", "tests.benchmarks.take", *sys.argv[1:]]
        raise SystemExit(subprocess.run(again, env=os.environ | ONE_THREAD).returncode)
    samples = speech(SECONDS)
    measure(Recording(samples[: 5 * RATE], RATE))  # imports, and tables that are made once
    runs = [parts(samples) for _ in range(arguments.repeat)]
    best = {name: min(run[name] for run in runs) for name in runs[0]}
    text = [
        f"One minute of speech, 48 kHz, one channel, one thread, least of {arguments.repeat} runs. "
        f"Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}. "
        f"{load()}",
        f"All measurements together take {best['all']:.2f} s of CPU time: "
        f"{SECONDS / best['all']:.0f} times real time (bar {BAR_REAL_TIME}).",
        table(best),
    ]
    with tempfile.TemporaryDirectory() as folder:
        rows = ["| `vocheck take`, new process | CPU s |", "|---|---|"]
        for seconds in COLD_S:
            path = Path(folder, f"line_t{seconds}.wav")
            soundfile.write(path, speech(seconds), RATE, subtype="PCM_24")
            cpu = min(cold_s(path) for _ in range(5))
            bar = f" (bar {BAR_COLD_S:.0f})" if seconds == max(COLD_S) else ""
            rows.append(f"| take of {seconds} s | {cpu:.2f}{bar} |")
        text.append("\n".join(rows))
    text.append(
        "A command pays for starting Python and for importing numpy, scipy and soundfile once, "
        "whatever the number of takes. `vocheck watch` has paid for it before the first take."
    )
    print("\n\n".join(text))
    if arguments.write:
        write_section("take", "A take", "\n\n".join(text))


if __name__ == "__main__":
    main()
