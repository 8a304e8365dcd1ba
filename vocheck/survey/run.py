"""A survey from the first folder to the last line."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from vocheck.errors import SessionError
from vocheck.session.settings import Settings
from vocheck.session.workers import WorkerPool
from vocheck.survey.files import FileState, Unread, recordings_in
from vocheck.survey.journal import Amount, Journal
from vocheck.survey.work import Job, MadeBy, Render, as_done, head_of, line_of, survey_file

AHEAD = 4
"""Recordings handed out for each worker of this machine: none ever waits for this process."""


class Crew(Protocol):
    """Whoever does the work."""

    def measured(
        self, missing: Iterator[tuple[str, int]], job: Job
    ) -> Iterator[tuple[str, int, str]]:
        """Yield path, size and line of each recording, in the order in which they are done.

        Parameters
        ----------
        missing : iterator of (path, size in bytes)
            Read only as far as there is somebody to measure.
        job : Job
        """


class Workers:
    """Processes of this machine; see `WorkerPool`.

    Parameters
    ----------
    count : int
    """

    def __init__(self, count: int) -> None:
        self._count = count

    def measured(
        self, missing: Iterator[tuple[str, int]], job: Job
    ) -> Iterator[tuple[str, int, str]]:
        """Yield path, size and line of each recording as it is done."""
        with WorkerPool(self._count) as pool:

            def submit(item: tuple[str, int]) -> Future[str]:
                return pool.submit(survey_file, item[0], job)

            for (path, size), future in as_done(submit, missing, AHEAD * self._count):
                yield path, size, line_of(path, future, job)


@dataclass(frozen=True)
class Progress:
    """How far a survey is.

    Attributes
    ----------
    done, total : Amount
        Of what had to be measured in this run.
    failed : int
        How many recordings could not be measured so far.
    """

    done: Amount
    total: Amount
    failed: int


@dataclass(frozen=True)
class Outcome:
    """What a run came to.

    Attributes
    ----------
    recordings : int
        In the output.
    measured : int
        In this run, those that failed included.
    failed : int
        That could not be measured.
    unread : tuple of Unread
        Folders that could not be looked into.
    """

    recordings: int
    measured: int
    failed: int
    unread: tuple[Unread, ...]


def run(
    paths: Sequence[str | os.PathLike[str]],
    output: Path,
    settings: Settings,
    render: Render,
    crew: Crew,
    *,
    anew: bool = False,
    progress: Callable[[Progress], None] | None = None,
) -> Outcome:
    """Measure recordings into a file of JSON Lines, one for each, sorted by path.

    What stands in the output already, or was measured by a run that did not come to its end, is not
    measured again if file, code and settings are the same. Recordings that are no longer there are
    left out.

    Parameters
    ----------
    paths : sequence of path-like
        Recordings, or folders of them.
    output : Path
    settings : Settings
    render : callable
        Writes a result as a line; module-level.
    crew : Crew
        `Workers` of this machine, or a `vocheck.survey.cluster.Cluster`.
    anew : bool
        Measure also what was measured before.
    progress : callable, optional
        Called whenever there is something new.

    Raises
    ------
    SessionError
        If there is no recording.
    VocheckError
        If the output cannot be written, or the cluster is lost. What is measured is kept.
    """
    job = Job(settings, render, MadeBy.of(settings), os.getcwd())
    with Journal(output) as journal:
        unread = tuple(_find(paths, journal))
        every = journal.amount()
        if not every.recordings:
            raise SessionError(f"{', '.join(os.fspath(path) for path in paths)}: no recordings")
        journal.look_through(None if anew else job.made_by)
        total = journal.amount(missing=True)
        done = failed = size = 0
        for path, size_bytes, line in crew.measured(journal.missing(), job):
            journal.keep(path, line)
            head = head_of(line.encode())
            failed += head is not None and head.error is not None
            done, size = done + 1, size + size_bytes
            if progress is not None:
                progress(Progress(Amount(done, size), total, failed))
        journal.finish()
    return Outcome(every.recordings, done, failed, unread)


def _find(paths: Iterable[str | os.PathLike[str]], journal: Journal) -> Iterator[Unread]:
    for found in recordings_in(paths):
        if isinstance(found, Unread):
            yield found
        else:
            journal.find(found, FileState.of(found))
