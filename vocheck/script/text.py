"""The script: which words belong to which line.

A script is a text file with one line per take id (``02_kiln: Ida Marlow fires her pots ...``), or a
CSV file with the columns ``line`` and ``text``. A text without ids is one line.
"""

from __future__ import annotations

import csv
import io
import os
import re
import unicodedata
from collections.abc import Mapping
from pathlib import Path

from vocheck.errors import SessionError

Script = Mapping[str, str]
"""Text by line id, in the order of the script; the id is empty where the script has none."""

_ID = re.compile(r"^\s*([\w.-]+)\s*[:\t]\s*(\S.*)$")
_BETWEEN = re.compile(r"[ ._\-–—,;~#()\[\]]+")
_WORD = re.compile(r"[A-Za-z0-9À-ÖØ-öø-ÿ]+(?:['’-][A-Za-z0-9À-ÖØ-öø-ÿ]+)*")
_VOWELS = re.compile(r"[aeiouyàáâäåèéêëìíîïòóôöøùúûü]+")


def read_script(path: str | os.PathLike[str]) -> Script:
    """Read a script, ``.csv`` or text.

    Raises
    ------
    SessionError
        If it cannot be read, holds no words, or a CSV lacks the columns ``line`` and ``text``.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise SessionError(f"{path}: cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise SessionError(f"{path}: cannot be read as a script: not UTF-8 text") from error
    lines = _from_csv(text, path) if Path(path).suffix.lower() == ".csv" else _from_text(text)
    lines = {line: words for line, words in lines.items() if words_of(words)}
    if not lines:
        raise SessionError(f"{path}: holds no words")
    return lines


def _from_csv(text: str, path: str | os.PathLike[str]) -> dict[str, str]:
    try:
        rows = list(csv.DictReader(io.StringIO(text)))
    except csv.Error as error:  # e.g. a cell beyond what a reader takes
        raise SessionError(f"{path}: cannot be read as a script: {error}") from error
    lines = {}
    for row in rows:
        cells = {str(key).strip().lower(): value for key, value in row.items()}
        if "line" not in cells or "text" not in cells:
            raise SessionError(f"{path}: a script as CSV needs the columns 'line' and 'text'")
        lines[str(cells["line"]).strip()] = str(cells["text"] or "").strip()
    return lines


def _from_text(text: str) -> dict[str, str]:
    lines: dict[str, str] = {}
    current = ""
    for row in text.splitlines():
        if found := _ID.match(row):
            current, row = found[1], found[2]
        if row.strip():
            lines[current] = f"{lines.get(current, '')} {row.strip()}".strip()
    return lines


def text_of(script: Script | None, line: str | None) -> str | None:
    """Return what a take of a line was to read, if the script says.

    A script without line ids is the text of every take.
    """
    if script is None:
        return None
    if line and line not in script:
        key = line_key(line)
        line = next((known for known in script if known and line_key(known) == key), line)
    return script.get(line or "", script.get(""))


def line_key(line: str) -> str:
    """Return what two ways to write a line share: case and separators do not matter."""
    return " ".join(_BETWEEN.split(unicodedata.normalize("NFC", line).casefold()))


def words_of(text: str) -> list[str]:
    """Return the words of a text, as they are written."""
    return _WORD.findall(text)


def syllables_in(word: str) -> int:
    """Return how many syllables a word has, by its groups of vowels (English spelling)."""
    lower = word.lower().replace("’", "'")
    groups = len(_VOWELS.findall(lower))
    # A final e is silent (make), but for -le after a consonant (kettle).
    if groups > 1 and lower.endswith("e") and not re.search(r"[^aeiouy]le$|[aeiouy]e$", lower):
        groups -= 1
    if groups > 1 and re.search(r"[^aeiouytd]ed$|[^aeiouysxz]es$", lower):
        groups -= 1
    return max(1, groups)
