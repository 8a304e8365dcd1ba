"""The names of facts: what stands behind one, and of what type it is.

A fact is named by its dotted path in a result: ``noise.floor_dbfs``. ``plosives.events[].level_db``
means the level of each event of a list, ``dropouts.events`` how many a list holds, and
``dropouts.events[].length_s`` how long each lasts, of whatever starts and ends.

`type_of` answers from the types alone, without a recording, so that a misspelt name is told when
the rule that holds it is loaded.
"""

from __future__ import annotations

import types
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from difflib import get_close_matches
from functools import cache
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

LENGTH = "length_s"
"""How long an event lasts, for those that say only when they start and end."""


class UnknownFactError(Exception):
    """There is no such fact; the message says so, with the nearest name."""


@dataclass(frozen=True)
class FactType:
    """What a fact may be.

    Attributes
    ----------
    kind : type
        ``bool``, ``int``, ``float`` or ``str``; ``int`` for a list, which counts.
    choices : tuple of str
        The only values of a ``str``, where its type lists them.
    """

    kind: type
    choices: tuple[str, ...] = ()


def look_up(
    facts: Any, name: str, where: Mapping[str, str] | None = None
) -> list[tuple[Any, float | None]]:
    """Return the values behind a name, each with its time where it has one.

    ``"noise.floor_dbfs"`` gives one pair, or none where it was not measured;
    ``"plosives.events[].level_re_speech_db"`` one per event, and
    ``"dropouts.events[].length_s"`` how long each lasts; ``"dropouts.events"`` is their number.
    With `where`, only those events whose fields have these values.

    Raises
    ------
    UnknownFactError
        If there is no such fact.
    """
    path, _, field = _halves(name)
    value = resolve(facts, path)
    if value is None:
        return []
    if where:
        value = tuple(event for event in value if _is(event, where))
    if field:
        return [(_of_event(event, field), event_time(event)) for event in value]
    return [(len(value) if isinstance(value, tuple) else value, None)]


def resolve(facts: Any, path: str) -> Any:
    """Return the fact (or list of events) behind a name without ``[]``, ``None`` if not measured.

    Raises
    ------
    UnknownFactError
        If there is no such fact.
    """
    value = facts
    for part in _parts(path):
        if value is None:
            return None
        try:
            value = getattr(value, part)
        except AttributeError as error:
            raise UnknownFactError(f"there is no measurement {path!r}") from error
    return value


@cache
def _halves(name: str) -> tuple[str, str, str]:
    return name.partition("[].")


@cache
def _parts(path: str) -> tuple[str, ...]:
    return tuple(path.split("."))


def event_time(event: object) -> float | None:
    """Return when an event is or starts, in seconds."""
    time = getattr(event, "time_s", getattr(event, "start_s", None))
    return None if time is None else float(time)


def _is(event: Any, where: Mapping[str, str]) -> bool:
    return all(resolve(event, field) == wanted for field, wanted in where.items())


def _of_event(event: Any, field: str) -> Any:
    if field == LENGTH and not hasattr(event, field):
        return event.end_s - event.start_s
    return resolve(event, field)


def type_of(root: type, name: str) -> FactType:
    """Return of what type a fact is.

    Parameters
    ----------
    root : type
        Of the result that holds the fact, e.g. ``Measurements``.
    name : str

    Raises
    ------
    UnknownFactError
        If there is no such fact, or the name is that of a whole group.
    """
    path, listed, field = name.partition("[].")
    hint = _hint(root, path, name)
    if listed:
        event = _event_type(hint)
        if event is None:
            raise UnknownFactError(f"{path!r} is no list of events, as {name!r} asks for")
        own = _members(event)
        if field == LENGTH and field not in own and {"start_s", "end_s"} <= set(own):
            return FactType(float)
        hint = _hint(event, field, name)
    return _fact_type(hint, name)


def check_events(root: type, name: str) -> None:
    """Check that a name is that of a list of events with times.

    Raises
    ------
    UnknownFactError
        If it is not.
    """
    event = _event_type(_hint(root, name.removesuffix("[]"), name))
    if event is None or not {"time_s", "start_s"} & set(_members(event)):
        raise UnknownFactError(f"{name!r} is no list of events that tell their time")


def _fact_type(hint: Any, name: str) -> FactType:
    hint = _without_none(hint)
    if get_origin(hint) is tuple:
        return FactType(int)
    if get_origin(hint) is Literal:
        choices = get_args(hint)
        kind = type(choices[0])
        return FactType(kind, choices if kind is str else ())
    if get_origin(hint) in (Union, types.UnionType):
        kinds = set(get_args(hint))
        if kinds <= {int, float}:
            return FactType(float)
    if isinstance(hint, type) and is_dataclass(hint):
        inside = ", ".join(list(_members(hint))[:4])
        raise UnknownFactError(f"{name!r} is a group of facts: name one of them ({inside}, ...)")
    if hint not in (bool, int, float, str):
        raise UnknownFactError(f"{name!r} cannot be judged")
    return FactType(hint)


def _hint(root: type, path: str, whole: str) -> Any:
    hint: Any = root
    for part in path.split("."):
        hint = _without_none(hint)
        members = _members(hint) if isinstance(hint, type) and is_dataclass(hint) else {}
        if part not in members:
            raise UnknownFactError(f"there is no measurement {whole!r}{nearest(part, members)}")
        hint = members[part]
    return hint


def _event_type(hint: Any) -> type | None:
    hint = _without_none(hint)
    if get_origin(hint) is not tuple:
        return None
    inside = get_args(hint)[0]
    return inside if isinstance(inside, type) and is_dataclass(inside) else None


@cache
def _members(kind: type) -> dict[str, Any]:
    """Return the fields and properties of a dataclass, each with its type."""
    hints = get_type_hints(kind)
    found = {field.name: hints[field.name] for field in fields(kind)}
    for base in reversed(kind.__mro__):
        for name, value in vars(base).items():
            if isinstance(value, property) and value.fget is not None:
                found[name] = get_type_hints(value.fget).get("return")
    return found


def _without_none(hint: Any) -> Any:
    if get_origin(hint) not in (Union, types.UnionType):
        return hint
    some = [inside for inside in get_args(hint) if inside is not type(None)]
    return some[0] if len(some) == 1 else Union[tuple(some)]  # noqa: UP007 (made at run time)


def nearest(name: str, known: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` for the nearest of the known names, or nothing."""
    close = get_close_matches(name, list(known), n=1)
    return f"; did you mean {close[0]!r}?" if close else ""
