"""Filling numbers into sentences, singular and plural included."""

from __future__ import annotations

import re
from typing import Any

_CHOICE = re.compile(r"\{(\w+)\?([^|{}]*)\|([^|{}]*)\}")


def fill(text: str, **values: Any) -> str:
    """Return `text` with its fields filled in.

    Besides the fields of `str.format`, ``{count?pop|pops}`` gives the first word where ``count`` is
    1 and the second otherwise.

    Raises
    ------
    AttributeError, KeyError, TypeError, ValueError
        If a field is unknown or its format does not fit its value.
    """

    def choose(found: re.Match[str]) -> str:
        return found[2] if values[found[1]] == 1 else found[3]

    return _CHOICE.sub(choose, text).format(**values)
