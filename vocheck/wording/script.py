"""Whether the words of the script were read, in sentences."""

from __future__ import annotations

from vocheck.script.reading import Misread, Reading
from vocheck.wording.vocabulary import clock, counted


def reading_sentence(reading: Reading) -> str:
    """Return in a sentence whether the words of the script were read."""
    if reading.misread is None:
        return f"Whether the words were read: cannot tell ({reading.not_measured['misread']})."
    if not reading.misread:
        return "All words were read; short ones like “the” are not checked."
    return f"Possibly not read as written: {counted(len(reading.misread), 'place')}."


def misread_sentence(misread: Misread) -> str:
    """Return in a sentence what may have happened to words of the script, and where."""
    return f"Possibly {misread.kind} at {clock(misread.time_s)}: “{misread.words}”. Listen there."


def pace_words(reading: Reading, slot_s: float | None = None) -> str:
    """Return how long a reading took and how fast it was; nothing where that is not known."""
    if reading.read_s is None or reading.words_per_minute is None:
        return ""
    words = f"{reading.read_s:.1f} s, {reading.words_per_minute:.0f} words a minute"
    if slot_s is None:
        return words
    left = slot_s - reading.read_s
    return f"{words}; {abs(left):.1f} s {'left in' if left >= 0 else 'over'} the slot"
