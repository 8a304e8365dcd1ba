"""The workers of a dask cluster that is already there; needs the extra ``cluster``.

A scheduler needs about as long for a small task as for a large one, so several recordings make one
task. Only so many tasks are handed out at a time. Where a worker is lost, the scheduler gives its
tasks to others; a task that ends several workers comes back and is handed out again recording by
recording, so that one of them costs itself only.

A worker measures in processes of its own (`vocheck.session.workers`), as many as it has threads: a
decoder that crashes is told as it is on one machine, and takes no worker along.
"""

from __future__ import annotations

import logging
import multiprocessing
import warnings
from collections import deque
from collections.abc import Iterator
from concurrent.futures import CancelledError, Future
from functools import cache
from importlib import import_module
from types import TracebackType
from typing import Any

from vocheck.errors import VocheckError
from vocheck.session.workers import WorkerPool
from vocheck.survey.work import Job, OtherCodeError, as_done, failed_line, line_of, survey_file

NEEDS_EXTRA = 'for --scheduler: pip install "vocheck[cluster]"'
QUEUED = 2000
"""Tasks that are handed out at a time; so many that a thousand workers have a next one."""
TASK_RECORDINGS, TASK_BYTES = 16, 50_000_000
"""A task is full with so many recordings, or so much to read: some ten seconds of work."""
ANSWER_S = 30.0
"""How long scheduler and first worker may take to answer."""

Batch = tuple[tuple[str, int], ...]


class Cluster:
    """The workers of a dask scheduler.

    Parameters
    ----------
    address : str
        Of the scheduler, as it tells it: ``tcp://192.0.2.7:8786``.

    Raises
    ------
    VocheckError
        If dask is not installed, or no scheduler or no worker answers.
    """

    def __init__(self, address: str) -> None:
        try:
            client: Any = import_module("distributed").Client
        except ImportError:
            raise VocheckError(NEEDS_EXTRA) from None
        self.address = address
        # What goes wrong is told in one line here; versions are compared by `OtherCodeError`.
        logging.getLogger("distributed").setLevel(logging.CRITICAL)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                self._client = client(
                    address, timeout=ANSWER_S, set_as_default=False, name="vocheck-survey"
                )
            except (OSError, ValueError) as error:
                raise VocheckError(f"{address}: no scheduler answers: {error}") from error
        try:
            self._client.wait_for_workers(1, timeout=ANSWER_S)
        except TimeoutError:
            self._client.close()
            raise VocheckError(
                f"{address}: the scheduler has no worker; start some with 'dask worker {address}'"
            ) from None
        self._executor = self._client.get_executor(pure=False)

    def measured(
        self, missing: Iterator[tuple[str, int]], job: Job
    ) -> Iterator[tuple[str, int, str]]:
        """Yield path, size and line of each recording as it is done.

        Raises
        ------
        VocheckError
            If the scheduler is lost, or a worker has other code.
        """
        batches = _Batches(missing)

        def submit(batch: Batch) -> Future[list[str]]:
            done: Future[list[str]] = self._executor.submit(
                survey_files, [path for path, _ in batch], job
            )
            return done

        for batch, future in as_done(submit, batches, QUEUED):
            try:
                lines = future.result()
            except CancelledError:
                raise VocheckError(
                    f"{self.address}: the scheduler is gone; what is measured is kept, run this "
                    "again to go on"
                ) from None
            except OtherCodeError:
                raise VocheckError(
                    f"{self.address}: a worker has another version of vocheck, Python or a library "
                    "than this machine; the same on all gives the same numbers"
                ) from None
            except Exception as error:  # the worker was lost, and others with it
                if len(batch) > 1:
                    batches.part(batch)
                    continue
                lines = [failed_line(batch[0][0], error, job)]
            yield from ((*item, line) for item, line in zip(batch, lines, strict=True))

    def __enter__(self) -> Cluster:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._client.close()


class _Batches(Iterator[Batch]):
    """Recordings in tasks; those of a task that failed come again, each alone."""

    def __init__(self, recordings: Iterator[tuple[str, int]]) -> None:
        self._recordings = recordings
        self._alone: deque[tuple[str, int]] = deque()

    def part(self, batch: Batch) -> None:
        """Let the recordings of a task come again, each alone."""
        self._alone.extend(batch)

    def __next__(self) -> Batch:
        if self._alone:
            return (self._alone.popleft(),)
        batch: list[tuple[str, int]] = []
        size = 0
        while len(batch) < TASK_RECORDINGS and size < TASK_BYTES:
            found = next(self._recordings, None)
            if found is None:
                break
            batch.append(found)
            size += found[1]
        if not batch:
            raise StopIteration
        return tuple(batch)


# -- On the worker -------------------------------------------------------------------------------


def survey_files(paths: list[str], job: Job) -> list[str]:
    """Return the lines of some recordings, measured in processes of this worker.

    Raises
    ------
    OtherCodeError
        If the code or the libraries here are not those of the process that asks.
    """
    worker = import_module("distributed").get_worker()
    pool = _pool(worker.state.nthreads)
    futures = [pool.submit(survey_file, path, job) for path in paths]
    return [line_of(path, future, job) for path, future in zip(paths, futures, strict=True)]


@cache
def _pool(workers: int) -> WorkerPool:
    # A nanny starts its worker as a daemon, which may have no processes of its own otherwise. Ours
    # end when the worker does: the pipes to them are closed then.
    process = multiprocessing.current_process()
    if process.daemon:
        process.daemon = False
    return WorkerPool(workers)
