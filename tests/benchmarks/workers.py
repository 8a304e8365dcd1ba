"""Many takes one after another, in threads and in processes.

Twelve takes of 20 s (parts of the demo session), measured and judged by `vocheck.check_all` in a
new process each time::

    python -m tests.benchmarks.workers --write
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.cache import SECONDS, make_takes
from tests.benchmarks.cpu import run_measured

TAKES, RUNS = 12, 3
IDLE_LOAD = 1.0
"""Above this load beside our own workers, a wall time says more of the other programs."""
PROGRAM = """
import sys
from concurrent.futures import ThreadPoolExecutor
import vocheck
from vocheck.session.workers import WorkerPool
how, workers, *takes = sys.argv[1:]
if how == "one by one":
    done = list(vocheck.check_all(takes))
else:
    with {"threads": ThreadPoolExecutor, "processes": WorkerPool}[how](int(workers)) as executor:
        done = list(vocheck.check_all(takes, executor=executor))
assert all(isinstance(take, vocheck.TakeResult) for take in done)
"""


def main() -> None:
    """Measure, print, and write the section when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="into docs/performance.md")
    arguments = parser.parse_args()
    cores = os.cpu_count() or 1
    env = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    rows = ["| takes | how | wall s | CPU s |", "|---|---|---|---|"]
    with tempfile.TemporaryDirectory() as root:
        make_takes(Path(root), TAKES)
        files = sorted(map(str, Path(root).glob("*.wav")))
        for count in (1, TAKES):
            for how in ("one by one", "threads", "processes"):
                command = [sys.executable, "-c", PROGRAM, how, str(cores), *files[:count]]
                idle = os.getloadavg()[0] < IDLE_LOAD + cores
                runs = [run_measured(command, env)[:2] for _ in range(RUNS)]
                wall, cpu = (min(run[i] for run in runs) for i in (0, 1))
                waited = f"{wall:.1f}" if idle else "busy"
                rows.append(f"| {count} | {how} | {waited} | {cpu:.1f} |")
    how_measured = (
        f"{TAKES} takes of {SECONDS} s, 48 kHz, on {cores} cores with a worker on each; Python and "
        f"imports included, least of {RUNS} runs; wall time where little else ran, else *busy*. "
        "Processes pay for imports twice and are safe: a take that crashes one costs itself only. "
        "So the commands use them for two takes or more."
    )
    print("\n".join([*rows, how_measured]))
    if arguments.write:
        from tests.benchmarks.sections import load, write_section

        section = "\n".join([how_measured, load(), "", *rows])
        write_section("workers", "Threads and processes", section)


if __name__ == "__main__":
    main()
