"""Patterns for file names, matched in linear time.

A studio writes its own pattern, and no pattern may hang the program. Python's ``re`` needs years
for ``(?P<line>(a|aa)+)x`` on a long name. Of the bounded ones, the ``regex`` module stops a match
after a time, but not the memory that it takes (nested repeats of a thousand took all of a machine),
and its answer depends on how busy the machine is. RE2 (``google-re2``) matches in time that grows
with the name's length, refuses what would take much memory, and is imported in 3 ms. It knows no
look-ahead and no back-reference: such a pattern is refused when the settings are read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Any

from vocheck.plain import ENCODE_ERRORS

MOST_CHARACTERS = 1000
"""A longer pattern is refused."""

# RE2's own classes hold ASCII only; a name may have letters of any language.
_CLASSES = {r"\w": r"\p{L}\p{M}\p{N}_", r"\d": r"\p{Nd}"}
_PARTS = re.compile(r"\\Q.*?\\E|\\[pP]\{[^}]*\}|\\.|\[\^?\]?|\]|[^\\\[\]]+|.", re.DOTALL)


class PatternError(Exception):
    """A pattern cannot be used; the message says why."""


@dataclass(frozen=True)
class NamePattern:
    """A checked pattern, which is matched against a whole name, upper and lower case alike."""

    text: str

    def groups(self, name: str) -> dict[str, str | None] | None:
        """Return what the named groups hold, or ``None`` where the name does not fit."""
        # A name need be no UTF-8.
        found = _compiled(self.text).fullmatch(name.encode(errors=ENCODE_ERRORS).decode())
        return None if found is None else found.groupdict()


def name_pattern(text: str) -> NamePattern:
    """Check a pattern for file names.

    Raises
    ------
    PatternError
        If it is no regular expression, needs what has no bounded time, or lacks the group ``line``.
    """
    if len(text) > MOST_CHARACTERS:
        raise PatternError(f"longer than {MOST_CHARACTERS} characters")
    if "line" not in _compiled(text).groupindex:
        raise PatternError("needs a group (?P<line>...)")
    return NamePattern(text)


@cache
def _compiled(text: str) -> Any:
    import re2

    options = re2.Options()
    options.case_sensitive = False
    options.log_errors = False
    try:
        compiled = re2.compile(_for_any_language(text), options)
        compiled.fullmatch("")  # a program that is too large is told by its first use
    except (re2.error, UnicodeEncodeError) as error:
        given = error.args[0] if error.args else ""
        reason = given.decode() if isinstance(given, bytes) else str(given)
        if re.search(r"\(\?(?:<?[=!]|P=)|\\[1-9]", text):
            reason += " (look-around and back-references are not known here)"
        raise PatternError(reason) from error
    return compiled


def _for_any_language(text: str) -> str:
    parts, inside = [], False
    for part in _PARTS.findall(text):
        if part in _CLASSES:
            part = _CLASSES[part] if inside else f"[{_CLASSES[part]}]"
        elif part.startswith("[") and not inside:
            inside = True
        elif part == "]":
            inside = False
        parts.append(part)
    return "".join(parts)
