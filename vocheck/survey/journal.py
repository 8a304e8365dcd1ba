"""What a survey has measured so far: kept line by line, put in order at the end.

While a survey runs, its lines stand in a database beside the output (``OUT.jsonl.journal``,
SQLite). A line is in it as soon as it is measured, whole or not at all: a run that is killed loses
only what was being measured, and what was cut off while it was written is undone when the journal
is opened again. A second run on the same output is refused as long as the first one goes on.

Which recordings there are is a table as well, in a temporary file: it needs no memory. The output
itself is written at the end, sorted by path, under a temporary name (`vocheck.files.replacing`).
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path
from types import TracebackType

from vocheck.errors import VocheckError
from vocheck.files import refuse_to_write, replacing
from vocheck.plain import plain_json
from vocheck.survey.files import FileState
from vocheck.survey.work import MadeBy, head_of

SUFFIX = ".journal"
_LOG_SUFFIX = "-wal"  # SQLite's own file beside a database

# `line` outlives this process, `found` does not. A name need be no text: `path` are its bytes, and
# `name` is what stands for it in JSON. `at` and `length` are where its line stands in the output.
_TABLES = """
CREATE TABLE IF NOT EXISTS line (name TEXT PRIMARY KEY, content BLOB NOT NULL);
CREATE TEMP TABLE found (
    name TEXT PRIMARY KEY, path BLOB NOT NULL, size_bytes INTEGER, modified_ns INTEGER,
    at INTEGER, length INTEGER
) WITHOUT ROWID;
"""


@dataclass(frozen=True)
class Amount:
    """How much there is.

    Attributes
    ----------
    recordings : int
    size_bytes : int
    """

    recordings: int
    size_bytes: int


class Journal:
    """The lines of a survey, those of earlier runs included.

    Parameters
    ----------
    output : Path
        Where the lines will stand; it is read, and written by `finish` only.

    Raises
    ------
    VocheckError
        If the output or the journal cannot be written, or hold something else.
    """

    def __init__(self, output: Path) -> None:
        self.output = output
        self.path = output.with_name(f"{output.name}{SUFFIX}")
        for file in (output, self.path, Path(f"{self.path}{_LOG_SUFFIX}")):
            refuse_to_write(file)
        self._old = _open_lines(output)
        try:
            # No transaction but that of each statement: a line is kept as soon as it is there.
            self._database = sqlite3.connect(self.path, timeout=0.0, isolation_level=None)
            # Alone, so that no memory is shared: works on network disks, too (sqlite.org/wal.html).
            self._database.execute("PRAGMA locking_mode = EXCLUSIVE")
            self._database.execute("PRAGMA journal_mode = WAL")
            self._database.execute("PRAGMA synchronous = NORMAL")
            self._database.execute("PRAGMA temp_store = FILE")
            self._database.executescript(_TABLES)
        except sqlite3.Error as error:
            raise self._cannot(error) from error

    def find(self, path: str, state: FileState) -> None:
        """Note a recording that belongs to the survey; one that comes again is the same."""
        self._do(
            "INSERT OR IGNORE INTO found (name, path, size_bytes, modified_ns) VALUES (?, ?, ?, ?)",
            (_name(path), os.fsencode(path), state.size_bytes, state.modified_ns),
        )

    def look_through(self, made_by: MadeBy | None) -> None:
        """See which lines of earlier runs are still true; forget the others.

        Parameters
        ----------
        made_by : MadeBy or None
            What makes lines now; ``None`` to forget all.
        """
        if made_by is None:
            self._do("DELETE FROM line")
            return

        def is_true(line: bytes, size_bytes: int | None, modified_ns: int | None) -> bool:
            head = head_of(line)
            return head is not None and head.is_true_of(FileState(size_bytes, modified_ns), made_by)

        self._database.create_function("is_true", 3, is_true, deterministic=True)
        self._do(
            "DELETE FROM line WHERE NOT coalesce((SELECT is_true(content, size_bytes, modified_ns) "
            "FROM found WHERE found.name = line.name), 0)"
        )
        at = 0
        for line in self._old or ():
            head = head_of(line) if line.endswith(b"\n") else None
            if head is not None:
                self._do(
                    "UPDATE found SET at = ?, length = ? "
                    "WHERE name = ? AND is_true(?, size_bytes, modified_ns)",
                    (at, len(line), head.path, line),
                )
            at += len(line)

    def amount(self, *, missing: bool = False) -> Amount:
        """Return how much belongs to the survey, or how much of it is missing."""
        sql = "SELECT count(*), total(size_bytes) FROM found" + (_MISSING if missing else "")
        count, size = self._do(sql).fetchone()
        return Amount(count, int(size))

    def missing(self) -> Iterator[tuple[str, int]]:
        """Yield path and size of each recording that has no line yet, the largest first.

        A large one begun last would keep a single worker busy when the others are done.
        """
        sql = f"SELECT path, size_bytes FROM found {_MISSING} ORDER BY size_bytes DESC, name"
        # Read as a list of names: a cursor must not be open while lines are added.
        self._do(f"CREATE TEMP TABLE todo AS {sql}")
        last = 0
        while rows := self._do(
            "SELECT rowid, path, size_bytes FROM todo WHERE rowid > ? LIMIT 1000", (last,)
        ).fetchall():
            last = rows[-1][0]
            yield from ((os.fsdecode(path), size or 0) for _, path, size in rows)

    def keep(self, path: str, line: str) -> None:
        """Keep the line of a recording."""
        self._do("INSERT OR REPLACE INTO line VALUES (?, ?)", (_name(path), line.encode()))

    def finish(self) -> None:
        """Write the output, unless it holds the same already, and remove the journal.

        Raises
        ------
        VocheckError
            If it cannot be written; the journal is still there then.
        """
        if not self._is_written():
            with replacing(self.output) as temporary, temporary.open("wb") as file:
                file.writelines(self._in_order())
        self.close()
        for left in (self.path, Path(f"{self.path}{_LOG_SUFFIX}")):
            left.unlink(missing_ok=True)

    def _is_written(self) -> bool:
        """Whether the output is what it would be if it were written anew."""
        if self._old is None:
            return False
        added, kept, misplaced = self._do(
            "SELECT (SELECT count(*) FROM line), (SELECT total(length) FROM found), "
            "(SELECT count(*) FROM (SELECT at, lag(at) OVER (ORDER BY name) AS before FROM found) "
            "WHERE at < before)"
        ).fetchone()
        return not added and not misplaced and kept == os.fstat(self._old.fileno()).st_size

    def _in_order(self) -> Iterator[bytes]:
        rows = self._do(
            "SELECT at, length, content FROM found LEFT JOIN line USING (name) ORDER BY name"
        )
        for at, length, content in rows:
            if content is not None:
                yield content
            elif at is not None and self._old is not None:
                self._old.seek(at)
                yield self._old.read(length)

    def close(self) -> None:
        """Let go of the journal, which stays as it is."""
        self._database.close()
        if self._old is not None:
            self._old.close()

    def _do(self, sql: str, values: tuple[object, ...] = ()) -> sqlite3.Cursor:
        try:
            return self._database.execute(sql, values)
        except sqlite3.Error as error:
            raise self._cannot(error) from error

    def _cannot(self, error: sqlite3.Error) -> VocheckError:
        if "locked" in str(error):
            return VocheckError(f"{self.output}: another run is writing it")
        if isinstance(error, sqlite3.DatabaseError) and "not a database" in str(error):
            return VocheckError(f"{self.path}: is no journal of a survey; delete it or rename it")
        return VocheckError(f"{self.path}: cannot be written: {error}")

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


_MISSING = " WHERE at IS NULL AND name NOT IN (SELECT name FROM line)"


def _name(path: str) -> str:
    """Return a path as it stands in JSON, where bytes that are no text are written out."""
    name: str = json.loads(plain_json(json.dumps(path, ensure_ascii=False)))
    return name


def _open_lines(output: Path) -> BufferedReader | None:
    """Open the lines of an earlier run, if there are any."""
    try:
        if not output.is_file():
            return None
        file = open(output, "rb")  # noqa: SIM115 (closed by `Journal.close`)
        first = file.readline()
        if first and head_of(first) is None:
            file.close()
            raise VocheckError(
                f"{output}: holds something other than a survey, which is not replaced; choose "
                "another name"
            )
        file.seek(0)
    except OSError as error:
        raise VocheckError(f"{output}: cannot be read: {error.strerror or error}") from error
    return file
