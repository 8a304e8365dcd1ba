"""A second look at the same takes: `rank` and `comp` with what they measured before, and without.

Runs the real commands on takes of 20 s (parts of the demo session) three times each: without the
cache, with an empty one, and with the one they have then filled::

    python -m tests.benchmarks.cache --write
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from tests.benchmarks.cpu import run_measured
from tests.material.demo_session import FOLDER

RATE, SECONDS = 48_000, 20


def make_takes(folder: Path, count: int) -> None:
    """Write takes of five to a line, each of other parts of the demo session."""
    session = [soundfile.read(path)[0] for path in sorted(FOLDER.glob("0*_t*.flac"))]
    rng = np.random.default_rng(0)
    for k in range(count):
        x = np.concatenate([session[i] for i in rng.permutation(len(session))[:4]])
        name = f"{k // 5:02d}_line_t{k % 5 + 1}.wav"
        soundfile.write(folder / name, x[: SECONDS * RATE], RATE, "PCM_24")


def look(command: str, folder: Path, cache: Path, *options: str) -> tuple[float, str]:
    """Return the CPU time of a command on a folder in a new process, and what it prints."""
    never = ["--fail-on", "never"] if command == "rank" else []
    _, cpu, told = run_measured(
        [sys.executable, "-m", "vocheck", command, folder, *never, *options],
        {**os.environ, "VOCHECK_CACHE": str(cache)},
    )
    return cpu, told


def main() -> None:
    """Measure, print, and write the section when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=100)
    parser.add_argument("--write", action="store_true", help="into docs/performance.md")
    arguments = parser.parse_args()
    rows = [
        "| command | no cache, CPU s | empty cache | takes known | against no cache | MB kept |",
        "|---|---|---|---|---|---|",
    ]
    with tempfile.TemporaryDirectory() as root:
        folder = Path(root, "takes")
        folder.mkdir()
        make_takes(folder, arguments.takes)
        for command in ("rank", "comp"):
            cache = Path(root, command)
            without, *with_cache = (
                look(command, folder, cache, *options) for options in (["--no-cache"], [], [])
            )
            assert without[1] == with_cache[0][1] == with_cache[1][1], "the reports differ"
            spent = [without[0], with_cache[0][0], with_cache[1][0]]
            kept_mb = sum(entry.stat().st_size for entry in cache.iterdir()) / 1e6
            rows.append(
                f"| {command} | {spent[0]:.1f} | {spent[1]:.1f} | {spent[2]:.1f} "
                f"| {100 * spent[2] / spent[0]:.1f} % (bar 5 %) | {kept_mb:.1f} |"
            )
    how = (
        f"{arguments.takes} takes of {SECONDS} s, 48 kHz, 24 bits, in a new process each time, all "
        "processes and imports included; the reports are the same to the letter."
    )
    print("\n".join([*rows, how]))
    if arguments.write:
        from tests.benchmarks.sections import load, write_section

        write_section("cache", "A second look", "\n".join([how, load(), "", *rows]))


if __name__ == "__main__":
    main()
