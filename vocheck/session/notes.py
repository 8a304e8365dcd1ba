"""What the notes of a session say of its takes.

Notes are a table with a header: CSV of any usual delimiter, in UTF-8, UTF-16 or Windows-1252, as
spreadsheets and script supervisors write it (``notes.csv`` beside the takes is found by itself). A
row is of a file (``File name``), or of a take by its numbers (``Scene`` or ``Line``, and ``Take``).
It may circle the take, rate it, and hold a remark. Of a file it may say which line and take it is:
that counts before the file's own metadata, and before its name.
"""

from __future__ import annotations

import codecs
import csv
import io
import math
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from vocheck.audio.metadata import TakeMetadata
from vocheck.errors import SessionError
from vocheck.results import Result
from vocheck.script.text import line_key
from vocheck.session.names import SUFFIXES, TakeName, is_pickup, take_number

NOTES_NAME = "notes.csv"
_HEADERS = {
    "file": "file filename clip clipname recording wav wavfile datei dateiname fichier archivo",
    "line": "line lineid linename scene scenename cue cueid cuename szene cena escena scena zeile",
    "slate": "slate shot setup klappe plan",
    "take": "take takes takeno takenumber taken tk prise toma presa tagning",
    "circled": "circled circle circletake circledtake circ selected select pick print keep",
    "rating": "rating rate stars star score bewertung note0to5",
    "remark": "remark remarks note notes comment comments description bemerkung kommentar",
}
_COLUMN = {word: column for column, words in _HEADERS.items() for word in words.split()}
_DELIMITERS = ",;\t|"
FORMULA_SIGNS = ("=", "+", "-", "@")
"""What spreadsheets take for the beginning of a formula."""
HEAD_ROWS = 10
"""A table may have a title of a few rows above its header."""
_YES = frozenset("1 y yes true x circled o ja oui si sí да ok * ★ ☆ ✓ ✔ ● ◯ ○ ⭕".split())


@dataclass(frozen=True, kw_only=True)
class Note(Result):
    """What is noted of one take.

    Attributes
    ----------
    circled : bool
        The director's choice.
    rating : float or None
    remark : str
    line : str
        Which line the take is, where that is noted; else empty.
    take : int or None
        Its number, where that is noted.
    """

    circled: bool = False
    rating: float | None = None
    remark: str = ""
    line: str = ""
    take: int | None = None


Notes = Mapping[str, Note]
"""Notes by `take_key`, by `number_key`, or by the path of a file, which counts first."""


def take_key(take: str | os.PathLike[str]) -> str:
    """Return the name by which notes and takes find each other: bare, no suffix, lower case."""
    name = Path(take).name
    stem, dot, suffix = name.rpartition(".")
    return (stem if dot and f".{suffix.lower()}" in SUFFIXES else name).lower()


def number_key(line: str, take: int | None) -> str:
    """Return the name by which notes find a take by its line and number; no file can have it."""
    return f"{line_key(line)}/{take}"


def note_of(
    notes: Notes, path: str | os.PathLike[str] | None, line: str | None, take: int | None
) -> Note | None:
    """Return what is noted of a take, by its path, its file's name, or its line and number."""
    keys = []
    if path is not None:
        # Two folders may hold files of one name; what lies beside a file is of that file.
        folder = os.path.abspath(os.path.dirname(path))
        bare = take_key(path)
        keys += [os.path.abspath(path), os.path.join(folder, bare), bare]
        if line is not None and take is not None:
            keys.append(os.path.join(folder, number_key(line, take)))
    if line is not None and take is not None:
        keys.append(number_key(line, take))
    return next((notes[key] for key in keys if key in notes), None)


def read_notes(path: str | os.PathLike[str]) -> Notes:
    """Read session notes.

    Raises
    ------
    SessionError
        If the file cannot be read, or has no column that says which take a row belongs to.
    """
    return parse_notes(path)[0]


def parse_notes(path: str | os.PathLike[str]) -> tuple[Notes, tuple[str, ...]]:
    """Read session notes, and a line on each row or cell that is not understood.

    Raises
    ------
    SessionError
        If the file cannot be read, or has no column that says which take a row belongs to.
    """
    try:
        text = decoded(Path(path).read_bytes())
    except OSError as error:
        raise SessionError(f"{path}: cannot be read as notes: {error.strerror or error}") from error
    if "\0" in text:
        raise SessionError(f"{path}: cannot be read as notes: this is no text")
    notes: dict[str, Note] = {}
    problems: list[str] = []
    columns: dict[str, int] | None = None
    for number, row in rows_of(text, delimiter_of(text)):
        if isinstance(row, csv.Error):
            problems.append(f"{path}: row {number}: {row}: not used")
        elif columns is None:
            columns = columns_of(row)
            if columns is None and number >= HEAD_ROWS:
                break
        elif any(cell.strip() for cell in row):
            key, note, wrong = read_row(columns, row)
            problems += [f"{path}: row {number}: {what}" for what in wrong]
            if key:
                notes[key] = note
    if columns is None:
        raise SessionError(f"{path}: notes need a column 'File name', or 'Scene' and 'Take'")
    return notes, tuple(problems)


def notes_beside(paths: Iterable[Path]) -> tuple[Notes, tuple[str, ...]]:
    """Return what the ``notes.csv`` beside takes say, of every folder that has one."""
    notes: dict[str, Note] = {}
    problems: list[str] = []
    for folder in dict.fromkeys(path.parent for path in paths):
        if (folder / NOTES_NAME).is_file():
            found, wrong = parse_notes(folder / NOTES_NAME)
            # Of the files in that folder only: another day has its own take 3.
            place = os.path.abspath(folder)
            notes |= {os.path.join(place, key): note for key, note in found.items()}
            problems += wrong
    return notes, tuple(problems)


def combine(
    name: TakeName | None, told: TakeMetadata, note: Note | None
) -> tuple[TakeName | None, Note, tuple[str, ...]]:
    """Return which line and take a file is and what is noted of it, and what contradicts.

    The notes count before what the recorder wrote into the file, and that before the name.

    Parameters
    ----------
    name : TakeName or None
        As the file's name tells.
    told : TakeMetadata
        What the recorder wrote.
    note : Note or None
        What the notes say.
    """
    wrong: list[str] = []
    number, rest = take_number(told.take)
    if told.scene and number is not None:
        recorder = TakeName(told.scene, number, rest, sure=not is_pickup(rest))
        if name is None or not name.sure:
            name = recorder
        elif not _agree(name, recorder):
            wrong.append(
                f"the name says line {name.line}, take {name.take}; the recorder wrote scene "
                f"{told.scene}, take {told.take}, which counts"
            )
            # One of the two is wrong: the sound has to tell which takes belong together.
            name = TakeName(told.scene, number, rest, sure=False)
    if note is None:
        note = Note(circled=bool(told.circled), remark=told.note)
    elif told.circled and not note.circled:
        wrong.append("the recorder circled it, the notes do not: the notes count")
    if note.line:
        if name is not None and name.sure and not _agree(name, TakeName(note.line, note.take)):
            wrong.append(
                f"the notes say line {note.line}, take {note.take}; the file says line "
                f"{name.line}, take {name.take}: the notes count"
            )
        name = TakeName(note.line, note.take, "" if name is None else name.part)
    if not note.remark and told.note:
        note = Note(circled=note.circled, rating=note.rating, remark=told.note)
    if name is not None:
        note = Note(
            circled=note.circled,
            rating=note.rating,
            remark=note.remark,
            line=name.line,
            take=name.take,
        )
    return name, note, tuple(wrong)


def _agree(one: TakeName, other: TakeName) -> bool:
    """Whether two say the same take: one may write less of the line than the other."""
    a, b = (re.sub(r"[\W_]", "", line_key(name.line)) for name in (one, other))
    numbers = one.take == other.take or None in (one.take, other.take)
    return numbers and (a in b or b in a)


def decoded(raw: bytes) -> str:
    """Return the text of a table, whichever usual encoding it is in."""
    for mark, encoding in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if raw.startswith(mark):
            return raw.decode(encoding, errors="replace")
    # Without a mark: of text in Latin letters, every other byte is zero.
    if b"\0" in raw[:200:2] or b"\0" in raw[1:200:2]:
        encoding = "utf-16-be" if raw[:200:2].count(0) > raw[1:200:2].count(0) else "utf-16-le"
        decoded = raw.decode(encoding, errors="replace")
        return decoded if "\ufffd" not in decoded else "\0"
    for encoding in ("utf-8", "cp1252"):
        try:
            return raw.decode(encoding)
        except UnicodeDecodeError:
            continue
    return raw.decode("latin-1")


def delimiter_of(text: str) -> str:
    """Return the delimiter by which most headers are known."""
    head = "\n".join(text.splitlines()[:HEAD_ROWS])

    def known(delimiter: str) -> int:
        rows = (row for _, row in rows_of(head, delimiter) if not isinstance(row, csv.Error))
        return max((sum(_header(cell) is not None for cell in row) for row in rows), default=0)

    return max(_DELIMITERS, key=known)


def rows_of(text: str, delimiter: str) -> Iterator[tuple[int, list[str] | csv.Error]]:
    """Yield each row of a table, or what is wrong with it, and how many lines were read so far."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    while True:
        try:
            row: list[str] | csv.Error = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            row = error
        yield reader.line_num, row


def _header(cell: str) -> str | None:
    return _COLUMN.get(re.sub(r"[\W_]", "", cell.casefold()))


def columns_of(row: list[str]) -> dict[str, int] | None:
    """Return where each known column is, if this row is the header."""
    found: dict[str, int] = {}
    for place, cell in enumerate(row):
        if (column := _header(cell)) is not None:
            found.setdefault(column, place)
    return found if "file" in found or "take" in found else None


def read_row(columns: Mapping[str, int], row: list[str]) -> tuple[str, Note, list[str]]:
    """Return the take of a row (empty: nobody can tell), its note, and what is wrong."""

    def cell(column: str) -> str:
        place = columns.get(column, len(row))
        return row[place].strip() if place < len(row) else ""

    line = "_".join(filter(None, (cell("line"), cell("slate"))))
    file, take = cell("file"), cell("take")
    number, _ = take_number(take)
    wrong = []
    if "file" not in columns and (number is None or not line):
        file = take  # the column of takes holds names of files
    rating = _rating(cell("rating"))
    if rating is None and cell("rating"):
        wrong.append(f"rating {cell('rating')!r} is no number: left out")
    note = Note(
        circled=cell("circled").casefold() in _YES,
        rating=rating,
        remark=_without_mark(cell("remark")),
        line=line if file and number is not None and "file" in columns else "",
        take=number if file and line and "file" in columns else None,
    )
    if file:
        return take_key(file.replace("\\", "/")), note, wrong
    if line and number is not None:
        return number_key(line, number), note, wrong
    return "", note, [*wrong, "names no file, and no scene with a take: not used"]


def _without_mark(text: str) -> str:
    """Return text without the apostrophe that keeps a spreadsheet from taking it for a formula."""
    return text[1:] if text.startswith("'") and text[1:].startswith(FORMULA_SIGNS) else text


def _rating(text: str) -> float | None:
    stars = re.sub(r"[☆✩✰\s]", "", text)
    if stars and set(stars) <= set("*★⭐"):
        return float(len(stars))
    found = re.fullmatch(r"(-?\d{1,9}(?:[.,]\d{1,9})?)(?:\s*/\s*\d+)?", text)
    number = float(found[1].replace(",", ".")) if found else math.nan
    return number if math.isfinite(number) else None
