"""One take file while it is worked on: what is known of it is recalled, its sound read if needed.

This is the place where a take is a file. A take that is a span of one would be told here, and
nothing above would change.
"""

from __future__ import annotations

import hashlib
import os
import stat
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TypeVar

from vocheck.audio.readers import open_audio, read
from vocheck.errors import AudioError
from vocheck.recording import Recording
from vocheck.results import Result
from vocheck.session.cache import MEASURING, Cache, fingerprint
from vocheck.session.workers import allow_length

R = TypeVar("R", bound=Result)

LONGEST_S = 1800.0
"""A longer recording is refused: each minute needs some 100 MB while it is measured. `vocheck mix`
reads files of any length in blocks."""
SETTLED_S = 10.0
"""A file that was changed less long ago may change again at what its clock calls the same time."""


class UnknownTake(LookupError):
    """Nothing is kept of what was asked: the sound has to be read."""


@dataclass(frozen=True)
class _Content(Result):
    """What a file of a certain name, size and time holds."""

    sha256: str


class TakeFile:
    """A take, its content told by a hash, and what it was measured to be.

    Parameters
    ----------
    path : str
    cache : Cache, optional
        Where results are recalled from and kept.
    only_known : bool
        Whether to raise `UnknownTake` instead of opening the file: a quick look, safe in any
        process.
    """

    def __init__(self, path: str, cache: Cache | None = None, *, only_known: bool = False) -> None:
        self.path = path
        self._cache = cache
        self._only_known = only_known
        self._head_is_fine = False

    @cached_property
    def sha256(self) -> str:
        """SHA-256 of the file's bytes.

        Remembered for files that nothing has touched since: a file system sets the time of the last
        change of a file itself, and no program can set it back. (Windows has no such time.)

        Raises
        ------
        AudioError
            If the file is no recording, as its head tells, or cannot be read.
        """
        facts = self._facts
        settled = (
            self._cache is not None
            and facts is not None
            and os.name == "posix"
            and time.time_ns() - max(facts.st_mtime_ns, facts.st_ctime_ns) > SETTLED_S * 1e9
        )
        key = (os.path.abspath(self.path), *map(str, _identity(facts))) if facts else ()
        if settled and self._cache is not None:
            known = self._cache.recall(_Content, key)
            if known is not None:
                return known.sha256
        if self._only_known:
            raise UnknownTake(self.path)
        self._look_at_head()
        content = _hash(self.path)
        if settled and self._cache is not None and self._is_unchanged():
            self._cache.keep(key, _Content(content))
        return content

    @cached_property
    def recording(self) -> Recording:
        """The sound.

        Raises
        ------
        AudioError
            If it cannot be read.
        """
        if self._only_known:
            raise UnknownTake(self.path)
        self._look_at_head()
        recording = read(self.path)
        allow_length(recording.duration_s)
        return recording

    def remember(
        self,
        kind: type[R],
        make: Callable[[Recording], R],
        *key: str,
        made_by: tuple[str, ...] = (),
    ) -> R:
        """Return what is kept of a kind of this sound; where nothing is, make it and keep it.

        Parameters
        ----------
        kind : type
            Of the result: a frozen dataclass of plain values, arrays, and other such.
        make : callable
            Makes it of the recording. It must not hold the file's name.
        *key : str
            What else it depends on.
        made_by : tuple of str
            Files of this package that make it, beside those that measure.
        """
        if self._cache is None:
            return make(self.recording)
        whole_key = (fingerprint(*MEASURING, *made_by), self.sha256, *key)
        known = self._cache.recall(kind, whole_key)
        if known is not None:
            return known
        made = make(self.recording)
        if self._is_unchanged():
            self._cache.keep(whole_key, made)
        return made

    def _look_at_head(self) -> None:
        """Refuse what is no recording, and what is too long to be held in memory as a take."""
        if self._head_is_fine:
            return
        with open_audio(self.path) as file:
            length_s = file.source.duration_s
        if length_s > LONGEST_S:
            raise AudioError(
                f"{self.path}: {length_s / 60:.0f} minutes are too long for a take "
                f"({LONGEST_S / 60:.0f} at most): cut it into takes, or check it whole with "
                "'vocheck mix'"
            )
        self._head_is_fine = True

    @cached_property
    def _facts(self) -> os.stat_result | None:
        """What the file system said of the file first."""
        try:
            facts = os.stat(self.path)
        except OSError:
            return None  # whoever opens it tells what is wrong
        return facts if stat.S_ISREG(facts.st_mode) else None

    def _is_unchanged(self) -> bool:
        """Whether the file still is the one that was hashed."""
        if self._facts is None:
            return False
        try:
            return _identity(os.stat(self.path)) == _identity(self._facts)
        except OSError:
            return False


def _identity(facts: os.stat_result) -> tuple[int, ...]:
    return facts.st_dev, facts.st_ino, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns


def _hash(path: str) -> str:
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise AudioError(f"{path}: cannot be read: {error.strerror or error}") from error
