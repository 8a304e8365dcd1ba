"""The files of a session's folder by ids: nothing else can be named, and nothing outside reached.

A browser names a recording by an id that was made here of its place in the folder. Before a file is
opened, links are followed, and what they lead to must lie in the folder as well.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from pathlib import Path


class Inside:
    """The files that may be named.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._paths: dict[str, Path] = {}

    def add(self, paths: Iterable[str | os.PathLike[str]]) -> dict[str, str]:
        """Let files be named; returns their ids by path."""
        ids = {os.fspath(path): self.id_of(path) for path in paths}
        self._paths |= {name: Path(path) for path, name in ids.items()}
        return ids

    def id_of(self, path: str | os.PathLike[str]) -> str:
        """Return the id of a file: the same in every run, wherever the folder lies."""
        place = os.path.relpath(path, self.folder)
        return hashlib.blake2b(os.fsencode(place), digest_size=8).hexdigest()

    def find(self, name: str) -> Path | None:
        """Return the file of an id, links followed; ``None`` where there is none in the folder."""
        path = self._paths.get(name)
        if path is None:
            return None
        try:
            target = path.resolve(strict=True)
            within = target.is_relative_to(self.folder.resolve(strict=True))
        except (OSError, RuntimeError):
            return None
        return target if within and target.is_file() else None

    def known(self, name: str) -> Path | None:
        """Return the file of an id as it is called in the folder."""
        return self._paths.get(name)
