"""Takes held against their script, without the rest of what `vocheck.session.take` says of them."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from vocheck.results import Result
from vocheck.script.reading import Reading
from vocheck.script.text import text_of
from vocheck.session.each import Failure
from vocheck.session.lineup import find_recordings, take_name
from vocheck.session.settings import Settings
from vocheck.session.take import TakeResult, check_all

_TOLD_WITH_WORD = ("plosive", "sibilance", "clipping", "clipped_share")


@dataclass(frozen=True, kw_only=True)
class CheckedReading(Result):
    """A take file held against its line of the script.

    Attributes
    ----------
    path, line : str
    reading : Reading
    on_words : tuple of (str, str)
        Findings that fall on a word: the name of the finding's limit and the word.
    """

    path: str
    line: str
    reading: Reading
    on_words: tuple[tuple[str, str], ...]


def check_takes(
    paths: Iterable[str | os.PathLike[str]], settings: Settings
) -> tuple[list[CheckedReading], list[Failure]]:
    """Hold takes against the script of the settings, each against the line that its name tells.

    A take of a line that the script does not hold is a `Failure`, and so is a file that cannot be
    read; a script without line ids is the text of every take.

    Raises
    ------
    SessionError
        If a folder holds no recording.
    """
    asked: list[Path] = []
    failures: list[Failure] = []
    for path in find_recordings(paths):
        name = take_name(path, settings.pattern, settings.notes)
        if text_of(settings.script, name.line if name else "") is not None:
            asked.append(path)
        elif name is not None:
            error = f"{path}: {name.line} is not in the script"
            failures.append(Failure(path=str(path), error=error))
    checked: list[CheckedReading] = []
    for result in check_all(asked, settings):
        if isinstance(result, Failure):
            failures.append(result)
        elif result.reading is not None:
            checked.append(_checked(result, result.reading))
    return checked, failures


def _checked(result: TakeResult, reading: Reading) -> CheckedReading:
    on_words = tuple(
        (finding.name, word)
        for finding in result.findings
        if finding.name in _TOLD_WITH_WORD
        for word in finding.words
    )
    return CheckedReading(
        path=result.path or "", line=result.line or "", reading=reading, on_words=on_words
    )
