"""The takes of a session, sorted into lines by what names, recorders and notes say."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from vocheck.audio.metadata import TakeMetadata, read_metadata
from vocheck.errors import AudioError, SessionError
from vocheck.policy.pattern import NamePattern
from vocheck.script.text import line_key
from vocheck.session.names import SUFFIXES, TakeName, counts_files, parse_name, says_no_take
from vocheck.session.notes import Note, Notes, combine, note_of, notes_beside

MOST_TOLD = 3
"""How many contradictions are told one by one; a session renamed wrongly has hundreds."""


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
    """Takes sorted into lines, with what is noted of them.

    Attributes
    ----------
    lines : mapping of str to sequence of (path, take number)
        In the order of their names and numbers.
    left_out : tuple of Path
        Files whose names are not those of takes.
    notes : Notes
        By path: what notes and recorders say of each take, line and number included.
    unsure : frozenset of str
        Lines whose takes are not proved to have the same words.
    problems : tuple of str
        A line on each thing that is not understood, or contradicts another.
    """

    lines: Mapping[str, Sequence[tuple[Path, int | None]]]
    left_out: tuple[Path, ...]
    notes: Notes
    unsure: frozenset[str] = frozenset()
    problems: tuple[str, ...] = ()

    @property
    def paths(self) -> list[Path]:
        """Every take, line by line."""
        return [path for takes in self.lines.values() for path, _ in takes]


def open_session(
    paths: Iterable[str | os.PathLike[str]],
    pattern: NamePattern | None = None,
    notes: Notes | None = None,
) -> Session:
    """Find takes in files and folders, sort them into lines and read their notes.

    Parameters
    ----------
    paths : iterable of path-like
        Takes, or folders of them.
    pattern : NamePattern, optional
        Tells line and take from a file's name; the usual shapes where omitted.
    notes : Notes, optional
        Where omitted, the ``notes.csv`` beside the takes are read.

    Raises
    ------
    SessionError
        If a folder holds no recording, or the notes are malformed.
    """
    found = find_recordings(paths)
    told, problems = notes_beside(found) if notes is None else (notes, ())
    names: dict[Path, TakeName | None] = {}
    noted: dict[str, Note] = {}
    wrong: list[str] = []
    for path in found:
        names[path], noted[os.path.abspath(path)], clashes = _identify(path, pattern, told)
        wrong += [f"{path}: {clash}" for clash in clashes]
    if len(wrong) > MOST_TOLD:
        wrong[MOST_TOLD:] = [f"{len(wrong) - MOST_TOLD} more files contradict their names or notes"]
    lines, left_out, unsure = group_takes(names)
    return Session(lines, tuple(left_out), noted, unsure, (*problems, *wrong))


def take_name(
    path: str | os.PathLike[str], pattern: NamePattern | None, notes: Notes | None
) -> TakeName | None:
    """Return which line and take a file is, as notes, recorder and name tell, if they do."""
    note = None if notes is None else notes.get(os.path.abspath(path))
    if note is not None and note.line:  # a session was opened, and knows
        return TakeName(note.line, note.take)
    return _identify(path, pattern, notes or {})[0]


def _identify(
    path: str | os.PathLike[str], pattern: NamePattern | None, notes: Notes
) -> tuple[TakeName | None, Note, tuple[str, ...]]:
    name = parse_name(path, pattern)
    recorder = TakeMetadata()
    # Whoever reads the take tells what is wrong with it; to open a pipe would wait for ever.
    with suppress(AudioError):
        if os.path.isfile(path):
            recorder = read_metadata(path)
    if counts_files(recorder.scene) or line_key(recorder.scene) == line_key(Path(path).stem):
        recorder = TakeMetadata(circled=recorder.circled, note=recorder.note)  # a default, no scene
    line, take = (None, None) if name is None else (name.line, name.take)
    return combine(name, recorder, note_of(notes, path, line, take))


def group_takes(
    names: Mapping[Path, TakeName | None],
) -> tuple[dict[str, list[tuple[Path, int | None]]], list[Path], frozenset[str]]:
    """Group takes by line.

    If no name tells a line, all files of one folder are takes of one line, named after the folder
    and unsure.

    Parameters
    ----------
    names : mapping of Path to TakeName or None

    Returns
    -------
    lines : dict of str to list of (path, take number)
    left_out : list of Path
        Files whose names are not those of takes.
    unsure : frozenset of str
        Lines whose names do not prove that all takes have the same words: a number may
        count something else, several folders may each have a line of that name, and a number that
        comes twice is of two things.
    """
    known = {path: name for path, name in names.items() if name is not None}
    left_out = [path for path in names if path not in known]
    if not known:
        known = {
            path: TakeName(path.absolute().parent.name, None, sure=False)
            for path in left_out
            if len(left_out) == 1 or not says_no_take(path)
        }
        left_out = [path for path in left_out if path not in known]
    groups: dict[str, list[Path]] = {}
    for path, name in known.items():
        groups.setdefault(line_key(name.line), []).append(path)
    lines: dict[str, list[tuple[Path, int | None]]] = {}
    unsure = set()
    for paths in groups.values():
        paths.sort(key=lambda path: _order(path, known[path]))
        line = min(known[path].line for path in paths)
        lines[line] = [(path, known[path].take) for path in paths]
        marks = {(known[path].take, known[path].part) for path in paths}
        proven = (
            all(known[path].sure for path in paths)
            and len({path.parent for path in paths}) == 1
            and len(marks) == len(paths)
        )
        if len(paths) > 1 and not proven:
            unsure.add(line)
    return dict(sorted(lines.items())), left_out, frozenset(unsure)


def _order(path: Path, name: TakeName) -> tuple[bool, int, str, str]:
    return name.take is None, name.take or 0, name.part, os.fspath(path)
