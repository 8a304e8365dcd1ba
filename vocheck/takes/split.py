"""The takes of a long recording as files of their own: copies, with some room on either side."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from vocheck.audio.broadcast_wav import cut
from vocheck.errors import SessionError
from vocheck.passes.results import Pass, Passes

HANDLE_S = 0.5
"""Room before and after a take, for the edit: common practice, no source."""


@dataclass(frozen=True)
class Part:
    """A take, and the file that it is to be written to."""

    one: Pass
    path: Path


def parts_of(passes: Passes, folder: str | os.PathLike[str]) -> list[Part]:
    """Return what would be written: every reading whose line is known, whole or in part.

    Raises
    ------
    SessionError
        If there is nothing to write, or one of the files exists: nothing is ever written over.
    """
    parts = [
        Part(one, Path(folder, f"{_safe(one.line)}_t{one.attempt}.wav"))
        for one in passes.passes
        if one.kind == "read" and one.line is not None
    ]
    if not parts:
        raise SessionError(f"{passes.path}: holds no reading to write")
    there = [part.path for part in parts if os.path.lexists(part.path)]
    if there:
        more = f" and {len(there) - 1} more" if len(there) > 1 else ""
        raise SessionError(
            f"{there[0]}{more}: exists, and is not written over; nothing was written"
        )
    return parts


def split(source: str | os.PathLike[str], parts: Sequence[Part]) -> None:
    """Write the takes of a recording.

    Each is written under a temporary name and renamed, so that a run that is ended leaves whole
    files only. The source is read, and nothing else.

    Raises
    ------
    AudioError
        If the source is no lossless recording.
    VocheckError
        If a file cannot be written.
    """
    for part in parts:
        part.path.parent.mkdir(parents=True, exist_ok=True)
        cut(source, part.path, part.one.start_s - HANDLE_S, part.one.end_s + HANDLE_S)


def _safe(line: str | None) -> str:
    """Return a line as a part of a file's name."""
    kept = [c if c.isalnum() or c in "_-." else "_" for c in line or ""]
    return "".join(kept).strip(".") or "line"
