"""Writing notes: one field of one take in ``notes.csv``, and everything else left as it stands.

The table may be anybody's (`vocheck.session.notes` reads it): its delimiter, its titles, its other
columns and rows stay as they are, character by character; the row of the take is changed, or one is
added. The file is replaced whole, or not at all.
"""

from __future__ import annotations

import codecs
import csv
import io
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from vocheck.errors import SessionError
from vocheck.files import replacing
from vocheck.session.notes import (
    FORMULA_SIGNS,
    HEAD_ROWS,
    columns_of,
    decoded,
    delimiter_of,
    number_key,
    read_row,
    rows_of,
    take_key,
)

Field = Literal["circled", "rating", "remark"]
FIELDS: tuple[Field, ...] = ("circled", "rating", "remark")
_HEADER = ("file", *FIELDS)


@dataclass(frozen=True)
class Entry:
    """What is to be noted.

    Attributes
    ----------
    file : str
        Name of the take's file, without its folder.
    line : str or None
    take : int or None
        As its name tells.
    field : {"circled", "rating", "remark"}
    value : str
        As it stands in the table: of a circle ``"x"`` or nothing.
    """

    file: str
    line: str | None
    take: int | None
    field: Field
    value: str


@dataclass(frozen=True)
class _Row:
    """A row of the table: its cells, and the text that they were read from."""

    cells: list[str]
    text: str


@dataclass(frozen=True)
class _Table:
    delimiter: str
    end: str
    before: list[_Row]
    columns: dict[str, int]
    rows: list[_Row]


def write_entry(path: Path, entry: Entry) -> None:
    """Write one field of one take into a file of notes, which is made if there is none.

    Raises
    ------
    SessionError
        If there is a file that cannot be understood: nothing is written then.
    VocheckError
        If it cannot be written.
    """
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raw = b""
    except OSError as error:
        raise SessionError(f"{path}: cannot be read: {error.strerror or error}") from error
    text = with_entry(decoded(raw), entry, str(path))
    # With a mark where there was one, or another encoding: programs then read it as it is.
    marked = raw.startswith(codecs.BOM_UTF8) or (raw and not _is_utf8(raw))
    with replacing(path, setup=True) as temporary:
        temporary.write_bytes((codecs.BOM_UTF8 if marked else b"") + text.encode())


def with_entry(text: str, entry: Entry, where: str) -> str:
    """Return the text of a table of notes with one more entry.

    Raises
    ------
    SessionError
        If the table cannot be understood.
    """
    if not entry.file.isprintable():
        raise SessionError(f"{where}: the name of the take is no plain text: rename the file first")
    table = _parse(text, where) if text.strip() else _new_table()
    head, columns = table.before[-1], dict(table.columns)
    if entry.field not in columns:
        columns[entry.field] = len(head.cells)
        head = _changed(head, columns[entry.field], entry.field, table)
    place = _row_of(table, entry)
    rows = [*table.rows]
    value = f"'{entry.value}" if entry.value.startswith(FORMULA_SIGNS) else entry.value
    if place is None:
        rows.append(_changed(_new_row(columns, entry, table), columns[entry.field], value, table))
    else:
        rows[place] = _changed(rows[place], columns[entry.field], value, table)
    texts = [row.text for row in (*table.before[:-1], head, *rows)]
    # The last row of a file may lack its end.
    return "".join(t if t.endswith(("\n", "\r")) else t + table.end for t in texts)


def _is_utf8(raw: bytes) -> bool:
    try:
        raw.decode()
    except UnicodeDecodeError:
        return False
    return b"\0" not in raw


def _new_table() -> _Table:
    columns = {name: place for place, name in enumerate(_HEADER)}
    head = _Row([*_HEADER], ",".join(_HEADER) + "\n")
    return _Table(",", "\n", [head], columns, [])


def _parse(text: str, where: str) -> _Table:
    delimiter = delimiter_of(text)
    lines = io.StringIO(text, newline="").readlines()
    before: list[_Row] = []
    rows: list[_Row] = []
    columns: dict[str, int] | None = None
    done = 0
    for number, cells in rows_of(text, delimiter):
        if isinstance(cells, csv.Error):
            raise SessionError(
                f"{where}: row {number}: {cells}: nothing was saved; mend this row first"
            )
        row = _Row(cells, "".join(lines[done:number]))
        done = number
        if columns is None:
            columns = columns_of(cells)
            before.append(row)
            if columns is None and number >= HEAD_ROWS:
                break
        else:
            rows.append(row)
    if columns is None:
        raise SessionError(f"{where}: notes need a column 'File name', or 'Scene' and 'Take'")
    return _Table(delimiter, "\r\n" if "\r\n" in text else "\n", before, columns, rows)


def _row_of(table: _Table, entry: Entry) -> int | None:
    """Return the row that counts for a take: the last one of its file, else of its number."""
    bare = take_key(entry.file)
    known = [read_row(table.columns, row.cells)[0] for row in table.rows]
    keys = [bare]
    if entry.line is not None and entry.take is not None:
        keys.append(number_key(entry.line, entry.take))
    for key in keys:
        found = [place for place, name in enumerate(known) if name == key]
        if found:
            return found[-1]
    return None


def _new_row(columns: dict[str, int], entry: Entry, table: _Table) -> _Row:
    cells = [""] * max(len(row.cells) for row in table.before)
    if "file" in columns:
        cells[columns["file"]] = entry.file
    elif "line" in columns and entry.line is not None and entry.take is not None:
        cells[columns["line"]] = entry.line
        cells[columns["take"]] = str(entry.take)
    else:
        cells[columns["take"]] = Path(entry.file).stem
    return _Row(cells, "")


def _changed(row: _Row, place: int, value: str, table: _Table) -> _Row:
    """Return a row with another value in one cell."""
    cells = row.cells + [""] * (place + 1 - len(row.cells))
    cells[place] = value
    out = io.StringIO()
    csv.writer(out, delimiter=table.delimiter, lineterminator=table.end).writerow(cells)
    return replace(row, cells=cells, text=out.getvalue())
