r"""A studio's own settings: the nearest ``vocheck.toml`` at or above the takes.

::

    [session]
    pattern = '(?P<line>.+)_take(?P<take>\d+)'
    script = "script.txt"         # comp and rank hold the takes against it; beside this file

    [limits.noise_floor]          # what a take is held to: change a number, or add a limit
    fixable = -58.0
    [room.room_live]              # what a room is held to
    [words.missing]               # what a departure from the script means and costs
    [compare.booth]               # rooms to lay a reverberation time beside
    [character.dry]               # what a reverberation time means for a voice
    [positions.noise]             # from which difference on two positions are not alike
    [match.noise]                 # how far a pickup may differ from its reference
    [drift.level]                 # what a running session is held to
    [headroom.test_read]          # what a test read says about the takes
    [ranking.hum]                 # what facts cost when takes are put in order
    [comp.cut]                    # what a change of take costs
    [pace.usual]                  # how fast a script is read
    [edit.between_lines]          # how chosen takes are laid on a timeline
    [slots.faster]                # what it means that a line does not fit its place
    [mix.same_level]              # what is said of a mix beside the rules of its destination
    [obstacles.noise]             # what the gain to a target cannot save in a take
    [destinations.our_client]     # a delivery target of its own (see docs/targets.md)

``docs/settings.md`` tells it for users. The nearest file alone counts; files further up are not
merged in. Every key is checked when the file is read: what is not known, or of another type than
wanted, is told in one line.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from vocheck.errors import TargetError
from vocheck.policy.facts import nearest
from vocheck.policy.loader import Table, as_table, build, key_path, parse
from vocheck.policy.pattern import PatternError, name_pattern

FILE_NAME = "vocheck.toml"
SECTIONS = (
    "limits",
    "words",
    "room",
    "compare",
    "character",
    "positions",
    "match",
    "drift",
    "headroom",
    "ranking",
    "comp",
    "pace",
    "edit",
    "slots",
    "mix",
    "obstacles",
    "destinations",
)
"""The tables of settings; each holds tables by the name of what they change."""
WITH_KEYS = ("ranking",)
"""Those that hold keys of their own beside tables."""


@dataclass(frozen=True, kw_only=True)
class SessionRow:
    """The table ``[session]``.

    Attributes
    ----------
    pattern : str or None
        How a file name tells line and take.
    script : str or None
        The script's file.
    """

    pattern: str | None = None
    script: str | None = None

    def check(self, where: str) -> None:
        """Check what a type cannot say.

        Raises
        ------
        TargetError
            If the pattern cannot be used.
        """
        if self.pattern is not None:
            try:
                name_pattern(self.pattern)
            except PatternError as error:
                raise TargetError(f"{where}: pattern: {error}") from error


@dataclass(frozen=True)
class Config:
    """What a ``vocheck.toml`` says.

    Attributes
    ----------
    path : Path or None
        The file, or ``None`` where there is none and every setting is as shipped.
    sections : mapping of str to mapping
        The overrides by the names of `SECTIONS`, each by the name of what it changes.
    session : SessionRow
    """

    path: Path | None = None
    sections: Mapping[str, Table] = field(default_factory=dict)
    session: SessionRow = SessionRow()

    def section(self, name: str) -> Mapping[str, Any]:
        """Return the overrides of one of `SECTIONS`: its tables by name."""
        tables = self.sections.get(name, {})
        return {key: table for key, table in tables.items() if isinstance(table, Mapping)}

    def keys_of(self, name: str) -> Mapping[str, Any]:
        """Return the keys of one of `WITH_KEYS` that are no tables."""
        tables = self.sections.get(name, {})
        return {key: value for key, value in tables.items() if not isinstance(value, Mapping)}


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
        data = path.read_bytes()
    except OSError as error:
        raise TargetError(f"{path}: cannot be read: {error.strerror or error}") from error
    tables = parse(data, str(path))
    known = (*SECTIONS, "session")
    for name in tables:
        if name not in known:
            hint = nearest(name, known) or f"; known are {', '.join(known)}"
            raise TargetError(f"{path}: unknown table {key_path(name)}{hint}")
    session = build(SessionRow, tables.get("session", {}), f"{path}: [session]")
    session.check(f"{path}: [session]")
    sections = {}
    for name in SECTIONS:
        if name in tables:
            sections[name] = as_table(tables[name], f"{path}: {key_path(name)}")
            for key, table in sections[name].items():
                if isinstance(table, Mapping) or name not in WITH_KEYS:
                    as_table(table, f"{path}: {key_path(name, key)}")
    return Config(path=path, sections=sections, session=session)


def find_script(take: str | os.PathLike[str]) -> Path | None:
    """Return the script that the ``vocheck.toml`` nearest to a take names, if any.

    Raises
    ------
    TargetError
        If that file is malformed.
    """
    config = load_config(find_config(take))
    if config.session.script is None or config.path is None:
        return None
    return config.path.parent / config.session.script
