"""The takes of one line side by side, phrase by phrase: which take is best where.

No script is needed: the takes are mapped onto each other (`vocheck.takes.takemap`), and the line
falls into phrases where most takes pause. Every phrase of every take gets its faults, level and
pace, and its cost (`policy/ranking.toml`). The cleanest path through the phrases is found by
dynamic programming: the cost of the phrases plus that of every change of take, which grows with the
mismatch of level, tone, pitch, room and noise at the join (`policy/comp.toml`). It always stands
beside the best single take, which a cut must beat.

A stretch that one take lacks against most others is reported as *possibly* missing, one that only
it holds as possibly repeated or extra: two or more stressed words are found reliably, a single
short word is not (see docs/accuracy.md).
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal, Unpack

import numpy as np
import numpy.typing as npt

from vocheck.measurements import Measurements
from vocheck.policy.costs import Criterion, JoinCost
from vocheck.policy.every import Policy
from vocheck.policy.facts import event_time
from vocheck.policy.rule import Rules
from vocheck.results import SCHEMA, Result
from vocheck.session.each import Failure, each
from vocheck.session.lineup import Session
from vocheck.session.notes import Notes
from vocheck.session.settings import Options, Settings, settings_or
from vocheck.takes.deviations import Deviation, find_deviations
from vocheck.takes.lines import SoundSorted, of_other_words, sort_by_sound
from vocheck.takes.rank import (
    Grade,
    LineRanking,
    Progress,
    Ranking,
    grade_of,
    in_progress,
    rank_line,
    take_costs,
)
from vocheck.takes.rooms import RoomChange, room_changes
from vocheck.takes.takemap import FRAME_S, Span, TakeMap
from vocheck.takes.tracks import ComparedTake, judge_with_tracks, maps_onto
from vocheck.takes.unnamed import open_lines

PAUSE_NEAR_S = 0.15
"""A take pauses at a boundary if one of its pauses lies within this of the mapped place."""

JoinCosts = Mapping[str, npt.NDArray[np.float64]]
"""Points by their cause for going from each take (rows) to each take (columns)."""


@dataclass(frozen=True, kw_only=True)
class Fault(Result):
    """One kind of thing that is wrong with a reading of a phrase.

    Attributes
    ----------
    criterion : str or None
        The row of ``ranking.toml`` that the events count in; ``None`` where words are not read as
        the other takes or the script have them.
    kind : {"events", "missing", "repeated", "extra", "replaced"}
        Events that cost something, or what happened to the words.
    count : int
        How many events, or stretches.
    length_s : float or None
        How long a stretch is that the other takes lack or have.
    words : str
        Words of the script.
    points : float
        What it costs.
    worse : str
        How ``ranking.toml`` puts the events in words, not filled in; not part of the plain data.
    """

    criterion: str | None
    kind: Literal["events", "missing", "repeated", "extra", "replaced"]
    count: int = 1
    length_s: float | None = None
    words: str = ""
    points: float
    worse: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return the facts as plain data."""
        plain = super().to_dict()
        del plain["worse"]
        return plain


@dataclass(frozen=True, kw_only=True)
class Reading(Result):
    """One take's reading of one phrase.

    Attributes
    ----------
    take : int
        Index into the sheet's takes.
    start_s, end_s : float
        Where it is in the take; cut in the pauses.
    read : bool
        False where the take lacks most of the phrase.
    level_db : float or None
        K-weighted level of the phrase against the median of all takes.
    pace : float or None
        How much faster than the median of all takes: 1.1 is a tenth faster.
    plosives, clicks, clipped, dropouts : int
        How many lie in the phrase.
    sibilance_db : float or None
        The loudest ess against the voiced sounds of the take.
    points : float
        What the phrase costs.
    grade : {"as clean", "slightly worse", "clearly worse"}
        Against the take that reads the phrase with the fewest points.
    faults : tuple of Fault
        What of it lies in the phrase.
    """

    take: int
    start_s: float
    end_s: float
    read: bool
    level_db: float | None
    pace: float | None
    plosives: int
    clicks: int
    clipped: int
    dropouts: int
    sibilance_db: float | None
    points: float
    grade: Grade = "as clean"
    faults: tuple[Fault, ...]


@dataclass(frozen=True, kw_only=True)
class Phrase(Result):
    """One phrase of the line, as each take reads it.

    Attributes
    ----------
    number : int
        1 is the first.
    readings : tuple of Reading
        One per take, in the order of the takes.
    cleanest : int
        Index of the take that reads it with the fewest points.
    chosen : int
        Index of the take that the cleanest path takes it from.
    """

    number: int
    readings: tuple[Reading, ...]
    cleanest: int
    chosen: int


@dataclass(frozen=True, kw_only=True)
class Join(Result):
    """A change of take in the cleanest path, and what it costs.

    Attributes
    ----------
    after : int
        Number of the phrase that it follows.
    before_take, after_take : int
        The takes on its two sides.
    out_s, in_s : float
        Where the one is left and the other entered, each in its own time.
    points : float
        What it costs: the sum of its parts.
    parts : mapping of str to float
        Points for the cut itself, and for what does not match: ``"cut"``, ``"no pause"``,
        ``"level"``, ``"tone"``, ``"pitch"``, ``"room"``, ``"noise"``.
    """

    after: int
    before_take: int
    after_take: int
    out_s: float
    in_s: float
    points: float
    parts: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class CompSheet(Result):
    """The comp sheet of one line.

    Attributes
    ----------
    line : str
    takes : tuple of str
        Paths, in the order that the ranking gives them.
    reference : int
        The take that the others were mapped onto.
    phrases : tuple of Phrase
    path_points, best_single_points : float
        What the cleanest path costs, its cuts included, and what the best single take costs.
    best_single : int
    cuts : int
        Changes of take in the cleanest path; 0 where no cut is worth it.
    joins : tuple of Join
        Those changes.
    join_points : tuple of tuple of tuple of float
        What every other change would cost: ``join_points[p][a][b]`` are the points for going
        from take ``a`` to take ``b`` after phrase ``p + 1``.
    deviations : tuple of Deviation
    ranking : LineRanking
    failures : tuple of Failure
    other_words : tuple of int
        Takes whose words are not those of the reference, by their sound, whatever their name says.
    """

    line: str
    takes: tuple[str, ...]
    reference: int
    phrases: tuple[Phrase, ...]
    path_points: float
    best_single_points: float
    best_single: int
    cuts: int
    joins: tuple[Join, ...]
    join_points: tuple[tuple[tuple[float, ...], ...], ...]
    deviations: tuple[Deviation, ...]
    ranking: LineRanking
    failures: tuple[Failure, ...] = ()
    other_words: tuple[int, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the sheet as plain data, with the version of the schema."""
        return {"schema": SCHEMA, **super().to_dict()}


@dataclass(frozen=True, kw_only=True)
class Comp(Result):
    """A session, line by line.

    Attributes
    ----------
    sheets : tuple of CompSheet
        Of each line; a line without a readable take has none.
    failures : tuple of Failure
        Files that could not be done.
    left_out : tuple of str
        Files whose names are not those of takes.
    by_sound, rooms, problems
        As in `vocheck.takes.rank.Ranking`.
    """

    sheets: tuple[CompSheet, ...]
    failures: tuple[Failure, ...] = ()
    left_out: tuple[str, ...] = ()
    by_sound: tuple[SoundSorted, ...] = ()
    rooms: tuple[RoomChange, ...] = ()
    problems: tuple[str, ...] = ()

    @property
    def ranking(self) -> Ranking:
        """The session as `vocheck.rank_takes` gives it."""
        return Ranking(
            lines=tuple(sheet.ranking for sheet in self.sheets if sheet.takes),
            failures=self.failures,
            left_out=self.left_out,
            by_sound=self.by_sound,
            rooms=self.rooms,
            problems=self.problems,
        )


def comp_takes(
    paths: Iterable[str | os.PathLike[str]],
    settings: Settings | None = None,
    *,
    progress: Progress | None = None,
    **options: Unpack[Options],
) -> Comp:
    """Make the comp sheet of each line.

    The parameters are those of `vocheck.rank_takes`, and so are the errors raised.
    """
    paths = list(paths)
    settings = settings_or(settings, paths, options)
    session = open_lines(paths, settings)
    settings = replace(settings, notes=session.notes)
    done = each(partial(judge_with_tracks, settings=settings), session.paths, settings)
    return compare(session, in_progress(done, session, progress), settings)


def compare(
    session: Session, results: Mapping[Path, ComparedTake | Failure], settings: Settings
) -> Comp:
    """Make the comp sheets of takes that are measured.

    Parameters
    ----------
    session : Session
    results : mapping of Path to ComparedTake or Failure
        Of every take of the session.
    settings : Settings
    """
    heard = {path: take for path, take in results.items() if isinstance(take, ComparedTake)}
    session, by_sound = sort_by_sound(session, heard, settings)
    sheets = []
    for line, takes in session.lines.items():
        mine = [results[path] for path, _ in takes]
        usable = [take for take in mine if isinstance(take, ComparedTake)]
        failed = tuple(take for take in mine if isinstance(take, Failure))
        sheets.append(make_sheet(line, usable, session.notes, failed, settings))
    return Comp(
        sheets=tuple(sheets),
        failures=tuple(result for result in results.values() if isinstance(result, Failure)),
        left_out=tuple(os.fspath(path) for path in session.left_out),
        by_sound=by_sound,
        rooms=room_changes([take.result for take in heard.values()], settings.policy.drift),
        problems=session.problems,
    )


def make_sheet(
    line: str,
    takes: Sequence[ComparedTake],
    notes: Notes,
    failures: tuple[Failure, ...],
    settings: Settings,
) -> CompSheet:
    """Compare takes of one line that are measured.

    Parameters
    ----------
    line : str
    takes : sequence of ComparedTake
    notes, failures
        Carried into the ranking and the sheet.
    settings : Settings
    """
    ranking = rank_line(line, [take.result for take in takes], notes, settings.policy)
    place = {id(ranked.result): i for i, ranked in enumerate(ranking.order)}
    takes = sorted(takes, key=lambda take: place[id(take.result)])
    reference = _reference(takes)
    heard = [take.tracks.features for take in takes]
    maps = maps_onto(takes[reference], takes, settings) if takes else []
    boundaries = _boundaries(takes, maps, reference)
    deviations = find_deviations(heard, maps, reference, boundaries)
    readings = _readings(takes, maps, boundaries, deviations, settings.policy)
    costs = [
        _joins(takes, readings[p - 1], readings[p], maps, boundaries[p][0], settings.policy.comp)
        for p in range(1, len(readings))
    ]
    chosen, path_points = _cleanest_path(readings, costs)
    single = [sum(phrase[t].points for phrase in readings) for t in range(len(takes))]
    best_single = int(np.argmin(single)) if single else 0
    return CompSheet(
        line=line,
        takes=tuple(take.result.path or "" for take in takes),
        reference=reference,
        phrases=tuple(
            Phrase(
                number=number,
                readings=tuple(phrase),
                cleanest=min(range(len(phrase)), key=lambda t: phrase[t].points),
                chosen=choice,
            )
            for number, (phrase, choice) in enumerate(zip(readings, chosen, strict=True), start=1)
        ),
        path_points=path_points,
        best_single_points=single[best_single] if single else 0.0,
        best_single=best_single,
        cuts=sum(a != b for a, b in pairwise(chosen)),
        joins=_joins_of(chosen, readings, costs),
        join_points=tuple(tuple(map(tuple, _all_parts(parts).tolist())) for parts in costs),
        deviations=deviations,
        ranking=ranking,
        failures=failures,
        other_words=tuple(
            t
            for t, (take, found) in enumerate(zip(takes, maps, strict=True))
            if of_other_words(takes[reference], take, found)
        ),
    )


def _reference(takes: Sequence[ComparedTake]) -> int:
    """Return the take of median spoken length: it is least likely to lack or repeat something."""
    lengths = [int(take.tracks.features.speech.sum()) for take in takes]
    return sorted(range(len(takes)), key=lengths.__getitem__)[len(takes) // 2] if takes else 0


def _boundaries(
    takes: Sequence[ComparedTake], maps: Sequence[TakeMap], reference: int
) -> list[Span]:
    """Return the phrases of the line in the reference's time, parted where most takes pause."""
    if not takes:
        return []
    phrases = takes[reference].result.measurements.speech.phrases
    if not phrases:
        return []
    edges = [phrases[0].start_s]
    for before, after in pairwise(phrases):
        middle = (before.end_s + after.start_s) / 2
        pausing = sum(
            _pause_near(take, mapped.to_take(middle)) is not None
            for take, mapped in zip(takes, maps, strict=True)
        )
        if 2 * pausing > len(takes):
            edges.append(middle)
    edges.append(phrases[-1].end_s)
    return list(pairwise(edges))


def _pause_near(take: ComparedTake, time_s: float) -> Span | None:
    for pause in take.result.measurements.speech.pauses:
        if pause.start_s - PAUSE_NEAR_S <= time_s <= pause.end_s + PAUSE_NEAR_S:
            return pause.start_s, pause.end_s
    return None


def _cut_in(take: ComparedTake, time_s: float) -> float:
    """Return where to cut a take near a moment: in the middle of its pause, if it has one."""
    pause = _pause_near(take, time_s)
    return time_s if pause is None else (pause[0] + pause[1]) / 2


def _readings(
    takes: Sequence[ComparedTake],
    maps: Sequence[TakeMap],
    boundaries: Sequence[Span],
    deviations: Sequence[Deviation],
    policy: Policy,
) -> list[list[Reading]]:
    """Return what each take makes of each phrase: phrases x takes."""
    shares = _take_points(takes, policy.ranking.criteria)
    total = sum(end - start for start, end in boundaries) or 1.0
    phrases = []
    for number, (start, end) in enumerate(boundaries, start=1):
        spans = [
            _clip(
                (_cut_in(take, mapped.to_take(start)), _cut_in(take, mapped.to_take(end))),
                take.result.source.duration_s,
            )
            for take, mapped in zip(takes, maps, strict=True)
        ]
        levels = [take.tracks.level_db(*span) for take, span in zip(takes, spans, strict=True)]
        lengths = [_spoken(take, span) for take, span in zip(takes, spans, strict=True)]
        usual_level = _median([level for level in levels if level is not None])
        usual_length = _median([length for length in lengths if length > 0])
        phrase = []
        for t, (take, span) in enumerate(zip(takes, spans, strict=True)):
            here = [d for d in deviations if d.take == t and d.phrase == number]
            faults = _faults_in(take, span, here, end - start, policy)
            level = levels[t]
            lacking = sum(d.length_s for d in here if d.kind == "missing")
            phrase.append(
                Reading(
                    take=t,
                    start_s=span[0],
                    end_s=span[1],
                    read=lacking < 0.5 * (end - start),
                    level_db=None if level is None or usual_level is None else level - usual_level,
                    pace=usual_length / lengths[t] if lengths[t] and usual_length else None,
                    points=shares[t] * (end - start) / total + sum(f.points for f in faults),
                    faults=tuple(fault for fault in faults if fault.count),
                    **_counts(take.result.measurements, span),
                )
            )
        least = min(reading.points for reading in phrase)
        phrases.append(
            [
                replace(reading, grade=grade_of(reading.points - least, policy.ranking.scale))
                for reading in phrase
            ]
        )
    return phrases


def _faults_in(
    take: ComparedTake,
    span: Span,
    deviations: Sequence[Deviation],
    phrase_s: float,
    policy: Policy,
) -> list[Fault]:
    """Return what is wrong with a take within a stretch: events, lacking words, misread words.

    `deviations` are those of this take in this phrase of `phrase_s`.
    """
    missing = policy.comp["missing"].points
    return [
        *_events_in(take.result.measurements, span, policy.ranking.criteria),
        *(
            Fault(
                criterion=None,
                kind=d.kind,
                length_s=d.length_s,
                points=missing * min(1.0, d.length_s / phrase_s),
            )
            for d in deviations
        ),
        *_misread_in(take, span, policy.words),
    ]


def _misread_in(take: ComparedTake, span: Span, rules: Rules) -> list[Fault]:
    """Return where a take departs from its script within a stretch."""
    reading = take.result.reading
    return [
        Fault(
            criterion=None,
            kind=misread.kind,
            words=misread.words,
            points=rules[f"words_{misread.kind}"].points,
        )
        for misread in (reading.misread if reading is not None else None) or ()
        if span[0] <= misread.time_s < span[1]
    ]


def _clip(span: Span, duration_s: float) -> Span:
    start = min(max(0.0, span[0]), duration_s)
    return start, min(max(start, span[1]), duration_s)


def _spoken(take: ComparedTake, span: Span) -> float:
    frames = slice(round(span[0] / FRAME_S), round(span[1] / FRAME_S))
    return float(take.tracks.features.speech[frames].sum()) * FRAME_S


def _median(values: Sequence[float]) -> float | None:
    return float(np.median(values)) if values else None


def _inside(events: Iterable[object] | None, span: Span) -> list[object]:
    return [
        event
        for event in events or ()
        if (time := event_time(event)) is not None and span[0] <= time < span[1]
    ]


def _counts(m: Measurements, span: Span) -> dict[str, Any]:
    esses = [
        ess.level_re_voiced_db
        for ess in m.sibilance.events or ()
        if span[0] <= ess.start_s < span[1]
    ]
    return {
        "plosives": len(_inside(m.plosives.events, span)),
        "clicks": len(_inside(m.clicks.digital, span)) + len(_inside(m.clicks.mouth, span)),
        "clipped": len(_inside(m.clipping.runs, span)),
        "dropouts": len(_inside(m.dropouts.events, span)),
        "sibilance_db": max(esses, default=None),
    }


def _take_points(takes: Sequence[ComparedTake], criteria: Sequence[Criterion]) -> list[float]:
    """Return what each take costs as a whole, beyond the best: noise, room, tone."""
    totals = [0.0] * len(takes)
    costs = [take_costs(take.result.measurements, criteria) for take in takes]
    for criterion in criteria:
        known = [
            (t, cost[criterion.name].points)
            for t, cost in enumerate(costs)
            if cost[criterion.name].value is not None and not criterion.is_local
        ]
        least = min((points for _, points in known), default=0.0)
        for t, points in known:
            totals[t] += points - least
    return totals


def _events_in(m: Measurements, span: Span, criteria: Sequence[Criterion]) -> list[Fault]:
    """Return what the events inside a phrase are and cost."""
    faults = []
    for criterion in criteria:
        points, count = criterion.points_within(m, span)
        faults.append(
            Fault(
                criterion=criterion.name,
                kind="events",
                count=count,
                points=points,
                worse=criterion.worse,
            )
        )
    return faults


def _cleanest_path(
    readings: Sequence[Sequence[Reading]], joins: Sequence[JoinCosts]
) -> tuple[list[int], float]:
    """Return which take to use for each phrase so that faults and joins together cost least."""
    if not readings:
        return [], 0.0
    cost = np.array([[reading.points for reading in phrase] for phrase in readings])
    total = cost[0]
    back: list[npt.NDArray[np.intp]] = []
    for p in range(1, len(readings)):
        options = total[:, np.newaxis] + _all_parts(joins[p - 1])
        back.append(options.argmin(axis=0))
        total = options.min(axis=0) + cost[p]
    path = [int(total.argmin())]
    for choices in reversed(back):
        path.append(int(choices[path[-1]]))
    return path[::-1], float(total.min())


def _all_parts(joins: JoinCosts) -> npt.NDArray[np.float64]:
    together: npt.NDArray[np.float64] = np.sum(list(joins.values()), axis=0)
    return together


def _joins_of(
    chosen: Sequence[int],
    readings: Sequence[Sequence[Reading]],
    costs: Sequence[JoinCosts],
) -> tuple[Join, ...]:
    """Return the changes of take along a path."""
    joins = []
    for p, (a, b) in enumerate(pairwise(chosen)):
        if a != b:
            parts = {name: float(points[a, b]) for name, points in costs[p].items()}
            joins.append(
                Join(
                    after=p + 1,
                    before_take=a,
                    after_take=b,
                    out_s=readings[p][a].end_s,
                    in_s=readings[p + 1][b].start_s,
                    points=sum(parts.values()),
                    parts=parts,
                )
            )
    return tuple(joins)


def _joins(
    takes: Sequence[ComparedTake],
    before: Sequence[Reading],
    after: Sequence[Reading],
    maps: Sequence[TakeMap],
    boundary_s: float,
    cost: Mapping[str, JoinCost],
) -> JoinCosts:
    """Return what it costs to go from each take (rows) to each take (columns) at a boundary."""
    tracks = [take.tracks for take in takes]
    other = 1.0 - np.eye(len(takes))  # going on in the same take costs nothing
    level = _mismatch([r.level_db for r in before], [r.level_db for r in after])
    pitch = _mismatch(
        [t.pitch_near(r.end_s - 1.0, r.end_s) for t, r in zip(tracks, before, strict=True)],
        [t.pitch_near(r.start_s, r.start_s + 1.0) for t, r in zip(tracks, after, strict=True)],
    )
    facts = [take.result.measurements for take in takes]
    room = _mismatch(*2 * [[m.reverberation.rt60_s for m in facts]])
    noise = _mismatch(*2 * [[m.noise.floor_dbfs for m in facts]])
    spectra = [np.array([band.level_db for band in m.tone.ltas or ()]) for m in facts]
    tone = np.array([[_tone_difference(a, b) for b in spectra] for a in spectra])
    dirty = np.array(
        [
            _pause_near(take, mapped.to_take(boundary_s)) is None
            for take, mapped in zip(takes, maps, strict=True)
        ]
    )
    return {
        "cut": cost["cut"].points * other,
        "no pause": cost["no_pause"].points * (dirty[:, np.newaxis] | dirty) * other,
        **{
            name: cost[name].points * mismatch / cost[name].per * other
            for name, mismatch in (
                ("level", level),
                ("tone", tone),
                ("pitch", pitch),
                ("room", room),
                ("noise", noise),
            )
        },
    }


def _mismatch(
    before: Sequence[float | None], after: Sequence[float | None]
) -> npt.NDArray[np.float64]:
    """Return by how much going from each take to each take departs from what the takes do.

    A value may step at the boundary in every take (a question ends high); only the departure from
    the median step is heard as a join. What is not known costs nothing.
    """
    a = np.array([np.nan if v is None or not np.isfinite(v) else v for v in before])
    b = np.array([np.nan if v is None or not np.isfinite(v) else v for v in after])
    own = b - a
    usual = float(np.median(own[np.isfinite(own)])) if np.isfinite(own).any() else 0.0
    departure: npt.NDArray[np.float64] = np.abs(b[np.newaxis] - a[:, np.newaxis] - usual)
    return np.nan_to_num(departure, nan=0.0)


def _tone_difference(a: npt.NDArray[np.float64], b: npt.NDArray[np.float64]) -> float:
    count = min(len(a), len(b))
    if not count:
        return 0.0
    difference = a[:count] - b[:count]
    return float(np.std(difference[np.isfinite(difference)]))
