"""A file of lines that survives a power cut: each line is on the disk before anything else happens.

The lines are JSON Lines. What a cut leaves half written is closed off with a line end when the file
is opened again, and passed over when it is read.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from types import TracebackType
from typing import Any

from vocheck.errors import VocheckError
from vocheck.files import refuse_to_write
from vocheck.plain import ENCODE_ERRORS


def read_lines(path: Path) -> list[dict[str, Any]]:
    """Return the objects of a JSON Lines file; lines that hold none are passed over.

    Raises
    ------
    VocheckError
        If the file cannot be read.
    """
    try:
        lines = path.read_bytes().splitlines()
    except OSError as error:
        raise VocheckError(f"{path}: cannot be read: {error.strerror or error}") from error
    found = []
    for line in lines:
        try:
            value = json.loads(line)
        except ValueError:
            continue
        if isinstance(value, dict):
            found.append(value)
    return found


def _is_log(path: Path) -> bool:
    """Whether a file is empty or holds JSON Lines; the last line may be torn."""
    with path.open("rb") as file:
        first, second = file.readline(), file.readline()
    if not second and not first.endswith(b"\n"):
        return first == b"" or first.startswith(b"{")  # nothing, or one line, torn
    return first.startswith(b"{") and (_is_object(first) or _is_object(second))


def _is_object(line: bytes) -> bool:
    try:
        return isinstance(json.loads(line), dict)
    except ValueError:
        return False


class LineLog:
    """Appends lines to a file, which is made if it does not exist.

    Raises
    ------
    VocheckError
        If the file cannot be written to, or holds anything but such lines.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        refuse_to_write(path)
        try:
            if path.is_file() and not _is_log(path):
                raise VocheckError(
                    f"{path}: holds something other than results as JSON Lines, so nothing is "
                    "added to it; choose another name"
                )
            # Unbuffered, so that a line is written now or the error is told now.
            self._file = open(path, "ab+", buffering=0)  # noqa: SIM115 (closed by `__exit__`)
            if self._file.tell() > 0:
                self._file.seek(-1, os.SEEK_END)
                if self._file.read(1) != b"\n":
                    self.append("\n")
        except OSError as error:
            raise self._cannot(error) from error

    def append(self, line: str) -> None:
        """Write one line, which ends in a newline, through to the disk."""
        try:
            left = memoryview(line.encode(errors=ENCODE_ERRORS))
            while left:
                left = left[self._file.write(left) :]
            os.fsync(self._file.fileno())
        except OSError as error:
            raise self._cannot(error) from error

    def _cannot(self, error: OSError) -> VocheckError:
        return VocheckError(f"{self.path}: cannot be written: {error.strerror or error}")

    def __enter__(self) -> LineLog:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()
