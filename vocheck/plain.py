r"""Text of others made safe to show: file names, remarks, scripts, a studio's own settings.

A file name may hold anything but a slash. Sent to a terminal as it is, it could change colors, put
text on the clipboard, turn the direction of reading around, or forge a line of the report. So all
that could do so is written out (``\x1b``, ``\n``, ``\u202e``), here and nowhere else: `plain` for
a piece of text, `plainly` for a result whose strings are about to be rendered, `plain_lines` for a
whole report on its way out. Bytes of a name that are no UTF-8 are written out too (``\xff``).
"""

from __future__ import annotations

import codecs
import dataclasses
import functools
import re
import unicodedata
from collections.abc import Callable, Mapping
from typing import Any, TypeVar, cast

F = TypeVar("F", bound=Callable[..., Any])
T = TypeVar("T")

# Control characters, marks that turn the direction of reading, invisible characters (but the
# joiners, which scripts and emoji need), separators of lines, halves of surrogate pairs. Unicode
# Standard, general categories Cc, Cf, Zl, Zp and Cs.
_INVISIBLE = (
    "\x7f-\x9f\xad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb"
    "\ud800-\udfff\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0001\U000e0020-\U000e007f"
)
# Compiled when first needed (by `re`): most text is printable, which is told in no time.
_UNSAFE = f"[\x00-\x1f{_INVISIBLE}]"
_UNSAFE_IN_LINES = f"[\x00-\x08\x0b-\x1a\x1c-\x1f{_INVISIBLE}]|\x1b(?!\\[[0-9;]*m)"
_UNSAFE_IN_JSON = f"[{_INVISIBLE}]"
_NO_TEXT = frozenset({float, int, bool, type(None)})
_NAMED = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}

_LIKE = str.maketrans(
    {
        **{"–": "-", "—": "-", "−": "-", "‑": "-", "“": '"', "”": '"', "‘": "'", "’": "'"},
        **{"…": "...", "·": "-", "•": "*", "×": "x", "±": "+/-", "≤": "<=", "≥": ">=", "→": "->"},
        **{"µ": "u", "μ": "u", "█": "#", "░": ".", "▒": ":", "▓": "#", "○": "o", "●": "*"},
        **{"✓": "v", "✗": "x", "²": "2", "³": "3", "°": " deg", "\u00a0": " ", "\u202f": " "},
    }
)
ENCODE_ERRORS = "vocheck.like"
"""Name of the way to encode what an encoding does not have: by what looks like it."""


def plain(text: str) -> str:
    """Return text on one line that shows all of itself and does nothing."""
    # A printable string holds none of it; the check costs a tenth of the search.
    return text if text.isprintable() else re.sub(_UNSAFE, _written_out, text)


def plain_lines(text: str) -> str:
    """Return a report with nothing but lines, tabs and our colors to move a terminal."""
    if text.replace("\n", "").isprintable():
        return text
    return re.sub(_UNSAFE_IN_LINES, _written_out, text)


def plain_json(text: str) -> str:
    r"""Return JSON whose strings hold no invisible character as itself.

    It says the same to a program; only a byte that is no UTF-8, which JSON cannot hold, becomes the
    four characters ``\xff``.
    """
    if text.replace("\n", "").isprintable():
        return text
    return re.sub(_UNSAFE_IN_JSON, _escaped, text)


def plainly(value: T) -> T:
    """Return a result with every string in it `plain`; the same object where nothing changes.

    Looks into dataclasses, tuples, lists and mappings; everything else is left as it is.
    """
    return cast(T, _cleaned(value))


def _cleaned(value: Any) -> Any:
    kind: Any = type(value)
    if kind in _NO_TEXT:
        return value
    if isinstance(value, str):
        return plain(value)
    names = _fields_with_text(kind)
    if names is not None:
        new = {}
        for name in names:
            old = getattr(value, name)
            if type(old) not in _NO_TEXT and (item := _cleaned(old)) is not old:
                new[name] = item
        return dataclasses.replace(value, **new) if new else value
    if kind in (tuple, list) and not all(map(_has_no_text, set(map(type, value)))):
        items = [_cleaned(item) for item in value]
        same = all(new is old for new, old in zip(items, value, strict=True))
        return value if same else type(value)(items)
    if isinstance(value, Mapping):
        if _is_plain(value):
            return value
        pairs = [(_cleaned(key), _cleaned(item)) for key, item in value.items()]
        old_pairs = zip(pairs, value.items(), strict=True)
        same = all(new[0] is old[0] and new[1] is old[1] for new, old in old_pairs)
        return value if same else dict(pairs)
    return value


def _is_plain(texts: Mapping[Any, Any]) -> bool:
    """Whether a mapping holds nothing but printable text: seen at once, as most of them do."""
    try:
        return "".join((*texts.keys(), *texts.values())).isprintable()
    except TypeError:
        return False


@functools.cache
def _has_no_text(kind: type) -> bool:
    return kind in _NO_TEXT or _fields_with_text(kind) == ()


@functools.cache
def _fields_with_text(kind: type) -> tuple[str, ...] | None:
    """Return the fields of a dataclass that may hold text, ``None`` for another type.

    Most of a result is numbers, as its annotations say: they are not looked at.
    """
    if not dataclasses.is_dataclass(kind):
        return None
    return tuple(
        field.name
        for field in dataclasses.fields(kind)
        if field.init and str(field.type).removesuffix(" | None") not in ("float", "int", "bool")
    )


def shown_plainly(render: F) -> F:
    """Let a renderer see its arguments only as `plainly` gives them."""

    @functools.wraps(render)
    def rendering(*args: Any, **kwargs: Any) -> Any:
        return render(*map(_cleaned, args), **_cleaned(kwargs))

    return cast(F, rendering)


def _written_out(found: re.Match[str]) -> str:
    character = found[0]
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:  # how Python holds a byte that is no UTF-8 (PEP 383)
        return f"\\x{code - 0xDC00:02x}"
    if code < 0x100:
        return _NAMED.get(character, f"\\x{code:02x}")
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def _escaped(found: re.Match[str]) -> str:
    code = ord(found[0])
    if 0xD800 <= code <= 0xDFFF:
        return "\\" + _written_out(found)
    units = found[0].encode("utf-16-be")
    return "".join(f"\\u{units[i] << 8 | units[i + 1]:04x}" for i in range(0, len(units), 2))


def _like(error: UnicodeError) -> tuple[str, int]:
    """Encode what an encoding lacks by what looks like it, or by its letter without its marks."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = plain(error.object[error.start : error.end]).translate(_LIKE)
    bare = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return bare or "?" * (error.end - error.start), error.end


codecs.register_error(ENCODE_ERRORS, _like)
