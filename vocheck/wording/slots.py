"""Lines against the picture, in sentences."""

from __future__ import annotations

from pathlib import Path

from vocheck.edit.slots import LineFit, Misfit, SlotsResult
from vocheck.wording.vocabulary import counted, listed, number

FITS = {"keep": "fits", "fixable": "tighten", "retake": "too long"}
"""What the verdict of a line in its place is called."""

FOUND_BY = {
    "name": "by the names of the slots",
    "words": "by the words of the captions",
    "order": "one after the other, as there are as many slots as lines",
}


def take_name(path: str | None) -> str:
    """Return what to call a take: its file's name without suffix."""
    return Path(path).stem if path else "the take"


def misfit_sentence(fit: LineFit, misfit: Misfit) -> str:
    """Return what is wrong in one way."""
    match misfit.name:
        case "faster":
            return (
                f"{number(-fit.spare_s, 2, 's')} longer than its slot: it would have to be read "
                f"{100 * misfit.value:.0f} % faster."
            )
        case "over_cut":
            more = f" and {len(fit.cuts) - 1} more" if len(fit.cuts) > 1 else ""
            return f"Goes on {number(misfit.value, 2, 's')} behind the cut at {fit.cuts[0]}{more}."
        case "into_next":
            return f"Goes on {number(misfit.value, 2, 's')} into {fit.next_line}."
        case "pause_short":
            return f"Only {number(misfit.value, 2, 's')} of pause before {fit.next_line}."
        case "pause_long":
            return f"{number(misfit.value, 1, 's')} of pause before {fit.next_line}."
        case _:
            return f"That is {misfit.value:.0f} words a minute; brisk is {misfit.limit:.0f}."


def fit_text(fit: LineFit) -> str:
    """Return all that is wrong with a line in its place, and what would fit."""
    told = [misfit_sentence(fit, misfit) for misfit in fit.misfits]
    if fit.spare_s < 0:
        if fit.in_pauses_s >= -fit.spare_s:
            told.append(f"Its own pauses, shortened, would save {number(fit.in_pauses_s, 2, 's')}.")
        names = [take_name(path) for path in fit.fitting]
        if names:
            told.append(f"{listed(names)} would fit.")
        elif fit.words and fit.words_per_minute and fit.in_pauses_s < -fit.spare_s:
            over = -fit.spare_s * fit.words_per_minute / 60.0
            told.append(f"Or cut {counted(max(1, round(over)), 'word')}.")
    return " ".join(told)


def remarks(result: SlotsResult) -> list[str]:
    """Return what could not be held against each other."""
    told = []
    if result.without_slot:
        told.append(f"No place in the picture for {listed(result.without_slot)}.")
    if result.without_line:
        most = 5
        names = list(result.without_line[:most])
        more = len(result.without_line) - most
        told.append(f"No line for {listed([*names, f'{more} more'] if more > 0 else names)}.")
    if result.without_read:
        told.append(f"No read of {listed(result.without_read)}.")
    return told
