"""A folder of takes: which file is which line and take, and what the session notes say.

A file name tells line and take: ``02_kiln_t3.wav`` is take 3 of line ``02_kiln``. The pattern is a
regular expression with the groups ``line`` and ``take``, matched against the whole name without its
suffix; a studio sets its own as ``pattern`` under ``[session]`` in ``vocheck.toml``.

Notes are a CSV file with the columns ``take, circled, rating, remark`` (``notes.csv`` in the folder
is found by itself). A circled take is the director's choice.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from vocheck.errors import SessionError
from vocheck.policy.pattern import NamePattern, PatternError, name_pattern
from vocheck.results import Result

DEFAULT_PATTERN = r"(?P<line>.+?)[ ._-]+(?:take|tk|t)[ ._-]*(?P<take>\d+)"
NOTES_NAME = "notes.csv"
SUFFIXES = frozenset(
    ".wav .wave .bwf .rf64 .w64 .aif .aiff .aifc .caf .flac .mp3 .ogg .oga .opus"
    " .m4a .mp4 .mov .mkv .webm".split()
)
"""What counts as a recording in a folder; any file named by itself is tried."""

_YES = frozenset({"1", "y", "yes", "true", "x", "circled", "o"})


@dataclass(frozen=True)
class TakeName:
    """Which line and take a file is: `line` and, where the name tells it, the `take` number."""

    line: str
    take: int | None


@dataclass(frozen=True, kw_only=True)
class Note(Result):
    """What the session notes say of one take.

    Attributes
    ----------
    circled : bool
        The director's choice.
    rating : float or None
    remark : str
    """

    circled: bool = False
    rating: float | None = None
    remark: str = ""


Notes = Mapping[str, Note]
"""Notes by take: the file's name without suffix, in lower case."""


def compile_pattern(pattern: str = DEFAULT_PATTERN) -> NamePattern:
    """Return a file-name pattern ready for use.

    Raises
    ------
    SessionError
        If it is not a regular expression or lacks the group ``line``.
    """
    try:
        return name_pattern(pattern)
    except PatternError as error:
        raise SessionError(f"pattern {pattern!r}: {error}") from error


def parse_name(path: str | os.PathLike[str], pattern: NamePattern) -> TakeName | None:
    """Return which line and take a file is, or ``None`` if its name does not say."""
    found = pattern.groups(Path(path).stem)
    if found is None or not found["line"]:
        return None
    take = found.get("take")
    return TakeName(found["line"], int(take) if take and take.isdigit() else None)


def find_recordings(paths: Iterable[str | os.PathLike[str]]) -> list[Path]:
    """Return the recordings among files and folders, in the order of their names.

    Folders are looked through to any depth; hidden files are left out.

    Raises
    ------
    SessionError
        If a path does not exist, or a folder holds no recording.
    """
    found: list[Path] = []
    for path in map(Path, paths):
        if not path.is_dir():
            found.append(path)
            continue
        inside = sorted(
            file
            for file in path.rglob("*")
            if file.suffix.lower() in SUFFIXES
            and not any(part.startswith(".") for part in file.relative_to(path).parts)
        )
        if not inside:
            raise SessionError(f"{path}: no recordings in this folder")
        found.extend(inside)
    return found


@dataclass(frozen=True)
class Session:
    """Takes sorted into lines, with what the notes say of them.

    Attributes
    ----------
    lines : mapping of str to sequence of (path, take number)
        In the order of their names and numbers.
    left_out : tuple of Path
        Files whose names are not those of takes.
    notes : Notes
    """

    lines: Mapping[str, Sequence[tuple[Path, int | None]]]
    left_out: tuple[Path, ...]
    notes: Notes

    @property
    def paths(self) -> list[Path]:
        """Every take, line by line."""
        return [path for takes in self.lines.values() for path, _ in takes]


def open_session(
    paths: Iterable[str | os.PathLike[str]], pattern: NamePattern, notes: Notes | None = None
) -> Session:
    """Find takes in files and folders, sort them into lines and read their notes.

    Parameters
    ----------
    paths : iterable of path-like
        Takes, or folders of them.
    pattern : NamePattern
        Tells line and take from a file's name.
    notes : Notes, optional
        Where omitted, the ``notes.csv`` beside the takes are read.

    Raises
    ------
    SessionError
        If a folder holds no recording, or the notes are malformed.
    """
    found = find_recordings(paths)
    lines, left_out = group_takes(found, pattern)
    return Session(lines, tuple(left_out), notes_beside(found) if notes is None else notes)


def group_takes(
    paths: Iterable[Path], pattern: NamePattern
) -> tuple[dict[str, list[tuple[Path, int | None]]], list[Path]]:
    """Group takes by line, and return the files whose names are not those of takes.

    If no name fits the pattern, all files of one folder are takes of one line, named after the
    folder.
    """
    lines: dict[str, list[tuple[Path, int | None]]] = {}
    others: list[Path] = []
    for path in paths:
        name = parse_name(path, pattern)
        if name is None:
            others.append(path)
        else:
            lines.setdefault(name.line, []).append((path, name.take))
    if not lines:
        for path in others:
            lines.setdefault(path.absolute().parent.name, []).append((path, None))
        others = []
    for takes in lines.values():
        takes.sort(key=lambda item: (item[1] is None, item[1] or 0, item[0].name))
    return dict(sorted(lines.items())), others


def read_notes(path: str | os.PathLike[str]) -> Notes:
    """Read session notes: CSV with a header and at least the column ``take``.

    Raises
    ------
    SessionError
        If the file cannot be read or lacks the column ``take``.
    """
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise SessionError(f"{path}: cannot be read as notes: {error}") from error
    notes = {}
    for row in rows:
        cells = {
            (key or "").strip().lower(): (value or "").strip()
            for key, value in row.items()
            if not isinstance(value, list)
        }
        if "take" not in cells:
            raise SessionError(f"{path}: notes need a column 'take'")
        notes[take_key(cells["take"])] = Note(
            circled=cells.get("circled", "").lower() in _YES,
            rating=_number(cells.get("rating", "")),
            remark=cells.get("remark", ""),
        )
    return notes


def notes_beside(paths: Iterable[Path]) -> Notes:
    """Return what the ``notes.csv`` beside the takes say, of every folder that has one."""
    notes: dict[str, Note] = {}
    for folder in dict.fromkeys(path.parent for path in paths):
        if (folder / NOTES_NAME).is_file():
            notes.update(read_notes(folder / NOTES_NAME))
    return notes


def take_key(take: str | os.PathLike[str]) -> str:
    """Return the name by which notes and takes find each other: bare, no suffix, lower case."""
    name = Path(take).name
    stem, dot, suffix = name.rpartition(".")
    return (stem if dot and f".{suffix.lower()}" in SUFFIXES else name).lower()


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None
