"""Writing files so that a reader never sees half of one."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from vocheck.errors import VocheckError


@contextmanager
def replacing(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Yield a temporary name beside `path`; rename it to `path` when the block ends well.

    The temporary name keeps the suffix, because audio and picture writers choose the format by it.
    If the block raises, the temporary file is removed and whatever stood at `path` is untouched.

    A device or a pipe (``/dev/null``, ``/dev/stdout``) is written to instead: a rename would put a
    file in its place.

    Raises
    ------
    VocheckError
        If the folder cannot be written to.
    """
    path = Path(path)
    special = path.exists() and not path.is_file() and not path.is_dir()
    folder = Path(tempfile.gettempdir()) if special else path.parent
    temporary = folder / f".{path.stem}.{os.getpid()}.part{path.suffix}"
    try:
        yield temporary
        if special:
            path.write_bytes(temporary.read_bytes())
        else:
            os.replace(temporary, path)
    except OSError as error:
        raise VocheckError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        temporary.unlink(missing_ok=True)
