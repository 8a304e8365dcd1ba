"""Doing the same to many files: whatever goes wrong with one is that file's line.

The work is a module-level function of a path that returns something small and picklable, so that
threads, processes and the machines of a cluster can do it (`concurrent.futures.Executor`).
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from vocheck.errors import AudioError, VocheckError
from vocheck.results import Result
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
    work: Callable[[str], T],
    paths: Iterable[str | os.PathLike[str]],
    executor: Executor | None = None,
) -> Iterator[T | Failure]:
    """Yield what `work` returns of each path, in order, or a `Failure` that says why not.

    Parameters
    ----------
    work : callable
        Module-level and picklable, where there is an executor.
    paths : iterable of path-like
    executor : concurrent.futures.Executor, optional
        Where the work is done; this thread where omitted.

    Raises
    ------
    VocheckError
        If the work raises one that is no `AudioError`: settings that are malformed concern every
        file.
    """
    names = (os.fspath(path) for path in paths)
    do = partial(_do, work)
    if executor is None:
        yield from map(do, names)
        return
    waiting: deque[tuple[str, Future[T | Failure]]] = deque()
    for name in names:
        waiting.append((name, executor.submit(do, name)))
        if len(waiting) == AT_ONCE:
            yield _outcome(*waiting.popleft())
    while waiting:
        yield _outcome(*waiting.popleft())


def _outcome(path: str, future: Future[T | Failure]) -> T | Failure:
    try:
        return future.result()
    except VocheckError:
        raise
    except Exception as error:  # of the executor: the worker is gone, or the result got lost
        return failure_of(path, error)


def _do(work: Callable[[str], T], path: str) -> T | Failure:
    try:
        return work(path)
    except VocheckError as error:
        if isinstance(error, AudioError):
            return failure_of(path, error)
        raise
    except Exception as error:
        if os.environ.get("VOCHECK_DEBUG"):
            raise
        return failure_of(path, error)


def failure_of(path: str, error: Exception) -> Failure:
    """Return the line that says why a file could not be done."""
    match error:
        case AudioError():
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
