"""A folder of takes: which file is which line and take, as its name tells.

``02_kiln_t3.wav`` is take 3 of line ``02_kiln``. The usual shapes are known: the word for a take in
several languages before or after its number, scene, slate and take, what is written behind the
number (a pickup, a side, a rate), dates in front. A studio with other names sets a regular
expression with the groups ``line`` and ``take`` as ``pattern`` under ``[session]`` in
``vocheck.toml``; it is matched against the whole name without its suffix.

A number without a word for a take may count takes, lines or files: such a name is *unsure*, and
what it seems to say is to be proved by something else: the recorder, the notes, or the sound
(`vocheck.takes.lines`). A name that counts recordings only (``20260504_003``) says no line.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from vocheck.errors import SessionError
from vocheck.policy.pattern import NamePattern, PatternError, name_pattern

SUFFIXES = frozenset(
    ".wav .wave .bwf .rf64 .w64 .aif .aiff .aifc .caf .flac .mp3 .ogg .oga .opus"
    " .m4a .mp4 .mov .mkv .webm".split()
)
"""What counts as a recording in a folder; any file named by itself is tried."""

# The expressions are compiled when first needed (by `re`): a usual name needs few of them.
_SEPARATOR = r"[ ._\-–—,;~#()\[\]]"
_TAKE_WORDS = (
    "takes|take|tke|tk|t"  # English, and what slates write everywhere
    "|prise|toma|tomada|presa|ripresa|tagning|tagn|optagelse|opptak|opname|otto|klappe|versuch"
    "|ujęcie|ujecie|záběr|zaber|felvétel|çekim|cekim|дубль|дубл|λήψη|テイク|테이크|镜次|条"
)
# Before the word a separator, a digit (S03T2) or a change to upper case (kilnT2).
_TAKE = (
    rf"(?i)(?:^|(?<={_SEPARATOR})|(?<=\d)|(?-i:(?<=[^\W\d_A-Z])(?=[A-Z])))"
    rf"(?P<word>{_TAKE_WORDS}){_SEPARATOR}{{0,3}}(?:№ ?)?"
    rf"(?P<number>\d+|(?<={_SEPARATOR})(?:one|two|three|four|five|six|seven|eight|nine|ten))"
    r"(?P<letter>[a-z]?)(?![^\W_])"
)
_ORDINAL = (
    rf"(?i)(?:^|(?<={_SEPARATOR}))第?(?P<number>\d+)(?:st|nd|rd|th|er|ère|e|ème|a|ª|º|\.)?"
    rf"{_SEPARATOR}{{0,2}}(?P<word>take|prise|toma|presa|tagning|ujęcie|дубль|条|テイク)"
    r"(?P<letter>)(?![^\W_])"
)
_NUMBER_WORDS = "one two three four five six seven eight nine ten".split()
# What is written beside line and number. It makes a file another one, not another line.
_TAG = (
    r"pick[ ._-]?ups?\d*|pu\d*|p\.?u\.?|edit(?:ed)?\d*|ed|l|r|c|left|right|ch\d+|mono|stereo"
    r"|raw|dry|wet|final|fin|master|mst|rev\d*|v\d+|copy|kopie|copie|copia|\d{2,3}(?:[.,]\d+)?k(?:hz)?"
    r"|(?:44|48|88|96|176|192)(?:[.,]?[124])?00?0?hz|(?:16|24|32)[ -]?b(?:it)?f?(?:loat)?|float"
    r"|alt\d*|wild|safety|slow(?:er)?|fast(?:er)?|soft(?:er)?|loud(?:er)?|good|best|ok|ng|nc|print"
    r"|select(?:ed)?|sel|circled?|keep|x|fs|mic\d*|boom|lav\d*|bounce|cons(?:olidated)?"
)
_PICKUP = r"(?i)pick[ ._-]?ups?|p\.?u\.?\d*"
_TAGS_BEHIND = rf"(?i)^(?:{_SEPARATOR}*(?:{_TAG}|\d{{1,2}}|[a-z])(?=$|{_SEPARATOR}))*{_SEPARATOR}*$"
_LAST_TAG = rf"(?i)(?:{_SEPARATOR}+)(?P<tag>{_TAG}|\(\d\))[)\]]*$"
_SCENE_TAG = (
    rf"(?i){_SEPARATOR}+(?P<tag>pick[ ._-]?ups?\d*|pu\d*|(?:44|48|88|96|192)(?:[.,]\d+)?k(?:hz)?"
    rf"|(?:16|24|32)[ -]?bit)$"
)
_DATE = (
    r"(?:(?:19|20)\d\d[-_. ]?(?:0[1-9]|1[0-2])[-_. ]?(?:0[1-9]|[12]\d|3[01])"
    r"|(?:0[1-9]|[12]\d|3[01])[-_. ](?:0[1-9]|1[0-2])[-_. ](?:19|20)?\d\d)"
)
_SHORT_DATE = r"\d\d(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])"
_TIME = rf"(?:{_SEPARATOR}*t?(?:[01]\d|2[0-3])[-_.h]?[0-5]\d(?:[-_.m]?[0-5]\d)?)?"
_DATE_BEFORE = rf"(?i)^(?P<date>(?:{_DATE}|{_SHORT_DATE}){_TIME})(?={_SEPARATOR}|$){_SEPARATOR}*"
_DATE_BEHIND = rf"(?i){_SEPARATOR}+(?P<date>(?:{_DATE}|{_SHORT_DATE}){_TIME})$"
# What recorders, telephones and editors call a recording by themselves.
_COUNTER = (
    r"(?i)"
    r"^(?:zoom|rec|recording|new recording|record|dr|ste|stereo|mono|track|trk|tr|audio|audio file"
    r"|voice|voice memo|voice recording|memo|note|untitled|unnamed|file|wav|snd|sound|clip|item"
    r"|take|neue aufnahme|aufnahme|nouvel enregistrement|enregistrement|grabación|grabacion"
    r"|nueva grabación|registrazione|nuova registrazione|inspelning|запись|r|h\d|f\d|img|mvi|dsc"
    r"|vid|session|new session)[ ._-]*[\d ._-]*$"
)
_NO_TAKE = (
    r"(?i)^(?:room[ _-]?tone|tone|mix|slate|noise|ambience|atmo|music|clap|sweep|bars)(?![^\W_])"
)
_BARE_NUMBER = r"^(?P<line>.*?[^ ._\-–—#()\[\],])(?:[ ._\-–—]+#?|#| ?\()(?P<number>\d{1,4})[)\]]?$"
_SLATE = r"\d{1,3}(?:[ ._-]\d{1,3}){1,2}"
"""Numbers only: line and take, or scene, slate and take."""
_EDGE = " ._-–—,;~#()[]"


@dataclass(frozen=True)
class TakeName:
    """Which line and take a file is.

    Attributes
    ----------
    line : str
    take : int or None
        The number, where the name tells it.
    part : str
        What else the name says: ``"pickup"``, ``"L"``, a date.
    sure : bool
        False where the number may count something else, or the file may be part of a line.
    """

    line: str
    take: int | None
    part: str = ""
    sure: bool = True


def take_number(text: str) -> tuple[int | None, str]:
    """Return the number in what a person or a recorder wrote as a take, and the rest.

    ``"3"``, ``"T03"`` and ``"take 3"`` are 3; ``"3 PU"`` is 3 with the rest ``"PU"``.
    """
    found = re.fullmatch(rf"\W*(?:{_TAKE_WORDS})?\W{{0,3}}(\d{{1,9}})(.*)", text, re.IGNORECASE)
    return (int(found[1]), found[2].strip(_EDGE)) if found else (None, text.strip(_EDGE))


def counts_files(text: str) -> bool:
    """Return whether that is how a recorder counts its files, or a date."""
    return re.match(_COUNTER, text) is not None or re.fullmatch(r"[\d ._-]{5,}", text) is not None


def is_pickup(tags: str) -> bool:
    """Return whether what stands beside line and take says that only a part was read."""
    return any(re.fullmatch(_PICKUP, tag) for tag in tags.split())


def says_no_take(path: str | os.PathLike[str]) -> bool:
    """Return whether a name is that of room tone, a mix or another thing that is no take."""
    return re.match(_NO_TAKE, Path(path).stem) is not None


def compile_pattern(pattern: str | None = None) -> NamePattern | None:
    """Return a file-name pattern ready for use; ``None`` stands for the usual shapes.

    Raises
    ------
    SessionError
        If it is not a regular expression or lacks the group ``line``.
    """
    if pattern is None:
        return None
    try:
        return name_pattern(pattern)
    except PatternError as error:
        raise SessionError(f"pattern {pattern!r}: {error}") from error


def parse_name(path: str | os.PathLike[str], pattern: NamePattern | None = None) -> TakeName | None:
    """Return which line and take a file is, or ``None`` if its name does not say."""
    path = Path(path)
    if pattern is None:
        return _usual_name(unicodedata.normalize("NFC", path.stem), path)
    found = pattern.groups(path.stem)
    if found is None or not found["line"]:
        return None
    take = found.get("take")
    return TakeName(found["line"], int(take) if take and take.isdigit() else None)


def _usual_name(stem: str, path: Path) -> TakeName | None:
    stem, parts = _without_dates(stem)
    found = _last(re.finditer(_TAKE, stem)) or re.search(_ORDINAL, stem)
    if found is None:
        return _counted_name(stem, parts)
    before, behind = stem[: found.start()].strip(_EDGE), stem[found.end() :]
    before, inside = _without_tags(before, _SCENE_TAG)
    if dated := _dated(_DATE_BEHIND, before):
        before, parts = before[: dated.start()], [*parts, dated["date"]]
    if not before and not _are_tags(behind):  # the take first: "T4 - river"
        before, behind_tags = _without_tags(behind.strip(_EDGE), _LAST_TAG)
        parts, behind = [*parts, *behind_tags], ""
    sure = True
    if not _are_tags(behind):  # words on both sides: they belong to the line
        before, sure = f"{before}_{behind.strip(_EDGE)}", False
        behind = ""
    tags = [*parts, found["letter"], *inside, *_parted(behind)]
    if not before or counts_files(before):
        line = path.absolute().parent.name
        if before or parts or not line:
            return None  # a recorder counts its files, whatever is read
        before, sure = line, False
    part = " ".join(filter(None, tags))
    return TakeName(before, _number(found["number"]), part, sure and not is_pickup(part))


def _counted_name(stem: str, parts: Sequence[str]) -> TakeName | None:
    """Read a name without a word for a take: its last number seems to count them."""
    bare, tags = _without_tags(stem, _LAST_TAG)
    found = re.match(_BARE_NUMBER, bare)
    if found is None:  # "kiln (3)": no copy of kiln
        found, tags = re.match(_BARE_NUMBER, stem), []
    if found is None or counts_files(found["line"]) or re.match(_NO_TAKE, stem):
        return None
    if not re.search(r"[^\W\d_]", bare) and not re.fullmatch(_SLATE, bare):
        return None
    line, inside = _without_tags(found["line"], _SCENE_TAG)
    part = " ".join([*parts, *inside, *tags])
    return TakeName(line, int(found["number"]), part, sure=False)


def _without_dates(stem: str) -> tuple[str, list[str]]:
    """Take a date off either end, unless nothing else is left."""
    dates = []
    for place in (_DATE_BEFORE, _DATE_BEHIND):
        found = _dated(place, stem)
        rest = stem if found is None else stem[: found.start()] + stem[found.end() :]
        if found is not None and any(letter.isalpha() for letter in rest):
            dates.append(found["date"])
            stem = rest
    return stem, dates


def _dated(pattern: str, text: str) -> re.Match[str] | None:
    """Search for a date, unless there are too few digits for one: the search is a dear one."""
    return re.search(pattern, text) if sum(map(str.isdigit, text)) >= 6 else None


def _are_tags(behind: str) -> bool:
    """Return whether what stands behind the take is nothing, or nothing but tags."""
    return not behind or re.match(_TAGS_BEHIND, behind) is not None


def _without_tags(text: str, tag: str) -> tuple[str, list[str]]:
    tags: list[str] = []
    while found := re.search(tag, text):
        tags.insert(0, found["tag"].strip("()"))
        text = text[: found.start()].rstrip(_EDGE)
    return text, tags


def _parted(text: str) -> list[str]:
    return [part for part in re.split(r"[ ._,;()\[\]–—~]+", text) if part.strip(_EDGE)]


def _number(text: str) -> int:
    word = text.lower()
    return _NUMBER_WORDS.index(word) + 1 if word in _NUMBER_WORDS else int(text)


def _last(found: Iterable[re.Match[str]]) -> re.Match[str] | None:
    return max(found, key=lambda match: match.start(), default=None)
