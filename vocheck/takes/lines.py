"""Which takes are of the same words, told by their sound where names do not prove it.

Only takes of the same words are ranked against each other. Where names, recorders and notes do not
prove that (``kiln_03``: take 3, or line 3?), takes are aligned with each other
(`vocheck.takes.takemap`). If the words are the same, nearly all speech of both matches; if not,
much of it has no match. Takes of other words become a line of their own.

Limits of validity: one voice. Takes of a few words cannot be told apart reliably: they stay apart,
each a line of its own. So does a take that lacks a part.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from vocheck.results import Result
from vocheck.session.lineup import Session
from vocheck.session.settings import Settings
from vocheck.takes.takemap import FRAME_S, TakeMap
from vocheck.takes.tracks import ComparedTake, maps_onto

SAME_WORDS = 0.9
"""From this share of matching speech on (in both takes), the takes have the same words."""
MOST_LONGER = 1.6
"""If the speech of one take is longer than that of the other by this factor, the words differ:
talkers read the same text within a fifth of each other."""


LEAST_S = 2.0
"""Takes with less speech stay apart. Different sentences of 1.2 s matched entirely;
different longer texts matched in 0.78 at most (12 texts by 4 synthetic voices, each three times).
Takes of the same text read 0.93 and more, a missing word included; readings by people were not at
hand."""


@dataclass(frozen=True, kw_only=True)
class SoundSorted(Result):
    """Takes that were sorted by their sound.

    Attributes
    ----------
    line : str
        Which line they seemed to be.
    takes : int
        How many.
    lines : tuple of str
        The lines that they are now; more than one where their words are not the same.
    """

    line: str
    takes: int
    lines: tuple[str, ...]


def sort_by_sound(
    session: Session, heard: Mapping[Path, ComparedTake], settings: Settings
) -> tuple[Session, tuple[SoundSorted, ...]]:
    """Part the lines of a session that names do not prove, so that each is of the same words.

    Parameters
    ----------
    session : Session
    heard : mapping of Path to ComparedTake
        Of every take in an unsure line that could be measured.
    settings : Settings

    Returns
    -------
    session : Session
        Without unsure lines.
    done : tuple of SoundSorted
        What each of the unsure lines became.
    """
    lines = {n: list(takes) for n, takes in session.lines.items() if n not in session.unsure}
    done = []
    for line in sorted(session.unsure):
        takes = session.lines[line]
        groups = _groups([heard[path] for path, _ in takes if path in heard], settings)
        if len(groups) < 2:
            parted = {line: list(takes)}
        else:
            numbers = dict(takes)
            parted = {}
            for group in groups:
                names = _titles(line, group, groups)
                title = next(n for n in names if n not in parted and n not in lines)
                parted[title] = [(path, numbers[path]) for path in group]
            unheard = [take for take in takes if take[0] not in heard]
            if unheard:  # nobody can tell: told as what they are, files that cannot be read
                parted.setdefault(line, []).extend(unheard)
        lines |= parted
        done.append(SoundSorted(line=line, takes=len(takes), lines=tuple(parted)))
    return replace(session, lines=dict(sorted(lines.items())), unsure=frozenset()), tuple(done)


def _groups(takes: Sequence[ComparedTake], settings: Settings) -> list[list[Path]]:
    """Return the takes in groups of the same words, each in the order that they came in."""
    groups = []
    waiting = list(takes)
    while waiting:
        first, *others = waiting
        near = [take for take in others if _comparable(first, take)]
        same = {
            id(take)
            for take, found in zip(near, maps_onto(first, near, settings), strict=True)
            if likeness(found, take) >= SAME_WORDS
        }
        groups.append([first, *(take for take in others if id(take) in same)])
        waiting = [take for take in others if id(take) not in same]
    return [[Path(take.result.path or "") for take in group] for group in groups]


def likeness(found: TakeMap, take: ComparedTake) -> float:
    """Return the share of speech that finds its like, of the take that has less of it."""
    spoken = int(take.tracks.features.speech.sum())
    if not spoken:
        return 0.0
    extra = sum(end - start for start, end in found.extra) / FRAME_S
    return min(found.likeness, 1.0 - extra / spoken)


def of_other_words(reference: ComparedTake, take: ComparedTake, found: TakeMap) -> bool:
    """Return whether two takes long enough to tell are not of the same words, by their sound."""
    lengths = [int(one.tracks.features.speech.sum()) * FRAME_S for one in (reference, take)]
    return min(lengths) >= LEAST_S and likeness(found, take) < SAME_WORDS


def _comparable(one: ComparedTake, other: ComparedTake) -> bool:
    a, b = sorted(int(take.tracks.features.speech.sum()) for take in (one, other))
    return a >= LEAST_S / FRAME_S and b <= MOST_LONGER * a


def _titles(line: str, group: Sequence[Path], groups: Sequence[Sequence[Path]]) -> list[str]:
    """Return what a part of a line may be called: by its folder where that tells parts apart."""
    folders = [{path.parent for path in paths} for paths in groups]
    mine = {path.parent for path in group}
    first = group[0].absolute()
    names = [first.stem, f"{first.parent.name}/{first.stem}", str(first)]
    by_folder = len(mine) == 1 and not any(mine & other for other in folders if other != mine)
    if by_folder and folders.count(mine) == 1:
        names.insert(0, f"{first.parent.name}/{line}")
    return names
