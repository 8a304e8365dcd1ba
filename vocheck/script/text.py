"""The script: which words belong to which line, and how long they take to read.

A script is a text file with one line per take id (``02_kiln: Ida Marlow fires her pots ...``), or a
CSV file with the columns ``line`` and ``text``. A text without ids is one line.

Read time is predicted from the number of words at three paces (`policy/pace.toml`), pauses
included. It is a forecast: a talent reads up to a fifth faster or slower.
"""

from __future__ import annotations

import csv
import io
import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

from vocheck.errors import SessionError
from vocheck.policy.config import find_config, load_config
from vocheck.policy.rule import Status
from vocheck.results import Result

Script = Mapping[str, str]
"""Text by line id, in the order of the script; the id is empty where the script has none."""

_ID = re.compile(r"^\s*([\w.-]+)\s*[:\t]\s*(\S.*)$")
_WORD = re.compile(r"[A-Za-z0-9À-ÖØ-öø-ÿ]+(?:['’-][A-Za-z0-9À-ÖØ-öø-ÿ]+)*")
_VOWELS = re.compile(r"[aeiouyàáâäåèéêëìíîïòóôöøùúûü]+")


@dataclass(frozen=True)
class Pace:
    """One row of ``pace.toml``."""

    words_per_minute: float
    source: str
    status: Status


@dataclass(frozen=True, kw_only=True)
class ReadTime(Result):
    """How long a text takes to read.

    Attributes
    ----------
    line : str
    words, syllables : int
        Syllables are counted by groups of vowels: right for English within a few percent.
    calm_s, usual_s, brisk_s : float
        At 130, 160 and 180 words per minute.
    slot_s : float or None
        The time there is.
    fits : {"calm", "usual", "brisk", "too long"} or None
        The calmest pace at which it fits the slot.
    words_over : int
        Words to cut so that it fits at the usual pace.
    """

    line: str
    words: int
    syllables: int
    calm_s: float
    usual_s: float
    brisk_s: float
    slot_s: float | None
    fits: str | None
    words_over: int


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
    rows = list(csv.DictReader(io.StringIO(text)))
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


def text_of(script: Script | None, line: str | None) -> str | None:
    """Return what a take of a line was to read, if the script says.

    A script without line ids is the text of every take.
    """
    if script is None:
        return None
    return script.get(line or "", script.get(""))


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


@cache
def load_paces() -> dict[str, Pace]:
    """Return the rows of ``pace.toml``, calmest first."""
    text = files("vocheck.policy").joinpath("pace.toml").read_text(encoding="utf-8")
    return {name: Pace(**row) for name, row in tomllib.loads(text).items()}


def read_time(text: str, slot_s: float | None = None, line: str = "") -> ReadTime:
    """Predict how long a text takes to read, and whether it fits a slot.

    Parameters
    ----------
    text : str
    slot_s : float, optional
        The time there is, in seconds.
    line : str
        Carried into the result.
    """
    words = words_of(text)
    times = {name: 60.0 * len(words) / pace.words_per_minute for name, pace in load_paces().items()}
    fits = None
    over = 0
    if slot_s is not None:
        fits = next((name for name, time in times.items() if time <= slot_s), "too long")
        room = int(slot_s * load_paces()["usual"].words_per_minute / 60.0)
        over = max(0, len(words) - room)
    return ReadTime(
        line=line,
        words=len(words),
        syllables=sum(map(syllables_in, words)),
        calm_s=times["calm"],
        usual_s=times["usual"],
        brisk_s=times["brisk"],
        slot_s=slot_s,
        fits=fits,
        words_over=over,
    )
