"""Filling numbers into sentences, singular and plural included.

A text may hold ``{value}``, ``{value:.0f}`` (a format of Python), ``{m.hum.mains_hz}`` (any other
fact) and ``{count?pop|pops}`` (the first where ``count`` is 1, else the second). `check_text` tells
from the types alone whether a text can be filled, so that no mistake waits for its event.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import is_dataclass
from functools import cache
from string import Formatter
from typing import Any

from vocheck.policy.facts import UnknownFactError, nearest, resolve, type_of

UNKNOWN = "an unknown number of"
"""What stands in a sentence for a number that was not measured."""

_CHOICE = re.compile(r"\{(\w+)\?([^|{}]*)\|([^|{}]*)\}")
_FACT = re.compile(r"m\.([a-z_][\w.]*?)(?:\[(\d+)\]\.(\w+))?")
# Of the formats of Python those that a sentence needs: no width of a million, nothing nested.
_FORMAT = re.compile(r"[-+ ]?0?\d?,?(?:\.\d)?[dfge%s]?")
_BESIDE = re.compile(r"\{(value|limit):([-+ ]?)\.([0-2])f\}")
_SAMPLES: Mapping[type, Any] = {bool: True, int: 2, float: 2.5, str: "text"}


class TextError(Exception):
    """A text cannot be filled in; the message says which field is wrong, and why."""


def fill(text: str, **values: Any) -> str:
    """Return `text` with its fields filled in.

    Besides the fields of `str.format`, ``{count?pop|pops}`` gives the first word where ``count`` is
    1 and the second otherwise.

    Raises
    ------
    KeyError, TypeError, ValueError
        If a field is unknown or its format does not fit its value.
    """

    def choose(found: re.Match[str]) -> str:
        return found[2] if values[found[1]] == 1 else found[3]

    parts = []
    for literal, name, form, _ in Formatter().parse(_CHOICE.sub(choose, text)):
        parts.append(literal)
        if name is not None:
            value = values[name]
            parts.append(_shown(value, form or ""))
    return "".join(parts)


def told_apart(text: str, value: Any, limit: Any) -> str:
    """Return a text whose ``{value}`` and ``{limit}`` do not read alike where they differ.

    "-60 dB, limit -60" explains nothing; decimals are added until the two are told apart, three at
    most.
    """
    beside = {name: int(digits) for name, _, digits in _BESIDE.findall(text)}
    if len(beside) < 2 or not all(isinstance(number, int | float) for number in (value, limit)):
        return text
    digits = max(beside.values())
    while digits < 3 and value != limit and f"{value:.{digits}f}" == f"{limit:.{digits}f}":
        digits += 1
    if digits == max(beside.values()):
        return text
    return _BESIDE.sub(rf"{{\1:\2.{digits}f}}", text)


def _shown(value: Any, form: str) -> str:
    if value is None:
        return UNKNOWN
    if not isinstance(value, tuple):
        return format(value, form)
    if any(map(is_dataclass, value)):
        return format(len(value), form)
    return ", ".join(format(item, form) for item in value)


@cache
def facts_in(text: str) -> tuple[str, ...]:
    """Return the fields of a text that are facts: ``m.hum.mains_hz``."""
    names = [name for _, name, _, _ in _parse(text) if name is not None]
    return tuple(dict.fromkeys(name for name in names if name.startswith("m.")))


def facts_for(facts: Any, texts: Iterable[str]) -> dict[str, Any]:
    """Return the facts that texts name, by their fields; what was not measured is ``None``."""
    return {name: _value(facts, name) for text in texts for name in facts_in(text)}


def _value(facts: Any, name: str) -> Any:
    found = _FACT.fullmatch(name)
    if found is None:
        raise UnknownFactError(f"{{{name}}} names no fact")
    path, index, field = found.groups()
    value = resolve(facts, path)
    if index is None or value is None:
        return value
    return resolve(value[int(index)], field) if int(index) < len(value) else None


def check_text(text: str, fields: Mapping[str, type], root: type | None = None) -> None:
    """Check that a text can be filled in.

    Parameters
    ----------
    text : str
    fields : mapping of str to type
        What may stand in it besides facts.
    root : type, optional
        Of the result whose facts may be named.

    Raises
    ------
    TextError
        If it names an unknown field, or a format does not fit.
    """
    for found in _CHOICE.finditer(text):
        if found[1] not in fields:
            raise TextError(f"unknown field {{{found[1]}?...}}{nearest(found[1], fields)}")
    for _, name, form, conversion in _parse(text):
        if name is None:
            continue
        if conversion is not None:
            raise TextError(f"{{{name}!{conversion}}}: no conversion may stand in a text")
        sample = _sample(name, fields, root)
        if not _FORMAT.fullmatch(form or ""):
            raise TextError(f"{{{name}:{form}}}: {form!r} is no format for a number in a sentence")
        try:
            format(sample, form or "")
        except (ValueError, TypeError) as error:
            raise TextError(f"{{{name}:{form}}}: {error}") from error


def _parse(text: str) -> list[tuple[str, str | None, str | None, str | None]]:
    try:
        return list(Formatter().parse(_CHOICE.sub("", text)))
    except ValueError as error:
        raise TextError(f"{error}: write a brace twice to show one") from error


def _sample(name: str, fields: Mapping[str, type], root: type | None) -> Any:
    if name in fields:
        return _SAMPLES[fields[name]]
    found = _FACT.fullmatch(name)
    if root is None or found is None:
        known = ", ".join(f"{{{field}}}" for field in fields)
        raise TextError(f"unknown field {{{name}}}{nearest(name, fields)}; there are {known}")
    path, index, field = found.groups()
    try:
        fact = type_of(root, path if index is None else f"{path}[].{field}")
    except UnknownFactError as error:
        raise TextError(f"{{{name}}}: {error}") from error
    return _SAMPLES[fact.kind]
