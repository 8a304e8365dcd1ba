"""From TOML to typed rows: the one way in for every setting, shipped or a studio's.

A row is a dataclass. A table is converted to the types that its fields declare; a key
that the row does not know, a missing one and a value of another type are refused with one line that
names the file, the table, the key and what was wanted.

The conversion is msgspec's. Measured beside cattrs and pydantic on one table with one mistake
(Python 3.11, time of a first import after the modules that the program loads anyway): msgspec 9 to
28 ms, cattrs 76 ms, pydantic 67 ms. Of the messages, cattrs and pydantic name the entry of a
mapping and msgspec does not (``$.limits[...].note``), none names the file or offers the nearest
key, and pydantic's runs over four lines. So where a table does not fit, it is gone through key by
key, and the line that the user reads is written here.
"""

from __future__ import annotations

import dataclasses
import math
import re
import tomllib
import types
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from functools import cache
from importlib.resources import files
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from vocheck.errors import TargetError
from vocheck.policy.facts import nearest

T = TypeVar("T")
Table = Mapping[str, Any]

MOST_BYTES = 1 << 20
"""A settings file of more is no settings file."""

_WANTED: Mapping[Any, str] = {
    float: "a number",
    int: "a whole number",
    bool: "true or false",
    str: "a text",
}


@cache
def shipped(name: str) -> Table:
    """Return a shipped TOML file of ``vocheck/policy`` as tables."""
    return parse(files("vocheck.policy").joinpath(name).read_bytes(), name)


def parse(data: bytes, where: str) -> Table:
    """Return the tables of a TOML file.

    Raises
    ------
    TargetError
        If it is not TOML; the message tells the line where TOML ends.
    """
    if len(data) > MOST_BYTES:
        raise TargetError(f"{where}: larger than a settings file ever is (1 MB)")
    try:
        # A byte order mark is what some editors put before a text.
        return tomllib.loads(data.decode("utf-8-sig"))
    except RecursionError:
        raise TargetError(f"{where}: not valid TOML: brackets are nested too deeply") from None
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise TargetError(f"{where}: not valid TOML: not UTF-8 (at line {line})") from error
    except ValueError as error:  # TOMLDecodeError, or a number of thousands of digits
        reason = str(error).partition("; use sys.")[0]
        raise TargetError(f"{where}: not valid TOML: {reason}") from error


def build(row: Callable[..., T], table: object, where: str, **known: Any) -> T:
    """Return a row from its table.

    Parameters
    ----------
    row : type
        A dataclass; a field without default is a key that must be there.
    table : object
        As it was read.
    where : str
        Of the table, e.g. ``"vocheck.toml: [limits.hum]"``.
    **known
        Fields that do not stand in the table.

    Raises
    ------
    TargetError
        If the table does not fit the row.
    """
    table = as_table(table, where)
    hints = _fields(row)
    keys = [name for name in hints if name not in known]
    refuse_unknown(table, keys, where)
    if _known_within(table, hints) and _finite(tuple(table.values())):
        import msgspec  # costs 9 ms: not before there is something to convert

        with suppress(msgspec.ValidationError):
            whole: T = msgspec.convert({**table, **known}, cast(Any, row))
            return whole
    # Something does not fit: key by key it can be told what.
    values = {key: convert(hints[key], value, f"{where}: {key}") for key, value in table.items()}
    for field in dataclasses.fields(cast(Any, row)):
        needed = field.default is field.default_factory is dataclasses.MISSING
        if needed and field.name not in known and field.name not in values:
            raise TargetError(
                f"{where}: {field.name} is missing; it must be {_wanted(hints[field.name])}"
            )
    return row(**known, **values)


def _known_within(table: Table, hints: Mapping[str, Any]) -> bool:
    """Return whether the rows inside a table hold no unknown key, which msgspec would pass over."""
    return all(
        set(value) <= set(_fields(row))
        for key, value in table.items()
        if isinstance(value, Mapping) and (row := _row_in(hints[key])) is not None
    )


def convert(hint: Any, value: object, where: str) -> Any:
    """Return a value as what its type says.

    Raises
    ------
    TargetError
        If it is of another type.
    """
    if hint is Any:
        return value
    row = _row_in(hint)
    if row is not None and isinstance(value, Mapping):
        return build(row, value, where)
    import msgspec

    try:
        converted = msgspec.convert(value, _without_rows(hint))
    except msgspec.ValidationError as error:
        choice = _choices(hint)
        hint_of = nearest(value, choice) if choice and isinstance(value, str) else ""
        raise TargetError(
            f"{where} must be {_wanted(hint)}, not {shown(value)}{hint_of}"
        ) from error
    if not _finite(converted):
        raise TargetError(f"{where} must be {_wanted(hint)} that is finite, not {shown(value)}")
    return converted


def as_table(value: object, where: str) -> Table:
    """Return a value that must be a table.

    Raises
    ------
    TargetError
        If it is none.
    """
    if not isinstance(value, Mapping):
        raise TargetError(f"{where} must be a table, not {shown(value)}")
    return value


def refuse_unknown(names: Iterable[str], known: Iterable[str], where: str) -> None:
    """Refuse a key that is not known, with the nearest one that is.

    Raises
    ------
    TargetError
        For the first unknown key.
    """
    known = list(known)
    for name in names:
        if name not in known:
            hint = nearest(name, known) or f"; known are {', '.join(known)}"
            raise TargetError(f"{where}: unknown key {shown(name)}{hint}")


def key_path(*names: str) -> str:
    """Return a table's name as it stands in the file: ``[limits.hum]``, on one line in any case."""
    return f"[{'.'.join(_key(name) for name in names)}]"


def _key(name: str) -> str:
    return name if re.fullmatch(r"[\w-]{1,60}", name, re.ASCII) else shown(name)


def shown(value: object) -> str:
    """Return a value as a message shows it: short, and on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, int) and abs(value) >= 10**20:
        return "a number of more than 20 digits"
    text = repr(value) if isinstance(value, str | float | int) else str(value)
    return text if len(text) <= 60 else f"{text[:56]}...'"


@cache
def _fields(row: Any) -> dict[str, Any]:
    hints = get_type_hints(row)
    return {field.name: hints[field.name] for field in dataclasses.fields(row)}


def _members(hint: Any) -> tuple[Any, ...]:
    return get_args(hint) if get_origin(hint) in (Union, types.UnionType) else (hint,)


@cache
def _row_in(hint: Any) -> type | None:
    """Return the dataclass that a type allows, if it does."""
    rows = [m for m in _members(hint) if isinstance(m, type) and dataclasses.is_dataclass(m)]
    return rows[0] if rows else None


@cache
def _without_rows(hint: Any) -> Any:
    row = _row_in(hint)
    some = tuple(member for member in _members(hint) if member is not row)
    return Union[some] if some else _Never  # noqa: UP007 (made at run time)


class _Never:
    """What no value of TOML is."""


def _choices(hint: Any) -> list[str]:
    literals = [member for member in _members(hint) if get_origin(member) is Literal]
    return [choice for literal in literals for choice in get_args(literal)]


def _wanted(hint: Any) -> str:
    choices = _choices(hint)
    if choices:
        return f"one of {', '.join(choices)}"
    members = [member for member in _members(hint) if member is not type(None)]
    if float in members:
        members = [member for member in members if member is not int]
    words = []
    for member in members:
        origin = get_origin(member)
        if origin in (tuple, list):
            words.append(f"a list, each item {_wanted(get_args(member)[0])}")
        elif member in _WANTED:
            words.append(_WANTED[member])
        else:
            words.append("a table")
    return " or ".join(words)


def _finite(value: Any) -> bool:
    if isinstance(value, float | int):
        try:
            return math.isfinite(float(value))
        except OverflowError:
            return False
    if isinstance(value, Mapping):
        return all(map(_finite, value.values()))
    return all(map(_finite, value)) if isinstance(value, tuple | list) else True
