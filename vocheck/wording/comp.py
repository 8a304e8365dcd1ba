"""A comp sheet in sentences: what to use, and what is wrong with which phrase."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from vocheck.policy.words import fill
from vocheck.takes.comp import CompSheet, Fault, Join, Phrase, Reading
from vocheck.takes.deviations import Deviation
from vocheck.wording.ranking import take_names
from vocheck.wording.vocabulary import clock, counted, listed, spoken, tenths

_JOIN_PARTS = {"cut": "for any cut", "no pause": "no pause there"}


def short_names(sheet: CompSheet) -> list[str]:
    """Return what to call each take: its number where every take has one, else its file's name."""
    return take_names(sheet.ranking)


def other_words_sentence(sheet: CompSheet, names: Sequence[str]) -> str:
    """Return which takes are possibly of another line, by their sound."""
    others = listed([names[take] for take in sheet.other_words])
    return (
        f"By their sound, the words of {others} are not those of {names[sheet.reference]}: of "
        "another line, or not whole?"
    )


def answer(sheet: CompSheet) -> str:
    """Return in a sentence what to use: one take whole, or which phrases from which."""
    names = short_names(sheet)
    if not sheet.phrases:
        return "No speech was found in these takes."
    if sheet.cuts == 0:
        whole = sheet.phrases[0].chosen
        return (
            f"{_proposed(sheet, whole)} {names[whole]} whole: no cut to another take would be "
            "cleaner."
        )
    runs = [list(run) for _, run in groupby(sheet.phrases, key=lambda phrase: phrase.chosen)]
    pieces = ", then ".join(f"{_numbers(run)} from {names[run[0].chosen]}" for run in runs)
    saved = sheet.best_single_points - sheet.path_points
    return (
        f"{_proposed(sheet)} {pieces}. That is {saved:.1f} points cleaner than the best single "
        f"take, {names[sheet.best_single]}, its {counted(sheet.cuts, 'cut')} counted."
    )


def _proposed(sheet: CompSheet, whole: int | None = None) -> str:
    """Return how a proposal begins: where a person has circled another take, it is only told."""
    circled = [i for i, take in enumerate(sheet.ranking.order) if take.circled]
    return "Use" if not circled or whole in circled else "Cleanest would be"


def _numbers(run: Sequence[Phrase]) -> str:
    first, last = run[0].number, run[-1].number
    return f"phrase {first}" if first == last else f"phrases {first} to {last}"


def deviation_sentence(deviation: Deviation, names: Sequence[str]) -> str:
    """Return in a sentence what one take may have misread."""
    where = f"in phrase {deviation.phrase} at {clock(deviation.start_s)}"
    length = f"{deviation.length_s:.1f} s"
    name = names[deviation.take][:1].upper() + names[deviation.take][1:]
    if deviation.kind == "extra":
        return f"{name}: possibly extra words {where} ({length}). Listen there."
    return f"{name}: words are possibly {deviation.kind} {where} ({length}). Listen there."


def fault_words(fault: Fault) -> str:
    """Return in a few words what is wrong with a reading of a phrase: ``2 breath pops``."""
    if fault.criterion is None:
        if fault.length_s is None:
            return f"possibly {fault.kind}: “{fault.words}”"
        return f"possibly {fault.kind} words ({fault.length_s:.1f} s)"
    if "{count" in fault.worse:
        return fill(fault.worse, count=fault.count)
    return f"{spoken(fault.criterion)} in {counted(fault.count, 'place')}"


def reasons(reading: Reading) -> list[str]:
    """Return in words what is wrong with a reading of a phrase."""
    return [fault_words(fault) for fault in reading.faults]


def grade_words(reading: Reading, phrase: Phrase) -> str:
    """Return how clean a reading is against the cleanest of its phrase."""
    if not reading.read:
        return "not read?"
    return "cleanest" if reading.take == phrase.cleanest else reading.grade


def phrase_points(sheet: CompSheet, take: int) -> str:
    """Return the points of a take phrase by phrase, and how they add up to those of its card.

    Parameters
    ----------
    sheet : CompSheet
    take : int
        Index into the sheet's takes.
    """
    readings = [phrase.readings[take] for phrase in sheet.phrases]
    if not readings:
        return ""
    parts = tenths([r.points for r in readings], round(sum(r.points for r in readings), 1))
    only_here = sum(
        fault.points
        for reading in readings
        for fault in reading.faults
        if fault.criterion is None and fault.length_s is not None
    )
    words = [f"phrases {' + '.join(f'{points:.1f}' for points in parts)}"]
    total = round(-sheet.ranking.order[take].score, 1)
    if round(only_here, 1):
        words.append(f"less {only_here:.1f} for words that only the other takes tell of")
    rest = round(total - sum(parts) + round(only_here, 1), 1)
    if rest > 0.0:
        words.append(f"between and around the phrases {rest:.1f}")
    elif rest < 0.0:
        words.append(f"less {-rest:.1f} that every take has or that is counted once for the whole")
    return f"{', '.join(words)}: {total:.1f} points"


def join_words(join: Join) -> str:
    """Return what the points of a join are for."""
    return " + ".join(
        f"{points:.1f} {_JOIN_PARTS.get(name, name)}"
        for name, points in join.parts.items()
        if points >= 0.05
    )
