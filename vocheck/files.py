"""Writing files so that a reader never sees half of one, and no recording is ever written over.

Every output goes through `replacing` (or, for a log that grows, `refuse_to_write`). What must never
be an output: a file that is read by the same command (`protecting`), any file that holds sound or
moving pictures, and the files that a session is set up with (notes, script, settings).
"""

from __future__ import annotations

import errno
import os
import re
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path

from vocheck.errors import VocheckError
from vocheck.media import MEDIA_SUFFIXES, holds_media

SETTINGS_NAMES = frozenset({"notes.csv", "script.txt", "script.csv", "vocheck.toml"})
"""Files that are found by their names and read as notes, script or settings."""

KEPT_NAME = "the notes, script or settings of a session go by this name; choose another"

STALE_S = 3600.0
"""A temporary file that was not written to for so long belongs to a run that was killed."""

_TEMPORARY = re.compile(r"\.vocheck-\d+-[0-9a-f]{16}\.part(\.\w{1,8})?")
_DESCRIPTORS = ("/dev/stdout", "/dev/stderr", "/dev/fd/", "/proc/")

_inputs: ContextVar[tuple[Path, ...]] = ContextVar("_inputs", default=())
_cleared: set[Path] = set()


@contextmanager
def protecting(inputs: Iterable[str | os.PathLike[str]]) -> Iterator[None]:
    """Let nothing be written to these files, whatever name leads to them, while the block runs.

    Parameters
    ----------
    inputs : iterable of path-like
        Files, with notes, script and settings beside them; of a folder, every recording in it
        and every such file, to any depth.
    """
    before = _inputs.set((*_inputs.get(), *map(Path, inputs)))
    try:
        yield
    finally:
        _inputs.reset(before)


def refuse_to_write(path: str | os.PathLike[str], *, setup: bool = False) -> None:
    """Raise if `path` may not be an output. Links are followed.

    Parameters
    ----------
    path : path-like
    setup : bool
        Whether it is one of the files that a session is set up with, changed because somebody
        asked for just that. What holds sound or pictures is refused all the same.

    Raises
    ------
    VocheckError
        If it is a file that is read, or holds sound or moving pictures, or has a name by which the
        notes, the script or the settings of a session are found, or is a folder; or if the folder
        that it is to lie in does not exist.
    """
    try:
        reason = _reason_against(Path(path), setup)
    except OSError as error:
        reason = f"cannot be written: {error.strerror or error}"
    if reason:
        raise VocheckError(f"{path}: {reason}")


def _reason_against(path: Path, setup: bool) -> str:
    target = Path(os.path.realpath(path))
    if target.is_dir():
        return "is a folder; name a file to write to"
    if path.exists() and not target.is_file():
        return ""  # a device or a pipe
    if not target.exists():
        missing = f"cannot be written: {os.strerror(errno.ENOENT)}: {target.parent}"
        return "" if target.parent.is_dir() else missing
    if setup:
        if target.name.lower() not in SETTINGS_NAMES:
            return "is no notes, script or settings of a session"
    elif any(_is_same(target, file) for file in _files_read()):
        return "is one of the files that are read; choose another name for what is written"
    elif {path.name.lower(), target.name.lower()} & SETTINGS_NAMES:
        return KEPT_NAME
    if holds_media(target):
        return (
            "holds a recording, which vocheck never replaces; choose another name, or delete it "
            "first"
        )
    return ""


@contextmanager
def replacing(
    path: str | os.PathLike[str], *, durable: bool = True, setup: bool = False
) -> Iterator[Path]:
    """Yield a temporary name beside `path`; rename it to `path` when the block ends well.

    The temporary name keeps the suffix, because audio and picture writers choose the format by it.
    If the block raises, the temporary file is removed and whatever stood at `path` is untouched.
    A link is followed, and the file that it leads to is replaced.

    A device or a pipe (``/dev/null``, ``/dev/stdout``) is written to instead: a rename would put a
    file in its place.

    Parameters
    ----------
    path : path-like
    durable : bool
        Wait until the content is on the disk before it gets its name, so that a power cut leaves
        the old file or the new one. Not needed for what can be made again and carries a checksum.
    setup : bool
        Whether it is one of the files that a session is set up with (see `refuse_to_write`).

    Raises
    ------
    VocheckError
        If `path` may not be an output (`refuse_to_write`), or cannot be written to.
    """
    path = Path(path)
    refuse_to_write(path, setup=setup)
    target = Path(os.path.realpath(path))
    special = (path.exists() and not target.is_file()) or _is_descriptor(path)
    folder = Path(tempfile.gettempdir()) if special else target.parent
    try:
        with temporary_file(folder, path.suffix) as temporary:
            yield temporary
            if special:
                _pour(temporary, path)
                return
            if durable:
                _flush(temporary)
            refuse_to_write(path, setup=setup)  # somebody may have recorded there meanwhile
            os.replace(temporary, target)
            if durable:
                with suppress(OSError):  # some network shares cannot
                    _flush(folder)
    except OSError as error:
        raise VocheckError(f"{path}: cannot be written: {error.strerror or error}") from error


@contextmanager
def temporary_file(folder: Path, suffix: str = "") -> Iterator[Path]:
    """Yield a name in `folder` that no other run uses, and remove the file when the block ends.

    What runs that were killed have left in this folder is removed first.
    """
    if folder not in _cleared:
        _cleared.add(folder)
        _clear(folder)
    suffix = suffix if re.fullmatch(r"\.\w{1,8}", suffix) else ""
    temporary = folder / f".vocheck-{os.getpid()}-{os.urandom(8).hex()}.part{suffix}"
    try:
        yield temporary
    finally:
        temporary.unlink(missing_ok=True)


def _clear(folder: Path) -> None:
    """Remove temporary files of runs that were killed: by their names only ours, and only old."""
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if _TEMPORARY.fullmatch(entry.name) and entry.is_file(follow_symlinks=False):
                with suppress(OSError):
                    if time.time() - entry.stat().st_mtime > STALE_S:
                        os.unlink(entry.path)


def _is_descriptor(path: Path) -> bool:
    """Whether a path names an open file of this process, which may be a file on the disk."""
    return str(path.absolute()).startswith(_DESCRIPTORS)


def _pour(temporary: Path, path: Path) -> None:
    """Write a file into what stands at `path`, at its end where it has one."""
    with temporary.open("rb") as file, open(os.open(path, os.O_WRONLY | os.O_APPEND), "wb") as out:
        while block := file.read(1 << 20):
            out.write(block)


def _flush(path: Path) -> None:
    """Wait until a file, or the names in a folder, are on the disk."""
    # Windows wants a file open for writing, and opens no folder at all.
    descriptor = os.open(path, os.O_RDWR if os.name == "nt" else os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _files_read() -> Iterator[Path]:
    """Yield what is protected: files, with the settings beside them, and what folders hold."""
    for path in _inputs.get():
        if not path.is_dir():
            yield path
            yield from (path.parent / name for name in SETTINGS_NAMES)
            continue
        for folder, _, names in os.walk(path):
            yield from (Path(folder, name) for name in names if _is_of_a_session(name))


def _is_of_a_session(name: str) -> bool:
    return os.path.splitext(name)[1].lower() in MEDIA_SUFFIXES or name.lower() in SETTINGS_NAMES


def _is_same(one: Path, other: Path) -> bool:
    """Whether two names lead to one file, over links and hard links."""
    try:
        return one.samefile(other)
    except OSError:
        return False
