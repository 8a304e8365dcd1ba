"""Tables of numbers that are no limits by themselves: tolerances, costs, paces.

A `Section` is a shipped file of such tables and the name under which a studio overrides them. What
a studio sets carries the studio's file as its source; the rows that it leaves alone keep theirs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from vocheck.errors import TargetError
from vocheck.policy.config import Config
from vocheck.policy.facts import nearest
from vocheck.policy.loader import Table, as_table, build, key_path, shipped, shown
from vocheck.policy.rule import Status
from vocheck.policy.words import TextError, check_text

OWN: Status = "our choice"


@dataclass(frozen=True, kw_only=True)
class Row:
    """What every row has.

    Attributes
    ----------
    name : str
        Of its table.
    source : str
    status : Status
    """

    name: str
    source: str
    status: Status

    def check(self, where: str) -> None:
        """Check what types cannot say: overridden by rows that have more to say.

        Raises
        ------
        TargetError
            If the numbers or the texts do not fit.
        """


@dataclass(frozen=True, eq=False)
class Section:
    """A shipped file of rows, and what a studio may make of it.

    Attributes
    ----------
    name : str
        Of its tables in a ``vocheck.toml``: ``[name.ROW]``.
    file : str
        The shipped file.
    row : type
        Of its rows.
    others : mapping of str to type
        Rows of another type, by their names.
    inside : str
        The table of that file that holds the rows; empty where they stand by themselves.
    """

    name: str
    file: str
    row: type[Row]
    others: Mapping[str, type[Row]] = field(default_factory=dict)
    inside: str = ""

    def tables(self) -> Table:
        """Return the shipped tables by name, without what is no table."""
        tables: Table = shipped(self.file)[self.inside] if self.inside else shipped(self.file)
        return {name: table for name, table in tables.items() if isinstance(table, Mapping)}

    def load(self, config: Config | None = None) -> dict[str, Any]:
        """Return the rows by name: the shipped ones with a studio's overrides.

        Raises
        ------
        TargetError
            If an override is malformed; the message names the file, the table and the key.
        """
        overrides = config.section(self.name) if config else {}
        if not overrides:
            return shipped_rows(self)
        rows = dict(shipped_rows(self))
        for name, override in overrides.items():
            where = f"{config.path if config else ''}: {key_path(self.name, name)}"
            if name not in rows:
                hint = nearest(name, rows) or f"; there are {', '.join(rows)}"
                raise TargetError(f"{where}: there is no {shown(name)}{hint}")
            override = as_table(override, where)
            own = {"source": str(config.path if config else ""), "status": OWN}
            table = {**self.tables()[name], **own, **override}
            rows[name] = build(self.kind(name), table, where, name=name)
            rows[name].check(where)
        return rows

    def kind(self, name: str) -> type[Row]:
        """Return the type of a row."""
        return self.others.get(name, self.row)

    def check_shipped(self) -> None:
        """Check the shipped rows as those of a studio are checked.

        Raises
        ------
        TargetError
            If one is malformed.
        """
        for name, row in self.load().items():
            row.check(f"{self.file}: [{name}]")


@cache
def shipped_rows(section: Section) -> dict[str, Any]:
    """Return the shipped rows of a section by name."""
    return {
        name: build(section.kind(name), table, f"{section.file}: [{name}]", name=name)
        for name, table in section.tables().items()
    }


def positive(value: float, where: str) -> None:
    """Refuse a number that must be more than nothing, and is not.

    Raises
    ------
    TargetError
        If it is 0 or less.
    """
    if value <= 0.0:
        raise TargetError(f"{where} must be more than 0, not {shown(value)}")


def not_negative(value: float, where: str) -> None:
    """Refuse a number that must be 0 or more, and is not.

    Raises
    ------
    TargetError
        If it is less than 0.
    """
    if value < 0.0:
        raise TargetError(f"{where} must be 0 or more, not {shown(value)}")


def filled(text: str, where: str, root: type | None = None, **fields: type) -> None:
    """Refuse a text that cannot be filled with these fields (see `vocheck.policy.words`).

    Raises
    ------
    TargetError
        If it cannot.
    """
    try:
        check_text(text, fields, root)
    except TextError as error:
        raise TargetError(f"{where}: {error}") from error
