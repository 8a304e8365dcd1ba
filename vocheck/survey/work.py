"""What a worker does: one recording in, its line out.

The line is made where the sound is measured: a string is small, and writing it costs the process
that hands out the work nothing. A worker on another machine gives the same bytes or none: it
compares the fingerprint of its own code and libraries with that of the process that asks.
"""

from __future__ import annotations

import hashlib
import os
import queue
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

import msgspec

from vocheck.results import Result
from vocheck.session.cache import MEASURING, fingerprint
from vocheck.session.each import do, failure_of
from vocheck.session.settings import Settings
from vocheck.session.take import judge_take
from vocheck.survey.files import FileState

T = TypeVar("T")
R = TypeVar("R")

Render = Callable[[Result, Mapping[str, Any]], str]
"""Writes a result as a line, with more keys after its own."""

KEY = "survey"
"""What stands under this key of a line tells whether the line is still true."""

_JUDGING = ("policy", "session", "wording", "report/json.py", "results.py", "survey/work.py")
_DIGITS = 16  # of a fingerprint: no two of the versions that ever were will share them


class OtherCodeError(Exception):
    """A worker would measure with other code or libraries than the process that asks."""


@dataclass(frozen=True)
class MadeBy:
    """Fingerprints of what made a line.

    Attributes
    ----------
    measured_by : str
        Of the code that measures, Python and the libraries that calculate.
    judged_by : str
        Of the code and the rules that judge, the studio's own settings included.
    """

    measured_by: str
    judged_by: str

    @classmethod
    def of(cls, settings: Settings) -> MadeBy:
        """Take the fingerprints here and now."""
        told = hashlib.sha256(fingerprint(*_JUDGING).encode())
        config = settings.policy.config
        pattern = settings.pattern.text if settings.pattern else ""
        for part in (config.sections, config.session, pattern):
            told.update(f"{part!r}\0".encode(errors="surrogatepass"))
        return cls(fingerprint(*MEASURING)[:_DIGITS], told.hexdigest()[:_DIGITS])


class LineState(msgspec.Struct, frozen=True):
    """What stands under `KEY`."""

    size_bytes: int | None
    modified_ns: int | None
    measured_by: str
    judged_by: str


class LineHead(msgspec.Struct, frozen=True):
    """What has to be known of a line to tell whether it is still true."""

    path: str
    survey: LineState
    error: str | None = None

    def is_true_of(self, file: FileState, made_by: MadeBy) -> bool:
        """Whether the same would be written again. A file that failed is always tried again."""
        return self.error is None and self.survey == _state(file, made_by)


@dataclass(frozen=True)
class Job:
    """What all recordings of a survey have in common; small, and can be pickled.

    Attributes
    ----------
    settings : Settings
    render : callable
        Module-level.
    made_by : MadeBy
    folder : str
        The folder that the paths are seen from.
    """

    settings: Settings
    render: Render
    made_by: MadeBy
    folder: str


def survey_file(path: str, job: Job) -> str:
    """Return the line of one recording, which ends in a newline.

    Raises
    ------
    OtherCodeError
        If the code or the libraries here are not those of the process that asks.
    OSError
        If there is no such folder on this machine.
    """
    made_by = MadeBy.of(job.settings)
    if made_by != job.made_by:
        raise OtherCodeError
    if os.getcwd() != job.folder:
        os.chdir(job.folder)
    state = FileState.of(path)  # first: a file that changes meanwhile is measured again
    done = do(partial(judge_take, settings=job.settings), path, job.settings.cache)
    return job.render(done, {KEY: msgspec.to_builtins(_state(state, made_by))})


def line_of(path: str, future: Future[str], job: Job) -> str:
    """Return the line that a worker gave; if it gave none, one that says why.

    Raises
    ------
    OtherCodeError
        If that was why: then no line could be believed.
    """
    try:
        return future.result()
    except OtherCodeError:
        raise
    except Exception as error:  # the worker is gone, or the answer got lost
        return failed_line(path, error, job)


def as_done(
    submit: Callable[[T], Future[R]], items: Iterator[T], ahead: int
) -> Iterator[tuple[T, Future[R]]]:
    """Yield items with their futures in the order in which they are done.

    Parameters
    ----------
    submit : callable
        Hands out one item.
    items : iterator
        Asked again after it had nothing more, as long as something is being done.
    ahead : int
        How many are handed out before a result is waited for.
    """
    done: queue.SimpleQueue[tuple[T, Future[R]]] = queue.SimpleQueue()
    running = 0
    while True:
        while running < ahead and (item := next(items, None)) is not None:
            running += 1
            submit(item).add_done_callback(partial(_put, done, item))
        if not running:
            return
        yield done.get()
        running -= 1


def _put(done: queue.SimpleQueue[tuple[T, Future[R]]], item: T, future: Future[R]) -> None:
    done.put((item, future))


def failed_line(path: str, error: Exception, job: Job) -> str:
    """Return the line of a recording that no worker gave an answer for."""
    state = FileState.of(os.path.join(job.folder, path))
    return job.render(
        failure_of(path, error), {KEY: msgspec.to_builtins(_state(state, job.made_by))}
    )


def _state(file: FileState, made_by: MadeBy) -> LineState:
    return LineState(file.size_bytes, file.modified_ns, made_by.measured_by, made_by.judged_by)


_head = msgspec.json.Decoder(LineHead)


def head_of(line: bytes) -> LineHead | None:
    """Return what is to be known of a line; of one that is torn or no such line, ``None``."""
    try:
        return _head.decode(line)
    except (msgspec.MsgspecError, UnicodeDecodeError):
        return None
