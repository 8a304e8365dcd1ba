"""The recordings of a survey, one after another, with what tells whether one has changed."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from vocheck.session.names import SUFFIXES


@dataclass(frozen=True)
class FileState:
    """What the file system says of a file; if it says the same again, the file is unchanged.

    Attributes
    ----------
    size_bytes : int or None
        ``None`` where the file is not there.
    modified_ns : int or None
        When it was last changed, in nanoseconds since 1970.
    """

    size_bytes: int | None
    modified_ns: int | None

    @classmethod
    def of(cls, path: str) -> FileState:
        """Ask the file system."""
        try:
            facts = os.stat(path)
        except OSError:
            return cls(None, None)  # whoever opens it tells what is wrong
        return cls(facts.st_size, facts.st_mtime_ns)


@dataclass(frozen=True)
class Unread:
    """A folder that could not be looked into, and why."""

    path: str
    error: str


def recordings_in(paths: Iterable[str | os.PathLike[str]]) -> Iterator[str | Unread]:
    """Yield the recordings among files and folders as they are found.

    Folders are looked through to any depth, links to folders are not followed; hidden files are
    left out. A file that is named itself is yielded whatever its name. Those that two names lead to
    come twice.
    """
    for name in paths:
        path = os.fspath(name)
        if os.path.isdir(path):
            yield from _inside(path)
        else:
            yield path


def _inside(folder: str) -> Iterator[str | Unread]:
    waiting = [folder]
    while waiting:
        looked_into = waiting.pop()
        try:
            with os.scandir(looked_into) as entries:
                for entry in entries:
                    if entry.name.startswith("."):
                        continue
                    if entry.is_dir(follow_symlinks=False):
                        waiting.append(entry.path)
                    elif os.path.splitext(entry.name)[1].lower() in SUFFIXES:
                        if not entry.is_dir():
                            yield entry.path
        except OSError as error:
            yield Unread(looked_into, error.strerror or str(error))
