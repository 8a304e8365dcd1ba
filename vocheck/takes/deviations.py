"""Stretches that set one take of a line apart from the others: words missing, repeated or extra.

Where a take and the reference differ, the majority of the takes decides who is the odd one out;
with only two takes it is the one that is not the reference. A stretch that resembles what stands
just before or after it is a repeat. All of it is *possible* only: whoever edits listens there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from vocheck.results import Result
from vocheck.takes.takemap import FRAME_S, REPORTED_S, Features, Span, TakeMap, distances

Kind = Literal["missing", "repeated", "extra"]


@dataclass(frozen=True, kw_only=True)
class Deviation(Result):
    """A stretch that sets one take apart from the others: *possibly* misread.

    Attributes
    ----------
    take : int
    kind : {"missing", "repeated", "extra"}
    start_s, end_s : float
        In the take; of something missing, both are the place where it should be.
    length_s : float
        How long the stretch is: of something missing, in the reference take.
    phrase : int
        Number of the phrase it belongs to.
    """

    take: int
    kind: Kind
    start_s: float
    end_s: float
    length_s: float
    phrase: int


def find_deviations(
    takes: Sequence[Features],
    maps: Sequence[TakeMap],
    reference: int,
    boundaries: Sequence[Span],
) -> tuple[Deviation, ...]:
    """Tell which takes depart from the others, and where.

    Parameters
    ----------
    takes : sequence of Features
    maps : sequence of TakeMap
        From the reference to each take.
    reference : int
        Index of the reference.
    boundaries : sequence of (start_s, end_s)
        The phrases, in the reference's time.
    """
    others = [t for t in range(len(takes)) if t != reference]
    found: list[Deviation] = []
    for t in others:
        for span in maps[t].missing:
            lacking = [u for u in others if _overlap(span, maps[u].missing) > 0.5]
            if _reported(span) and 2 * len(lacking) <= len(others) + (len(others) == 1):
                place = maps[t].to_take((span[0] + span[1]) / 2)
                found.append(_deviation(t, "missing", (place, place), span, boundaries))
        for span in maps[t].extra:
            if _reported(span):
                place = maps[t].to_reference(span[0])
                kind = _kind_of_extra(takes[t], span)
                found.append(
                    _deviation(t, kind, span, span, boundaries, at=min(place, boundaries[-1][1]))
                )
    found += _deviations_of_the_reference(takes, maps, reference, others, boundaries)
    return tuple(_without_common_extras(found, maps, others))


def _deviations_of_the_reference(
    takes: Sequence[Features],
    maps: Sequence[TakeMap],
    reference: int,
    others: Sequence[int],
    boundaries: Sequence[Span],
) -> list[Deviation]:
    """Find what the reference alone holds (most others lack it) and what it alone lacks."""
    found: list[Deviation] = []
    if len(others) < 2:
        return found
    seen: list[Span] = []
    for t in others:
        for span in maps[t].missing:
            lacking = [u for u in others if _overlap(span, maps[u].missing) > 0.5]
            if _reported(span) and 2 * len(lacking) > len(others) and not _overlap(span, seen):
                seen.append(span)
                kind = _kind_of_extra(takes[reference], span)
                found.append(_deviation(reference, kind, span, span, boundaries))
    places = sorted(
        (maps[t].to_reference(span[0]), span)
        for t in others
        for span in maps[t].extra
        if _reported(span)
    )
    for i, (place, span) in enumerate(places):
        near = [other for other, _ in places if abs(other - place) < REPORTED_S]
        if 2 * len(near) > len(others) and (i == 0 or place - places[i - 1][0] >= REPORTED_S):
            found.append(_deviation(reference, "missing", (place, place), span, boundaries))
    return found


def _without_common_extras(
    found: Sequence[Deviation], maps: Sequence[TakeMap], others: Sequence[int]
) -> list[Deviation]:
    """Drop what most takes hold beyond the reference: there the reference is the odd one out."""

    def common(deviation: Deviation) -> bool:
        if deviation.kind == "missing" or deviation.take not in others or len(others) < 2:
            return False
        place = maps[deviation.take].to_reference(deviation.start_s)
        holding = sum(
            any(
                abs(maps[u].to_reference(span[0]) - place) < REPORTED_S and _reported(span)
                for span in maps[u].extra
            )
            for u in others
        )
        return 2 * holding > len(others)

    return [deviation for deviation in found if not common(deviation)]


def _deviation(
    take: int,
    kind: Kind,
    where: Span,
    stretch: Span,
    boundaries: Sequence[Span],
    at: float | None = None,
) -> Deviation:
    at = stretch[0] if at is None else at
    phrase = next((i for i, (_, end) in enumerate(boundaries) if at < end), len(boundaries) - 1)
    return Deviation(
        take=take,
        kind=kind,
        start_s=where[0],
        end_s=where[1],
        length_s=stretch[1] - stretch[0],
        phrase=phrase + 1,
    )


def _reported(span: Span) -> bool:
    return span[1] - span[0] >= REPORTED_S


def _overlap(span: Span, others: Iterable[Span]) -> float:
    """Return which share of `span` the others cover."""
    covered = sum(max(0.0, min(span[1], b) - max(span[0], a)) for a, b in others)
    return covered / (span[1] - span[0])


def _kind_of_extra(take: Features, span: Span) -> Kind:
    """Return whether a stretch sounds like what stands just before or just after it."""
    first, last = round(span[0] / FRAME_S), round(span[1] / FRAME_S)
    length = last - first
    own = take.cepstra[first:last]
    usual = float(np.median(distances(own, take.cepstra[::7])))
    for start in (first - length, last):
        beside = take.cepstra[max(0, start - length // 4) : start + length + length // 4]
        if len(beside) < length // 2:
            continue
        nearest = distances(own, beside).min(axis=1)
        if float(np.median(nearest)) < 0.55 * usual:
            return "repeated"
    return "extra"
