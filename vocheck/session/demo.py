"""The demo session that comes with vocheck: where it is, and how to copy it out."""

from __future__ import annotations

import shutil
from contextlib import ExitStack
from importlib.resources import as_file, files
from pathlib import Path

from vocheck.errors import SessionError
from vocheck.files import replacing


def copy_session(folder: Path) -> list[Path]:
    """Copy the demo session into `folder`, keeping files that are there already.

    Returns
    -------
    list of Path
        The takes, in the order of their names.

    Raises
    ------
    SessionError
        If this copy of vocheck came without the session.
    VocheckError
        If the folder cannot be written to.
    """
    with ExitStack() as stack:
        source = _session(stack)
        folder.mkdir(parents=True, exist_ok=True)
        for file in sorted(source.iterdir()):
            if not (folder / file.name).exists():
                with replacing(folder / file.name) as temporary:
                    shutil.copyfile(file, temporary)
        return sorted(folder / file.name for file in source.glob("*_t[0-9]*.flac"))


def _session(stack: ExitStack) -> Path:
    # In an installed package the session lies inside it, in a source tree beside it.
    packaged = stack.enter_context(as_file(files("vocheck"))) / "demo_session"
    beside = Path(__file__).parents[2] / "fixtures" / "session"
    for candidate in (packaged, beside):
        if candidate.is_dir():
            return candidate
    raise SessionError("this copy of vocheck came without its demo session")
