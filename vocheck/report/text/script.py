"""Read times, and takes held against their script, in the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from vocheck.plain import shown_plainly
from vocheck.policy.pace import ReadTime
from vocheck.report.text.style import bold, dim, paint, table, wrap
from vocheck.takes.readings import CheckedReading
from vocheck.wording.findings import on_words
from vocheck.wording.script import misread_sentence, pace_words, reading_sentence
from vocheck.wording.vocabulary import counted, file_name

_FITS = {
    "calm": ("fits with room to spare", "keep"),
    "usual": ("fits at the usual pace", "keep"),
    "brisk": ("fits only if read briskly", "fixable"),
    "too long": ("too long", "retake"),
}


@shown_plainly
def render_read_times(times: Sequence[ReadTime], whole: ReadTime) -> str:
    """Return the predicted read time of each line and of all together, ending in a newline."""
    head = ["", dim("words"), dim("calm"), dim("usual"), dim("brisk"), ""]
    rows = [head]
    for time in times:
        seconds = [f"{s:.1f} s" for s in (time.calm_s, time.usual_s, time.brisk_s)]
        rows.append([bold(time.line or "script"), str(time.words), *seconds, _answer(time)])
    foot = f"All lines at the usual pace: {whole.usual_s:.1f} s, pauses inside the lines included."
    if whole.slot_s is not None and len(times) > 1:
        foot += f"\nAll lines in {whole.slot_s:g} s: {_answer(whole)}."
    return f"{table(rows)}\n\n{foot}\n"


def _answer(time: ReadTime) -> str:
    if time.fits is None:
        return ""
    words, color = _FITS[time.fits]
    cut = f", or cut {counted(time.words_over, 'word')}" if time.words_over else ""
    return paint(words, color) + cut


@shown_plainly
def render_readings(takes: Sequence[CheckedReading], slot_s: float | None = None) -> str:
    """Return each take held against its line of the script, ending in a newline."""
    return "\n\n".join(_reading(take, slot_s) for take in takes) + "\n"


def _reading(take: CheckedReading, slot_s: float | None) -> str:
    reading = take.reading
    parts = [bold(file_name(take.path))]
    if reading.misread:
        parts += [wrap(misread_sentence(misread), "    ", "  ") for misread in reading.misread]
    else:
        parts.append(wrap(reading_sentence(reading), "    ", "  "))
    if pace := pace_words(reading, slot_s):
        parts.append(dim(f"  {pace}"))
    parts += [wrap(on_words(name, [word]), "    ", "  ") for name, word in take.on_words]
    return "\n".join(parts)
