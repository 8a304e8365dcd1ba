"""Takes whose names do not tell their line, sorted by the words that are read in them.

The recognizer holds each against every line of the script (`vocheck.passes.one`). A name that tells
a line of the script as well is a second witness; one that tells another is reported.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import replace
from functools import partial
from pathlib import Path

from vocheck.passes.one import HeardLine, hear_line, script_key
from vocheck.script.reading import can_hear_words
from vocheck.script.text import Script, line_key
from vocheck.session.each import each
from vocheck.session.lineup import MOST_TOLD, Session, open_session
from vocheck.session.names import parse_name, says_no_take
from vocheck.session.notes import Note
from vocheck.session.settings import Settings
from vocheck.session.takefile import TakeFile

SURE = 0.5
"""What is told with less confidence stays where its name puts it: our choice."""
_MADE_BY = ("script", "passes")


def open_lines(paths: Iterable[str | os.PathLike[str]], settings: Settings) -> Session:
    """Find takes, sort them into lines by names and notes, and where those do not tell, by words.

    Raises
    ------
    SessionError
        As `vocheck.session.lineup.open_session` does.
    """
    session = open_session(paths, settings.pattern, settings.notes)
    script = settings.script
    if script is None or set(script) == {""} or not can_hear_words():
        return session
    unsure = [path for line in session.unsure for path, _ in session.lines[line]]
    unsure += [path for path in session.left_out if not says_no_take(path)]
    if not unsure:
        return session
    work = partial(_hear, script=script)
    heard = {
        path: told
        for path, told in zip(unsure, each(work, unsure, settings), strict=True)
        if isinstance(told, HeardLine) and told.line is not None and told.confidence >= SURE
    }
    return _sorted_anew(session, heard, settings)


def _hear(file: TakeFile, script: Script) -> HeardLine:
    make = partial(hear_line, script=script)
    return file.remember(HeardLine, make, script_key(script), made_by=_MADE_BY)


def _sorted_anew(session: Session, heard: dict[Path, HeardLine], settings: Settings) -> Session:
    """Put the takes whose words were heard into their lines, numbered in the order of names."""
    lines = {
        line: [take for take in takes if take[0] not in heard]
        for line, takes in session.lines.items()
    }
    known = {line_key(line): line for line in lines}
    notes, problems = dict(session.notes), []
    numbers: dict[str, int] = {}
    for path in sorted(heard):
        told = heard[path].line or ""
        line = known.setdefault(line_key(told), told)
        name = parse_name(path, settings.pattern)
        if _contradicts(name.line if name else "", told, settings.script or {}):
            problems.append(f"{path}: its name says {name.line if name else ''}, its words {told}")
        taken = [number or 0 for _, number in lines.get(line, ())]
        number = max([numbers.get(line, 0), *taken]) + 1
        numbers[line] = number
        lines.setdefault(line, []).append((path, number))
        key = os.path.abspath(path)
        notes[key] = replace(notes.get(key, Note()), line=line, take=number)
    if len(problems) > MOST_TOLD:
        problems[MOST_TOLD:] = [f"{len(problems) - MOST_TOLD} more names say another line"]
    return Session(
        lines=dict(sorted((line, takes) for line, takes in lines.items() if takes)),
        left_out=tuple(path for path in session.left_out if path not in heard),
        notes=notes,
        unsure=frozenset(
            line
            for line in session.unsure
            if any(path not in heard for path, _ in session.lines[line])
        ),
        problems=(*session.problems, *problems),
    )


def _contradicts(named: str, told: str, script: Script) -> bool:
    """Return whether a name tells a line of the script that is not the one that was heard."""
    keys = {line_key(line) for line in script}
    return line_key(named) in keys and line_key(named) != line_key(told)
