"""What is found in a recording that was never stopped."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Literal

from vocheck.results import SCHEMA, Result

Kind = Literal["read", "false start", "slate", "talk"]


@dataclass(frozen=True, kw_only=True)
class Pass(Result):
    """A stretch of a recording.

    Attributes
    ----------
    line : str or None
        Which line is read: as the script calls it, or a letter in the order of their first
        appearance. ``None`` for a slate and talk, and where nobody can tell.
    attempt : int or None
        1 is the first time that the line is begun in this recording.
    start_s, end_s : float
    kind : {"read", "false start", "slate", "talk"}
        A false start is broken off before its end. A slate is spoken, clapped or beeped.
    complete : bool or None
        Whether it is read from the first word to the last; ``None`` for a slate and talk.
    confidence : float
        That kind and line are right, 0 to 1.
    """

    line: str | None
    attempt: int | None
    start_s: float
    end_s: float
    kind: Kind
    complete: bool | None
    confidence: float


@dataclass(frozen=True, kw_only=True)
class Passes(Result):
    """What was recorded, in order.

    Attributes
    ----------
    path : str
    passes : tuple of Pass
    """

    path: str
    passes: tuple[Pass, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the passes as plain data, with the version of the schema."""
        return {"schema": SCHEMA, **super().to_dict()}


def numbered(passes: Iterable[Pass]) -> list[Pass]:
    """Return passes in order of time, the attempts of each line counted."""
    attempts: dict[str, int] = {}
    result = []
    for one in sorted(passes, key=lambda p: p.start_s):
        if one.line is None:
            result.append(one)
            continue
        attempts[one.line] = attempts.get(one.line, 0) + 1
        result.append(replace(one, attempt=attempts[one.line]))
    return result
