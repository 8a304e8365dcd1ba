"""What a command costs: the time it takes, and the CPU time of all processes that it starts."""

from __future__ import annotations

import ctypes
import os
import resource
import subprocess
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress

PR_SET_CHILD_SUBREAPER = 36  # linux/prctl.h


def run_measured(
    command: Sequence[str | os.PathLike[str]], env: Mapping[str, str] | None = None
) -> tuple[float, float, str]:
    """Run a command; return its wall time, its CPU time and what it printed.

    Workers are children of a server that outlives the command by a moment. This process adopts what
    is left behind (Linux), waits for its end, and so counts its time.
    """
    ctypes.CDLL(None).prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)
    before, start = _spent_s(), time.perf_counter()
    done = subprocess.run(command, env=env, stdout=subprocess.PIPE, text=True, check=False)
    wall = time.perf_counter() - start
    if done.returncode > 1:
        raise RuntimeError(f"{command} gave {done.returncode}")
    with suppress(ChildProcessError):
        while True:
            os.waitpid(-1, 0)
    return wall, _spent_s() - before, done.stdout


def _spent_s() -> float:
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime
