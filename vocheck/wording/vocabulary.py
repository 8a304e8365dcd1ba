"""What all sentences share: numbers with units, places, counts, lists, the words of a verdict."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Sequence

VERDICT_WORDS = {"keep": "Keep", "fixable": "Fixable", "retake": "Retake"}
"""The verdict of a take."""

NOT_TOLD = "–"
"""What stands for a number that was not measured."""


def verdict_word(verdict: str) -> str:
    """Return the verdict of a take in capitals, as the booth and the terminal show it."""
    return VERDICT_WORDS[verdict].upper()


def clock(seconds: float) -> str:
    """Return a place in a recording as ``0:03.2``."""
    tenths = round(seconds * 10)
    return f"{tenths // 600}:{tenths % 600 / 10:04.1f}"


def clocks(times_s: Sequence[float], most: int = 6) -> str:
    """Return places in a recording, ``0:03.2, 0:05.0 and 3 more``."""
    shown = ", ".join(clock(time) for time in times_s[:most])
    return f"{shown} and {len(times_s) - most} more" if len(times_s) > most else shown


def number(value: float | None, digits: int = 1, unit: str = "") -> str:
    """Return a number with its unit, ``silence`` for ``-inf`` and a dash where not measured."""
    if value is None:
        return NOT_TOLD
    if value == -math.inf:
        return "silence"
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.removeprefix("-")
    return f"{text} {unit}".rstrip()


def tenths(parts: Sequence[float], total: float) -> list[float]:
    """Return parts rounded to tenths so that they add up to a total that is shown in tenths.

    Parameters
    ----------
    parts : sequence of float
        Not negative; their sum is `total` before it was rounded.
    total : float
    """
    exact = [10.0 * part for part in parts]
    shown = [math.floor(part) for part in exact]
    missing = round(10.0 * total) - sum(shown)
    # What was cut off most is rounded up first.
    by_cut = sorted(range(len(exact)), key=lambda i: shown[i] - exact[i])
    for i in by_cut[: max(0, missing)]:
        shown[i] += 1
    return [part / 10.0 for part in shown]


def span(low: float, high: float, digits: int = 0, sign: str = "") -> str:
    """Return a range, ``-71 to -63``, or one number where both ends read alike.

    Parameters
    ----------
    low, high : float
    digits : int
        Decimals.
    sign : {"", "+"}
        With ``"+"`` a positive number carries its sign.
    """
    first, last = (f"{value:{sign}.{digits}f}" for value in (low, high))
    return first if first == last else f"{first} to {last}"


def counted(count: int, noun: str, plural: str = "") -> str:
    """Return a count with its noun, ``1 take`` or ``3 takes``."""
    return f"{count} {noun if count == 1 else plural or noun + 's'}"


def listed(items: Iterable[str], joint: str = "and") -> str:
    """Return a list as it is spoken: ``a``, ``a and b``, ``a, b and c``."""
    *first, last = [*items] or [""]
    return f"{', '.join(first)} {joint} {last}" if first else last


def fitted(items: Sequence[str], width: int) -> str:
    """Return as many items as fit a width, and how many more there are: ``a, b and 3 more``."""
    for most in range(len(items), 0, -1):
        left = len(items) - most
        text = ", ".join(items[:most]) + (f" and {left} more" if left else "")
        if len(text) <= width or most == 1:
            return text
    return ""


def quoted(words: Iterable[str]) -> str:
    """Return words of the script in quotation marks: ``“beside”, “kiln”``."""
    return ", ".join(f"“{word}”" for word in words)


def hertz(hz: float) -> str:
    """Return a frequency: ``250 Hz``, ``4 kHz``."""
    return f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz"


def channels(count: int) -> str:
    """Return how many channels in words: ``mono``, ``stereo``, ``3 channels``."""
    return {1: "mono", 2: "stereo"}.get(count, f"{count} channels")


def spoken(name: str) -> str:
    """Return the name of a limit or a criterion as words: ``mouth clicks``."""
    return name.replace("_", " ")


def file_name(path: str | None, otherwise: str = "recording") -> str:
    """Return the name of a file without its folder; of what is no file, `otherwise`."""
    return os.path.basename(path) if path else otherwise


def shortened(text: str, width: int) -> str:
    """Return `text`, cut off with an ellipsis where it is longer than `width`."""
    return text if len(text) <= width else text[: width - 1].rstrip() + "…"


def as_sentence(text: str) -> str:
    """Return `text` with a capital first letter and a full stop."""
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else text + "."


def inside(text: str) -> str:
    """Return `text` as it stands inside a sentence: a small first letter, but for ``RMS``."""
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]
