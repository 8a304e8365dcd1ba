"""Threads for many takes: the numeric libraries release the interpreter's lock."""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager


@contextmanager
def take_pool(jobs: int | None, takes: int) -> Iterator[Executor | None]:
    """Yield an executor for `takes` takes, or ``None`` where one at a time is as good."""
    workers = min(jobs or os.cpu_count() or 1, takes)
    if workers < 2:
        yield None
        return
    with ThreadPoolExecutor(workers) as executor:
        yield executor
