"""From the last byte of a take to its verdict: `vocheck watch` as it runs in the booth.

Starts the real command on an empty folder, writes takes of 10, 20 and 60 s into it (the demo
session's, one after another), and waits until the verdict of each is in the results file. The clock
starts when the last byte is written, so waiting for the file to settle is part of it::

    python -m tests.benchmarks.booth --write

The CPU time of measuring alone is given beside it, since a busy machine makes the delay longer.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from tests.material.demo_session import FOLDER
from vocheck.session.take import check_take

RATE = 48000
BARS_S = {10: 1.0, 20: 1.0, 60: 1.0}
FAULTLESS = ("01_river_t4", "02_kiln_t3", "03_hands_t1", "04_bowl_t2")


def speech(seconds: int) -> np.ndarray:
    """Return the faultless takes of the demo session, joined to this length."""
    takes = [soundfile.read(FOLDER / f"{name}.flac")[0] for name in FAULTLESS]
    return np.resize(np.concatenate(takes), seconds * RATE)


def delay_s(folder: Path, results: Path, samples: np.ndarray, name: str) -> float:
    """Write a take in pieces, as a recorder does, and return how long its verdict takes."""
    before = results.read_text().count("\n")
    with soundfile.SoundFile(folder / name, "w", RATE, 1, "PCM_24") as file:
        for start in range(0, len(samples), RATE // 2):
            file.write(samples[start : start + RATE // 2])
    end = time.perf_counter()
    while results.read_text().count("\n") == before:
        time.sleep(0.005)
        if time.perf_counter() - end > 60:
            raise TimeoutError("no verdict within a minute")
    return time.perf_counter() - end


def cpu_s(path: Path, repeat: int) -> float:
    """Return the least CPU time of reading, measuring and judging a take."""
    times = []
    for _ in range(repeat):
        start = time.process_time()
        check_take(path)
        times.append(time.process_time() - start)
    return min(times)


def main() -> None:
    """Measure, print, and write the section when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeat", type=int, default=5)
    parser.add_argument("--write", action="store_true", help="into docs/performance.md")
    arguments = parser.parse_args()
    rows = [
        "| take | last byte to verdict, s: least / median (bar) | CPU s to measure and judge |",
        "|---|---|---|",
    ]
    with tempfile.TemporaryDirectory() as root:
        folder = Path(root)
        results = folder / "vocheck-watch.jsonl"
        booth = subprocess.Popen(
            [sys.executable, "-m", "vocheck", "watch", root, "--no-cache"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
            text=True,
        )
        assert booth.stdout is not None
        booth.stdout.readline()  # "Standing by"
        time.sleep(1.0)
        try:
            for seconds, bar in BARS_S.items():
                samples = speech(seconds)
                names = [f"{seconds}s_t{number}.wav" for number in range(arguments.repeat)]
                found = sorted(delay_s(folder, results, samples, name) for name in names)
                cost = cpu_s(folder / names[0], arguments.repeat)
                rows.append(
                    f"| {seconds} s | {found[0]:.2f} / {found[len(found) // 2]:.2f} ({bar:g}) "
                    f"| {cost:.2f} |"
                )
                print(rows[-1], flush=True)
        finally:
            booth.send_signal(signal.SIGINT)
            booth.communicate()
    how = (
        f"Least and median of {arguments.repeat} takes of each length, the command looking at the "
        "folder every 0.2 s."
    )
    if arguments.write:
        from tests.benchmarks.sections import write_section

        write_section("booth", "In the booth", "\n".join([how, "", *rows]))


if __name__ == "__main__":
    main()
