"""Processes for many takes: a file that crashes its process costs itself only."""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from functools import partial


@contextmanager
def take_pool(jobs: int | None, takes: int) -> Iterator[Executor | None]:
    """Yield an executor for `takes` takes, or ``None`` for one.

    A single take is measured in this process: starting another costs as much again, and where it
    crashes there is no other file to go on with.
    """
    if takes < 2:
        yield None
        return
    with _pool(min(jobs or _cores(), takes)) as executor:
        yield executor


def lasting_pool() -> Executor:
    """Return an executor for takes that come one by one: none may end the session."""
    return _pool(_cores())


def _pool(workers: int) -> Executor:
    from vocheck.session.cache import kept_in, remember_in
    from vocheck.session.workers import WorkerPool

    folder = kept_in()
    return WorkerPool(workers, None if folder is None else partial(remember_in, folder))


def _cores() -> int:
    return os.cpu_count() or 1
