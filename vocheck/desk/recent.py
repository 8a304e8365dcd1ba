"""Which folder to open: the one that was named, this one, the last one, or the demo session."""

from __future__ import annotations

import json
import os
from contextlib import suppress
from pathlib import Path

from vocheck.errors import SessionError, VocheckError
from vocheck.files import replacing
from vocheck.session.demo import copy_session
from vocheck.session.names import SUFFIXES

MOST = 10
"""Folders that are remembered."""


def session_folder(named: Path | None) -> Path:
    """Return the folder to open.

    Raises
    ------
    SessionError
        If none was named, this one holds no recordings, and none was opened before.
    """
    if named is not None:
        return named
    here = Path.cwd()
    if any(path.suffix.lower() in SUFFIXES for path in (*here.glob("*"), *here.glob("*/*"))):
        return here  # looked for in the folder and those in it: a home folder is large
    known = recent()
    if not known:
        raise SessionError(
            "no recordings in this folder: name one (vocheck desk FOLDER), or look around in the "
            "demo session (vocheck desk --demo)"
        )
    return known[0]


def demo_folder() -> Path:
    """Return a copy of the demo session, made if it is not there; what was noted in it is kept."""
    from platformdirs import user_data_path

    named = os.environ.get("VOCHECK_STATE")
    place = Path(named) if named else user_data_path("vocheck", appauthor=False)
    folder = place / "vocheck-demo"
    copy_session(folder)
    return folder


def state_folder() -> Path:
    """Return where the desk keeps what it remembers of this user: ``VOCHECK_STATE`` if set."""
    from platformdirs import user_state_path

    named = os.environ.get("VOCHECK_STATE")
    return Path(named) if named else user_state_path("vocheck", appauthor=False)


def recent() -> list[Path]:
    """Return the folders that were opened, the last one first, as far as they are still there."""
    with suppress(OSError, ValueError, TypeError):
        kept = json.loads((state_folder() / "recent.json").read_bytes())
        return [Path(name) for name in kept if Path(name).is_dir()]
    return []


def remember(folder: Path) -> None:
    """Note that a folder was opened, if that can be written down."""
    name = str(folder.resolve())
    names = [name, *(str(path) for path in recent() if str(path) != name)][:MOST]
    file = state_folder() / "recent.json"
    with suppress(OSError, VocheckError, ValueError):
        file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with replacing(file) as temporary:
            temporary.write_text(json.dumps(names), encoding="utf-8")
