"""Two positions of a microphone in sentences: each difference, and which is better."""

from __future__ import annotations

import math

from vocheck.room.positions import Difference, PositionsResult
from vocheck.wording.vocabulary import listed

_BETTER = {"noise": "quieter", "room": "drier", "clarity": "clearer"}


def sentence(difference: Difference, result: PositionsResult) -> str:
    """Return a difference in words.

    Parameters
    ----------
    difference : Difference
    result : PositionsResult
        That it stands in.
    """
    a, b = difference.first, difference.second
    if difference.alike is None or a is None or b is None:
        return _untold(difference)
    if difference.name == "tone":
        if difference.alike:
            return "The tone is alike."
        more = "more" if b > 0.0 else "less"
        return f"The second has {abs(b):.1f} dB {more} {difference.region}."
    if result.kind == "room tone":
        if difference.alike:
            return "The room is equally quiet in both."
        return f"The second is {abs(b - a):.1f} dB {'louder' if b > a else 'quieter'} (A)."
    what = "voice" if result.kind == "words" else "response"
    return _alike(difference, what) if difference.alike else _apart(difference.name, a, b, what)


def _untold(difference: Difference) -> str:
    if difference.name == "tone":
        return "The tone cannot be compared: no speech was found in one of them."
    which = [
        word
        for word, value in (("the first", difference.first), ("the second", difference.second))
        if value is None or not math.isfinite(value)
    ]
    return f"The {difference.name} cannot be compared: {' and '.join(which)} does not tell."


def _how(what: str) -> str:
    return "estimated from the voice" if what == "voice" else "T20"


def _alike(difference: Difference, what: str) -> str:
    return {
        "level": f"The {what} is equally loud in both.",
        "noise": f"The noise below the {what} is alike.",
        "room": f"The room rings alike in both ({_how(what)}).",
        "clarity": "The clarity is alike.",
    }[difference.name]


def _apart(name: str, a: float, b: float, what: str) -> str:
    less, more = ("first", "second") if a < b else ("second", "first")
    return {
        "level": f"The {what} is {abs(b - a):.1f} dB {'louder' if b > a else 'softer'} in the "
        "second: set the gain to match.",
        "noise": f"Below the {what}, the {more} is quieter by {abs(b - a):.1f} dB.",
        "room": f"The {less} is drier: {min(a, b):.2f} s against {max(a, b):.2f} s ({_how(what)}).",
        "clarity": f"The {more} is clearer: C50 {max(a, b):.1f} dB against {min(a, b):.1f} dB.",
    }[name]


def verdict(result: PositionsResult) -> str:
    """Return which position is better and why."""
    first, second = (
        [_BETTER[d.name] for d in result.differences if d.better == side]
        for side in ("first", "second")
    )
    if first and second:
        return (
            f"Neither is better in everything: the first is {listed(first)}, "
            f"the second {listed(second)}."
        )
    if first or second:
        side = "first" if first else "second"
        return f"The {side} is better: {listed(first or second)}."
    return "Neither is better: noise and room do not differ by what would be heard."
