r"""A studio's own settings: the nearest ``vocheck.toml`` at or above the takes.

::

    [limits.noise_floor]          # override one number of a shipped limit, or add a limit
    fixable = -58.0

    [destinations.our_client]     # add a delivery target (see docs/targets.md)

    [session]
    pattern = '(?P<line>.+)_take(?P<take>\d+)'
    script = "script.txt"         # comp and rank hold the takes against it; beside this file

The nearest file alone counts; files further up are not merged in.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from vocheck.errors import TargetError

FILE_NAME = "vocheck.toml"
_TABLES = ("limits", "destinations", "session")


@dataclass(frozen=True)
class Config:
    """What a ``vocheck.toml`` says.

    Attributes
    ----------
    path : Path or None
        The file, or ``None`` where there is none and every setting is as shipped.
    limits, destinations : mapping of str to mapping
        Overrides by name.
    session : mapping
        ``pattern``: how a file name tells line and take; ``script``: the script's file.
    """

    path: Path | None = None
    limits: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    destinations: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    session: Mapping[str, Any] = field(default_factory=dict)


def find_config(start: str | os.PathLike[str]) -> Path | None:
    """Return the nearest ``vocheck.toml`` at or above `start` (a take or a folder), if any."""
    start = Path(start).absolute()
    for folder in (start, *start.parents):
        candidate = folder / FILE_NAME
        if candidate.is_file():
            return candidate
    return None


def load_config(path: Path | None) -> Config:
    """Read a ``vocheck.toml``; ``None`` gives the settings as shipped.

    Raises
    ------
    TargetError
        If the file is not TOML or holds a table that vocheck does not know.
    """
    if path is None:
        return Config()
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise TargetError(f"{path}: not valid TOML: {error}") from error
    unknown = sorted(set(tables) - set(_TABLES))
    if unknown:
        raise TargetError(f"{path}: unknown table [{unknown[0]}]; known are {', '.join(_TABLES)}")
    return Config(path=path, **tables)
