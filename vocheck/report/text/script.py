"""Read times, and takes held against their script, in the terminal."""

from __future__ import annotations

import os
from collections.abc import Sequence

from vocheck.plain import shown_plainly
from vocheck.policy.pace import ReadTime
from vocheck.policy.words import fill
from vocheck.report.text.style import bold, clock, dim, paint, table, wrap
from vocheck.script.reading import Misread, Reading
from vocheck.takes.readings import CheckedReading

_FITS = {
    "calm": ("fits with room to spare", "keep"),
    "usual": ("fits at the usual pace", "keep"),
    "brisk": ("fits only if read briskly", "fixable"),
    "too long": ("too long", "retake"),
}


@shown_plainly
def render_read_times(times: Sequence[ReadTime]) -> str:
    """Return the predicted read time of each line as text, ending in a newline."""
    head = ["", dim("words"), dim("calm"), dim("usual"), dim("brisk"), ""]
    rows = [head]
    for time in times:
        seconds = [f"{s:.1f} s" for s in (time.calm_s, time.usual_s, time.brisk_s)]
        rows.append([bold(time.line or "script"), str(time.words), *seconds, _answer(time)])
    total = sum(time.usual_s for time in times)
    foot = f"All lines at the usual pace: {total:.1f} s, pauses inside the lines included."
    return f"{table(rows)}\n\n{foot}\n"


def _answer(time: ReadTime) -> str:
    if time.fits is None:
        return ""
    words, color = _FITS[time.fits]
    cut = f", or cut {time.words_over} {_words(time.words_over)}" if time.words_over else ""
    return paint(words, color) + cut


def _words(count: int) -> str:
    return "word" if count == 1 else "words"


@shown_plainly
def render_readings(takes: Sequence[CheckedReading], slot_s: float | None = None) -> str:
    """Return each take held against its line of the script, ending in a newline."""
    return "\n\n".join(_reading(take, slot_s) for take in takes) + "\n"


def _reading(take: CheckedReading, slot_s: float | None) -> str:
    reading = take.reading
    parts = [bold(os.path.basename(take.path))]
    if reading.misread:
        parts += [wrap(_misread(misread), "    ", "  ") for misread in reading.misread]
    else:
        parts.append(wrap(reading_sentence(reading), "    ", "  "))
    if reading.read_s is not None and reading.words_per_minute is not None:
        pace = f"  {reading.read_s:.1f} s, {reading.words_per_minute:.0f} words a minute"
        if slot_s is not None:
            left = slot_s - reading.read_s
            pace += f"; {abs(left):.1f} s {'left in' if left >= 0 else 'over'} the slot"
        parts.append(dim(pace))
    parts += [wrap(f"{finding} on “{word}”", "    ", "  ") for finding, word in take.on_words]
    return "\n".join(parts)


def reading_sentence(reading: Reading) -> str:
    """Return in a sentence whether the words of the script were read."""
    if reading.misread is None:
        return f"Whether the words were read: cannot tell ({reading.not_measured['misread']})."
    if not reading.misread:
        return "Every content word was read."
    told = "Possibly not read as written: {count} {count?place|places}."
    return fill(told, count=len(reading.misread))


def _misread(misread: Misread) -> str:
    return f"Possibly {misread.kind} at {clock(misread.time_s)}: “{misread.words}”. Listen there."
