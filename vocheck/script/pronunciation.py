"""How words are spoken: the dictionary of the recognizer, and spelling for what it lacks."""

from __future__ import annotations

import re
from typing import Any

_LETTERS = {
    **{"a": "AE", "b": "B", "c": "K", "d": "D", "e": "EH", "f": "F", "g": "G", "h": "HH"},
    **{"i": "IH", "j": "JH", "k": "K", "l": "L", "m": "M", "n": "N", "o": "AA", "p": "P"},
    **{"q": "K", "r": "R", "s": "S", "t": "T", "u": "AH", "v": "V", "w": "W", "x": "K S"},
    **{"y": "IY", "z": "Z", "ch": "CH", "sh": "SH", "th": "TH", "ph": "F", "ng": "NG"},
    **{"ee": "IY", "ea": "IY", "oo": "UW", "ou": "AW", "ow": "OW", "ai": "EY", "ay": "EY"},
}


def plain_word(word: str) -> str:
    """Return a word as the dictionary spells it."""
    return word.lower().replace("’", "'")


def pronounce(decoder: Any, word: str) -> bool:
    """Return whether the dictionary holds a word; one that it lacks is added from its spelling."""
    if decoder.lookup_word(word):
        return True
    sounds = []
    rest = re.sub(r"[^a-z]", "", word)
    while rest:
        size = 2 if rest[:2] in _LETTERS else 1
        sounds.append(_LETTERS[rest[:size]])
        rest = rest[size:]
    decoder.add_word(word, " ".join(sounds) or "SIL", True)
    return False
