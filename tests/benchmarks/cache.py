"""A second look at the same takes: `vocheck rank` with what it measured before, and without.

Runs the real command on takes of 20 s (parts of the demo session) three times: without the cache,
with an empty one, and with the one it has then filled::

    python -m tests.benchmarks.cache --write
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

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


def cpu_s(folder: Path, cache: Path, *options: str) -> tuple[float, str]:
    """Return the CPU time of ranking a folder in a new process, and what it prints."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-m", "vocheck", "rank", folder, "--fail-on", "never", *options],
        env={**os.environ, "VOCHECK_CACHE": str(cache)},
        capture_output=True,
        check=True,
        text=True,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return spent, done.stdout


def main() -> None:
    """Measure, print, and write the section when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=100)
    parser.add_argument("--write", action="store_true", help="into docs/performance.md")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as root:
        folder, cache = Path(root, "takes"), Path(root, "cache")
        folder.mkdir()
        make_takes(folder, arguments.takes)
        runs = [cpu_s(folder, cache, "--no-cache"), cpu_s(folder, cache), cpu_s(folder, cache)]
        size_kb = sum(entry.stat().st_size for entry in cache.iterdir()) / 1000
    assert runs[0][1] == runs[1][1] == runs[2][1], "the reports differ"
    without, filling, known = (spent for spent, _ in runs)
    rows = [
        "| `vocheck rank` | CPU s | against no cache |",
        "|---|---|---|",
        f"| without the cache | {without:.1f} | 1 |",
        f"| with an empty one | {filling:.1f} | {filling / without:.2f} |",
        f"| takes known | {known:.1f} | {known / without:.2f} |",
    ]
    how = (
        f"{arguments.takes} takes of {SECONDS} s, 48 kHz, 24 bits, in a new process each time; the "
        f"reports are the same to the letter. The cache then holds {size_kb:.0f} kB."
    )
    print("\n".join([*rows, how]))
    if arguments.write:
        from tests.benchmarks.sections import load, write_section

        write_section("cache", "A second look", "\n".join([how, load(), "", *rows]))


if __name__ == "__main__":
    main()
