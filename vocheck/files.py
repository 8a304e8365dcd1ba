"""Writing files so that a reader never sees half of one."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from vocheck.errors import VocheckError


@contextmanager
def replacing(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Yield a temporary name beside `path`; rename it to `path` when the block ends well.

    The temporary name keeps the suffix, because audio and picture writers choose the format by it.
    If the block raises, the temporary file is removed and whatever stood at `path` is untouched.

    Raises
    ------
    VocheckError
        If the folder cannot be written to.
    """
    path = Path(path)
    temporary = path.with_name(f".{path.stem}.{os.getpid()}.part{path.suffix}")
    try:
        yield temporary
        os.replace(temporary, path)
    except OSError as error:
        raise VocheckError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        temporary.unlink(missing_ok=True)
