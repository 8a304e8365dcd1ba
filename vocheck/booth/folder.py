"""Which recordings in a folder are finished: the part of ``vocheck watch`` that looks at files.

A recorder makes dozens of small writes per take, across a network in any order. So nothing listens
to file events here: the folder is looked at again and again, and a recording counts as finished
when it is *settled* (two looks in a row find the same size and time of change) and *whole* (its
header promises no more than the file holds). A program can set the time of change back, so the time
at which the file system noted the change counts too. One that stays settled without becoming whole
(the recorder crashed) counts as finished after a while too, so that somebody hears about it.

Some recorders keep their header up to date and write in bursts with pauses, so that between two
bursts a recording looks finished. The first such burst teaches the watcher how long it has to wait.

No clock and no sleep is in here: whoever calls `Watcher.poll` says what time it is.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from vocheck.audio.readers import open_audio
from vocheck.errors import AudioError
from vocheck.session.names import SUFFIXES

PATIENCE_S = 5.0
"""How long a settled file may stay short of what its header promises. Longer than the time between
two flushes of a recorder that fills its header in at the end."""


BURST_MARGIN = 1.5
"""How much longer than the longest pause between two bursts a file has to stay the same."""

LONGEST_WAIT_S = 3.0
"""A pause longer than this is not waited for: the verdict would come too late for everybody."""


@dataclass(frozen=True)
class Finished:
    """A recording is there to be measured.

    Attributes
    ----------
    path : Path
    again : bool
        It was finished before, and has been written to since.
    before : bool
        It was there when the watching began.
    """

    path: Path
    again: bool = False
    before: bool = False


@dataclass(frozen=True)
class Renamed:
    """A finished recording goes by another name; its content is the same."""

    old: Path
    new: Path


@dataclass(frozen=True)
class Gone:
    """A finished recording was deleted."""

    path: Path


Event = Finished | Renamed | Gone


@dataclass(frozen=True)
class _Signature:
    """What changes when a file is written to.

    Attributes
    ----------
    size, mtime_ns : int
        Kept by a rename.
    noted_ns : int
        When the file system noted the last change, of the name as well: a file that was replaced by
        one of the same size and time shows here only. (Windows has no such time.)
    """

    size: int
    mtime_ns: int
    noted_ns: int

    def of_same_content(self, other: _Signature) -> bool:
        """Whether a file of another name may be this one, renamed."""
        return (self.size, self.mtime_ns) == (other.size, other.mtime_ns)


@dataclass
class _File:
    """What is known of one file.

    Attributes
    ----------
    since : float
        When this signature was first seen.
    looks : int
        How many looks have found it.
    reported : _Signature or None
        The one that was reported as finished last.
    before : bool
        It was there at the first look.
    missing : int
        How many looks in a row have not found the file.
    """

    signature: _Signature
    since: float
    looks: int = 1
    reported: _Signature | None = None
    before: bool = False
    missing: int = 0


def is_whole(path: Path) -> bool:
    """Whether a recording can be opened and holds all that its header promises."""
    try:
        with open_audio(path) as file:
            return not file.source.unfinished and file.source.missing_s == 0
    except (AudioError, OSError):
        return False


class Watcher:
    """Looks at a folder, to any depth, and tells what happened to the recordings in it.

    Parameters
    ----------
    folder : Path
    whole : callable
        Whether a settled file holds a whole recording.
    patience_s : float
        After how long a settled file that is not whole is reported all the same.

    Attributes
    ----------
    problem : str
        What could not be looked at last time, and why (a network share is away, a folder may not be
        read); empty if all could. Nothing in it is forgotten meanwhile; the rest is watched.
    """

    def __init__(
        self,
        folder: Path,
        *,
        whole: Callable[[Path], bool] = is_whole,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self.folder = folder
        self.problem = ""
        self._whole = whole
        self._patience_s = patience_s
        self._files: dict[Path, _File] = {}
        self._first_look = True
        self._wait_s = 0.0  # how long a file has to stay the same, as this recorder has taught

    def poll(self, now: float) -> list[Event]:
        """Look once, and return what has happened since the last look, oldest recording first.

        Parameters
        ----------
        now : float
            The time in seconds, from any clock that does not go back.
        """
        look = _Look()
        look.scan(self.folder)
        self.problem = look.problem
        if self.folder in look.closed:
            return []
        seen = look.found
        events: list[Event] = [*self._take_note(seen, now), *self._miss(look)]
        settled = [
            (file.signature.mtime_ns, path)
            for path, file in self._files.items()
            if self._ripe(file, now)
        ]
        for _, path in sorted(settled):
            file = self._files[path]
            if self._whole(path) or now - file.since >= self._patience_s:
                again = file.reported is not None
                file.reported = file.signature
                events.append(Finished(path, again=again, before=file.before and not again))
        self._first_look = False
        return events

    def is_settled(self, path: Path) -> bool:
        """Whether a file still is as it was when it was reported: to be asked after measuring."""
        file = self._files.get(path)
        try:
            return file is not None and _signature(os.stat(path)) == file.reported
        except OSError:
            return False

    def _take_note(self, seen: dict[Path, _Signature], now: float) -> list[Event]:
        """Bring what is known of each file up to date; a new name may be an old file."""
        events: list[Event] = []
        for path, signature in seen.items():
            file = self._files.get(path)
            if file is None:
                old = self._former_name(signature, seen)
                if old is None:
                    self._files[path] = _File(signature, now, before=self._first_look)
                    continue
                file = self._files[path] = self._files.pop(old)
                if file.reported == file.signature:
                    file.reported = signature
                file.signature = signature  # the rename itself was noted, which is no change
                if file.reported is not None:
                    events.append(Renamed(old, path))
            if file.signature == signature:
                file.looks += 1
            else:
                self._learn(file, signature, now)
                file.signature, file.since, file.looks = signature, now, 1
            file.missing = 0
        return events

    def _learn(self, file: _File, signature: _Signature, now: float) -> None:
        """Wait longer from now on, if a file that looked settled has grown after a short pause."""
        pause_s = now - file.since
        if file.looks >= 2 and signature.size > file.signature.size and pause_s < LONGEST_WAIT_S:
            wait_s = min(BURST_MARGIN * pause_s, LONGEST_WAIT_S)
            self._wait_s = max(self._wait_s, wait_s)

    def _ripe(self, file: _File, now: float) -> bool:
        """Whether a file is settled, holds anything, and was not reported as it is now."""
        settled = file.looks >= 2 and now - file.since >= self._wait_s
        return settled and file.signature.size > 0 and file.reported != file.signature

    def _former_name(self, signature: _Signature, seen: dict[Path, _Signature]) -> Path | None:
        """Return the file that has vanished with this very size and time of change, if any."""
        for path, file in self._files.items():
            if path not in seen and file.signature.of_same_content(signature):
                return path
        return None

    def _miss(self, look: _Look) -> list[Event]:
        """Give a file up that two looks in a row have not found.

        One look is not enough: some programs replace a file by deleting it first.
        """
        events: list[Event] = []
        for path in [path for path in self._files if look.misses(path)]:
            file = self._files[path]
            file.missing += 1
            file.looks = 0
            if file.missing >= 2:
                del self._files[path]
                if file.reported is not None:
                    events.append(Gone(path))
        return events


def _signature(facts: os.stat_result) -> _Signature:
    noted_ns = facts.st_ctime_ns if os.name == "posix" else 0
    return _Signature(facts.st_size, facts.st_mtime_ns, noted_ns)


class _Look:
    """One look at a folder and all below it; hidden files and folders are left out.

    Attributes
    ----------
    found : dict of Path to _Signature
        The recordings.
    closed : set of Path
        Folders and files that could not be looked at.
    problem : str
        The first of them, and why.
    """

    def __init__(self) -> None:
        self.found: dict[Path, _Signature] = {}
        self.closed: set[Path] = set()
        self.problem = ""

    def misses(self, path: Path) -> bool:
        """Whether a file is not there; what stands in a closed folder may be."""
        return path not in self.found and self.closed.isdisjoint((path, *path.parents))

    def scan(self, folder: Path) -> None:
        """Take note of the recordings in a folder and below; one that is closed hides no other."""
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    if not entry.name.startswith("."):
                        self._take_note(entry)
        except OSError as error:
            self._close(folder, error)

    def _take_note(self, entry: os.DirEntry[str]) -> None:
        path = Path(entry.path)
        try:
            if entry.is_dir(follow_symlinks=False):
                self.scan(path)
            elif os.path.splitext(entry.name)[1].lower() in SUFFIXES:
                # Not entry.stat(): some systems fill that in from a stale directory.
                facts = os.stat(path)
                if stat.S_ISREG(facts.st_mode):
                    self.found[path] = _signature(facts)
        except FileNotFoundError:
            pass  # gone between the listing and the look, or a link to nothing
        except OSError as error:
            self._close(path, error)

    def _close(self, path: Path, error: OSError) -> None:
        self.closed.add(path)
        self.problem = self.problem or f"{path}: cannot be looked at: {error.strerror or error}"
