"""Takes held against their script, without the rest of what `vocheck.session.take` says of them."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass

from vocheck.errors import AudioError
from vocheck.results import Result
from vocheck.script.reading import Reading
from vocheck.script.text import Script, text_of
from vocheck.session.each import Failure
from vocheck.session.names import find_recordings, parse_name, pattern_for
from vocheck.session.take import load_take

_TOLD_WITH_WORD = ("plosive", "sibilance", "clipping", "clipped_share")


@dataclass(frozen=True, kw_only=True)
class CheckedReading(Result):
    """A take file held against its line of the script.

    Attributes
    ----------
    path, line : str
    reading : Reading
    on_words : tuple of (str, str)
        Findings that fall on a word: the finding's name and the word.
    """

    path: str
    line: str
    reading: Reading
    on_words: tuple[tuple[str, str], ...]


def check_takes(
    paths: Iterable[str | os.PathLike[str]], script: Script, pattern: str | None = None
) -> tuple[list[CheckedReading], list[Failure]]:
    """Hold takes against the script, each against the line that its name tells.

    A take of a line that the script does not hold is a `Failure`, and so is a file that cannot be
    read; a script without line ids is the text of every take.

    Raises
    ------
    SessionError
        If a folder holds no recording.
    """
    checked: list[CheckedReading] = []
    failures: list[Failure] = []
    for path in find_recordings(paths):
        name = parse_name(path, pattern_for(path, pattern))
        line = name.line if name else ""
        if text_of(script, line) is None:
            if name is not None:
                failures.append(
                    Failure(path=str(path), error=f"{path}: {line} is not in the script")
                )
            continue
        try:
            _, result = load_take(path, pattern=pattern, script=script)
        except AudioError as error:
            failures.append(Failure(path=str(path), error=str(error)))
            continue
        assert result.reading is not None
        on_words = tuple(
            (finding.name.replace("_", " "), word)
            for finding in result.findings
            if finding.name in _TOLD_WITH_WORD
            for word in finding.words
        )
        checked.append(
            CheckedReading(path=str(path), line=line, reading=result.reading, on_words=on_words)
        )
    return checked, failures
