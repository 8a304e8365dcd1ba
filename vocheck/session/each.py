"""Doing the same to many takes: whatever goes wrong with one file is that file's line.

The work is a module-level function of a `TakeFile` that returns something small and picklable, so
that threads, processes and the machines of a cluster can do it (`concurrent.futures.Executor`).
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from typing import TypeVar

from vocheck.errors import VocheckError
from vocheck.results import Result
from vocheck.session.cache import Cache
from vocheck.session.settings import Settings
from vocheck.session.takefile import TakeFile
from vocheck.session.workers import WorkerDied

T = TypeVar("T")

AT_ONCE = 1000
"""Work handed to an executor ahead of the result that is waited for."""


@dataclass(frozen=True, kw_only=True)
class Failure(Result):
    """A file that could not be done: its path and one line saying why."""

    path: str
    error: str


def each(
    work: Callable[[TakeFile], T],
    paths: Iterable[str | os.PathLike[str]],
    settings: Settings,
) -> Iterator[T | Failure]:
    """Yield what `work` returns of each take, in order, or a `Failure` that says why not.

    With an executor, what is known of a take is recalled here, and the rest is given away.

    Parameters
    ----------
    work : callable
        Module-level and picklable, where there is an executor; a `partial` of one is as well.
    paths : iterable of path-like
    settings : Settings
        Its cache and its executor count.
    """
    cache, executor = settings.cache, settings.executor
    names = (os.fspath(path) for path in paths)
    if executor is None:
        yield from (do(work, name, cache) for name in names)
        return
    waiting: deque[tuple[str, T | Future[T | Failure]]] = deque()
    for name in names:
        known = None if cache is None else _known(work, name, cache)
        done = executor.submit(do, work, name, cache) if known is None else known
        waiting.append((name, done))
        while len(waiting) == AT_ONCE or (waiting and not isinstance(waiting[0][1], Future)):
            yield _outcome(*waiting.popleft())
    while waiting:
        yield _outcome(*waiting.popleft())


def _known(work: Callable[[TakeFile], T], path: str, cache: Cache) -> T | None:
    """Do the work if it needs no sound; if that goes wrong, let it go wrong elsewhere."""
    try:
        return work(TakeFile(path, cache, only_known=True))
    except Exception:
        return None


def _outcome(path: str, done: T | Future[T | Failure]) -> T | Failure:
    if not isinstance(done, Future):
        return done
    try:
        return done.result()
    except Exception as error:  # of the executor: the worker is gone, or the result got lost
        return failure_of(path, error)


def do(work: Callable[[TakeFile], T], path: str, cache: Cache | None) -> T | Failure:
    """Return what `work` returns of one take, or a `Failure` that says why not."""
    try:
        return work(TakeFile(path, cache))
    except Exception as error:
        if os.environ.get("VOCHECK_DEBUG") and not isinstance(error, VocheckError):
            raise
        return failure_of(path, error)


def failure_of(path: str, error: Exception) -> Failure:
    """Return the line that says why a file could not be done."""
    match error:
        case VocheckError():
            told = str(error)
        case MemoryError():
            told = f"{path}: does not fit into memory"
        case OSError():
            told = f"{path}: {error.strerror or error}"
        case WorkerDied():
            told = f"{path}: cannot be measured: {error}"
        case _:
            told = f"{path}: cannot be measured: internal error: {type(error).__name__}: {error}"
    return Failure(path=path, error=" ".join(told.split()))
