"""The takes of one line in order, with reasons a director can argue with.

Every take is compared with the best of its line, fact by fact: what the voice, the text and the
microphone do anyway is common to all takes and falls out, which is why relative scores agree with
outside judges far better than absolute ones. A fact costs points (``policy/ranking.toml``); the
points beyond those of the best take add up to the damage, and the least damage ranks first.

A take whose verdict is `keep` stands before one that needs fixing, and that before a retake. A
circled take stands first whatever it measures: the person's choice wins, and the report says what
is wrong with it and which take is the nearest clean one.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Literal, Protocol, TypeVar, Unpack

from vocheck.measurements import Measurements
from vocheck.policy.costs import Criterion, Scale, load_ranking
from vocheck.policy.costs import Ranking as Costs
from vocheck.policy.every import Policy
from vocheck.policy.facts import resolve
from vocheck.policy.judge import Verdict, word_points
from vocheck.results import SCHEMA, Result
from vocheck.session.each import Failure, each
from vocheck.session.lineup import Session
from vocheck.session.notes import Note, Notes, note_of
from vocheck.session.settings import Options, Settings, settings_or
from vocheck.session.take import TakeResult, judge_take
from vocheck.session.takefile import TakeFile
from vocheck.takes.lines import SoundSorted, sort_by_sound
from vocheck.takes.rooms import RoomChange, room_changes
from vocheck.takes.tracks import ComparedTake, judge_with_tracks
from vocheck.takes.unnamed import open_lines

VERDICT_ORDER: tuple[Verdict, ...] = ("keep", "fixable", "retake")
SCRIPT = "script"
"""The criterion of words that depart from the script, which ``words.toml`` weighs."""
T = TypeVar("T")


class Progress(Protocol):
    """Wraps a stream of results of known length, to show how far it is."""

    def __call__(self, results: Iterable[T], total: int, /) -> Iterable[T]:
        """Return the stream to read from."""


@dataclass(frozen=True)
class Cost:
    """What one fact costs one take.

    Attributes
    ----------
    points : float
    value : float or None
        The fact; of several events the worst; ``None`` where it was not measured.
    count : int
        How many events cost something.
    """

    points: float
    value: float | None
    count: int


Grade = Literal["as clean", "slightly worse", "clearly worse"]
"""How far a take stands behind the cleanest of its line; the borders are in ``ranking.toml``."""


@dataclass(frozen=True, kw_only=True)
class Reason(Result):
    """One thing that a take has more of than another take of its line.

    Attributes
    ----------
    criterion : str
        The row of ``ranking.toml``; ``"script"`` for words that depart from the script.
    points : float
        What it costs more.
    value : float or None
        The fact; of several events the worst.
    difference : float or None
        From the other take, without its sign.
    count : int
        How many events cost something.
    worse : str
        How ``ranking.toml`` puts it in words, not filled in; not part of the plain data.
    """

    criterion: str
    points: float
    value: float | None
    difference: float | None
    count: int
    worse: str

    def to_dict(self) -> dict[str, Any]:
        """Return the facts as plain data."""
        plain = super().to_dict()
        del plain["worse"]
        return plain


@dataclass(frozen=True, kw_only=True)
class Standing(Result):
    """Why a take stands where it stands.

    Attributes
    ----------
    kind : {"only", "same", "best", "behind"}
        The only take of its line; not to be told apart from `against`; the cleanest, ahead of
        `against`; or behind `against`.
    against : int or None
        The position of the take it is compared with.
    reasons : tuple of Reason
        What the worse of the two has more of, the dearest first; empty where each is little.
    grade : {"as clean", "slightly worse", "clearly worse"}
        Against the cleanest take of the line.
    """

    kind: Literal["only", "same", "best", "behind"]
    against: int | None
    reasons: tuple[Reason, ...]
    grade: Grade


@dataclass(frozen=True, kw_only=True)
class RankedTake(Result):
    """A take in its place.

    Attributes
    ----------
    path : str or None
    position : int
        1 is first.
    score : float
        Points of damage beyond the best of the line, as a negative number: 0 is the best there is.
    standing : Standing
        Why it stands here.
    costs : mapping of str to float
        Points that each fact costs beyond the take of the line that it costs least, the greatest
        first; facts that cost nothing are left out. Together they are the score.
    circled : bool
    verdict : Verdict
    note : Note
        What the session notes say.
    result : TakeResult
    """

    path: str | None
    position: int
    score: float
    standing: Standing
    costs: Mapping[str, float]
    circled: bool
    verdict: Verdict
    note: Note
    result: TakeResult


@dataclass(frozen=True, kw_only=True)
class LineRanking(Result):
    """The takes of one line, best first.

    Attributes
    ----------
    line : str
    order : tuple of RankedTake
    undecided : bool
        The first two cannot be told apart.
    nearest_clean : str or None
        Where the circled take needs a retake: the path of the best take that does not.
    """

    line: str
    order: tuple[RankedTake, ...]
    undecided: bool
    nearest_clean: str | None = None


@dataclass(frozen=True, kw_only=True)
class Ranking(Result):
    """The takes of a session, line by line.

    Attributes
    ----------
    lines : tuple of LineRanking
    failures : tuple of Failure
        Files that could not be done.
    left_out : tuple of str
        Files whose names are not those of takes.
    by_sound : tuple of SoundSorted
        Takes that were sorted into lines by their sound, as their names do not prove their line.
    rooms : tuple of RoomChange
        Takes that were recorded in another room, or at another distance, than most of the session.
    problems : tuple of str
        A line on each name or note that is not understood or contradicts another.
    """

    lines: tuple[LineRanking, ...]
    failures: tuple[Failure, ...] = ()
    left_out: tuple[str, ...] = ()
    by_sound: tuple[SoundSorted, ...] = ()
    rooms: tuple[RoomChange, ...] = ()
    problems: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the ranking as plain data, with the version of the schema."""
        return {"schema": SCHEMA, **super().to_dict()}


def rank_takes(
    paths: Iterable[str | os.PathLike[str]],
    settings: Settings | None = None,
    *,
    progress: Progress | None = None,
    **options: Unpack[Options],
) -> Ranking:
    """Measure takes and rank those of each line.

    Parameters
    ----------
    paths : iterable of path-like
        Takes, or folders of them.
    settings : Settings, optional
        Or the single options of `vocheck.session.settings.Options`: ``limits``, ``targets``,
        ``pattern``, ``script``, ``notes``, ``cache``, ``executor``.
    progress : callable, optional
        Given the stream of results and how many there will be, returns the stream to read from.

    Raises
    ------
    SessionError
        If a folder holds no recording, the notes or the pattern are malformed, or two
        ``vocheck.toml`` count for these takes.
    TargetError
        If a target is unknown or a ``vocheck.toml`` malformed.
    """
    paths = list(paths)
    settings = settings_or(settings, paths, options)
    session = open_lines(paths, settings)
    settings = replace(settings, notes=session.notes)
    unsure = frozenset(os.fspath(p) for line in session.unsure for p, _ in session.lines[line])
    work = partial(_judge, settings=settings, unsure=unsure)
    done = in_progress(each(work, session.paths, settings), session, progress)
    heard = {path: take for path, take in done.items() if isinstance(take, ComparedTake)}
    session, by_sound = sort_by_sound(session, heard, settings)
    results = {
        p: take.result if isinstance(take, ComparedTake) else take for p, take in done.items()
    }
    return Ranking(
        lines=tuple(
            rank_line(
                name,
                [result for path, _ in line if isinstance(result := results[path], TakeResult)],
                session.notes,
                settings.policy,
            )
            for name, line in session.lines.items()
            if any(isinstance(results[path], TakeResult) for path, _ in line)
        ),
        failures=tuple(r for r in results.values() if isinstance(r, Failure)),
        left_out=tuple(os.fspath(path) for path in session.left_out),
        by_sound=by_sound,
        rooms=room_changes(
            [take for take in results.values() if isinstance(take, TakeResult)],
            settings.policy.drift,
        ),
        problems=session.problems,
    )


def _judge(file: TakeFile, settings: Settings, unsure: frozenset[str]) -> TakeResult | ComparedTake:
    """Judge a take; of one whose name is unsure also keep what it is compared by."""
    return judge_with_tracks(file, settings) if file.path in unsure else judge_take(file, settings)


def in_progress(results: Iterable[T], session: Session, progress: Progress | None) -> dict[Path, T]:
    """Return what comes of each take of a session, and show how far it is meanwhile."""
    takes = session.paths
    shown = results if progress is None else progress(results, len(takes))
    return dict(zip(takes, shown, strict=True))


def rank_line(
    line: str,
    takes: Sequence[TakeResult],
    notes: Notes | None = None,
    policy: Policy | None = None,
) -> LineRanking:
    """Put the takes of one line in order.

    Parameters
    ----------
    line : str
    takes : sequence of TakeResult
    notes : Notes, optional
    policy : Policy, optional
        What facts cost; as shipped where omitted.
    """
    comparison = _Comparison.of(takes, notes or {}, policy or Policy())
    by_damage = comparison.by_damage()
    # A circled take stands first whatever it measures: the person's choice wins.
    order = sorted(by_damage, key=lambda i: not comparison.noted[i].circled)
    if not order:
        return LineRanking(line=line, order=(), undecided=False)
    first = order[0]
    circled = comparison.noted[first].circled
    clean = [i for i in by_damage if takes[i].verdict != "retake"]
    place = {i: number for number, i in enumerate(order, start=1)}
    return LineRanking(
        line=line,
        order=tuple(
            RankedTake(
                path=takes[i].path,
                position=place[i],
                score=-comparison.damage(i),
                standing=comparison.standing(i, by_damage, place),
                costs=comparison.told_costs(i),
                circled=comparison.noted[i].circled,
                verdict=takes[i].verdict,
                note=comparison.noted[i],
                result=takes[i],
            )
            for i in order
        ),
        undecided=len(order) > 1 and not circled and comparison.same(*order[:2]),
        nearest_clean=takes[clean[0]].path
        if circled and takes[first].verdict == "retake" and clean
        else None,
    )


def take_costs(
    measurements: Measurements, criteria: Sequence[Criterion] | None = None
) -> dict[str, Cost]:
    """Return what each fact costs a take, by the name of the criterion (the shipped ones)."""
    criteria = load_criteria() if criteria is None else criteria
    return {criterion.name: _cost(measurements, criterion) for criterion in criteria}


def relative_damage(
    costs: Sequence[Mapping[str, Cost]], criteria: Sequence[Criterion] | None = None
) -> list[float]:
    """Return each take's points beyond the best of the line, added up over the facts."""
    return [sum(beyond.values()) for beyond in beyond_the_best(costs, criteria)]


def beyond_the_best(
    costs: Sequence[Mapping[str, Cost]], criteria: Sequence[Criterion] | None = None
) -> list[dict[str, float]]:
    """Return what each fact costs each take beyond the take that it costs least.

    A fact that could not be measured on a take costs it what the median take pays.
    """
    beyond: list[dict[str, float]] = [{} for _ in costs]
    for criterion in load_criteria() if criteria is None else criteria:
        known = sorted(c[criterion.name].points for c in costs if _known(c[criterion.name]))
        if not known:
            continue
        typical = known[len(known) // 2]
        for cost, mine in zip(costs, beyond, strict=True):
            paid = cost[criterion.name]
            mine[criterion.name] = (paid.points if _known(paid) else typical) - known[0]
    return beyond


def grade_of(behind: float, scale: Scale) -> Grade:
    """Return how many points behind the cleanest are told."""
    if behind < scale.undecided:
        return "as clean"
    return "clearly worse" if behind >= scale.clearly else "slightly worse"


def load_criteria() -> tuple[Criterion, ...]:
    """Return the rows of ``ranking.toml`` as shipped."""
    return load_ranking().criteria


def _known(cost: Cost) -> bool:
    return cost.value is not None


def _cost(measurements: Measurements, criterion: Criterion) -> Cost:
    values = [value for value, _ in criterion.facts(measurements)]
    if not values:
        # No events is a cost of nothing; not measured is not known.
        listed = criterion.absent or criterion.measurement.partition("[]")[0]
        known = resolve(measurements, listed) is not None
        return Cost(0.0, criterion.nothing if known else None, 0)
    return Cost(
        points=criterion.points(values),
        value=max(values, key=criterion.beyond),
        count=sum(criterion.beyond(value) > 0.0 for value in values),
    )


@dataclass(frozen=True)
class _Comparison:
    """The takes of one line side by side; takes are spoken of by their index."""

    takes: Sequence[TakeResult]
    noted: Sequence[Note]
    costs: Sequence[Mapping[str, Cost]]
    beyond: Sequence[Mapping[str, float]]
    held: Costs

    @classmethod
    def of(cls, takes: Sequence[TakeResult], notes: Notes, policy: Policy) -> _Comparison:
        criteria = policy.ranking.criteria
        costs = [take_costs(take.measurements, criteria) for take in takes]
        words = [word_points(take.reading, policy.words) for take in takes]
        return cls(
            takes=takes,
            noted=[note_of(notes, take.path, take.line, take.take) or Note() for take in takes],
            costs=costs,
            beyond=[
                {**beyond, SCRIPT: points - min(words)}
                for beyond, points in zip(beyond_the_best(costs, criteria), words, strict=True)
            ],
            held=policy.ranking,
        )

    def damage(self, i: int) -> float:
        """Return a take's points beyond the best of the line."""
        return sum(self.beyond[i].values())

    def told_costs(self, i: int) -> dict[str, float]:
        """Return what each fact costs a take beyond the best, the dearest first."""
        dearest = sorted(self.beyond[i].items(), key=lambda cost: -cost[1])
        return {name: points for name, points in dearest if points > 0.0}

    def by_damage(self) -> list[int]:
        """Return the takes in technical order."""
        return sorted(
            range(len(self.takes)),
            key=lambda i: (VERDICT_ORDER.index(self.takes[i].verdict), self.damage(i)),
        )

    def same(self, a: int, b: int) -> bool:
        """Return whether two takes cannot be told apart."""
        return (
            self.takes[a].verdict == self.takes[b].verdict
            and abs(self.damage(a) - self.damage(b)) < self.held.scale.undecided
        )

    def worse_than(self, a: int, b: int) -> tuple[Reason, ...]:
        """Return what costs take `a` more than take `b`, the dearest first."""
        found = []
        script = self.beyond[a][SCRIPT] - self.beyond[b][SCRIPT]
        if script > 0.0:
            found.append(
                Reason(
                    criterion=SCRIPT,
                    points=script,
                    value=None,
                    difference=None,
                    count=0,
                    worse=self.held.scale.script,
                )
            )
        for criterion in self.held.criteria:
            mine, other = self.costs[a][criterion.name], self.costs[b][criterion.name]
            if mine.value is None or other.value is None or mine.points <= other.points:
                continue
            points, difference = mine.points - other.points, abs(mine.value - other.value)
            if (points if "[]" in criterion.measurement else difference) >= criterion.tell:
                found.append(
                    Reason(
                        criterion=criterion.name,
                        points=points,
                        value=mine.value,
                        difference=difference,
                        count=mine.count,
                        worse=criterion.worse,
                    )
                )
        return tuple(sorted(found, key=lambda reason: -reason.points))

    def standing(self, i: int, by_damage: Sequence[int], place: Mapping[int, int]) -> Standing:
        """Return why take `i` stands where it stands."""
        best = by_damage[0]
        if len(by_damage) == 1:
            return Standing(kind="only", against=None, reasons=(), grade="as clean")
        other = by_damage[1] if i == best else best
        grade = self._grade(i, best)
        if self.same(i, other):
            return Standing(kind="same", against=place[other], reasons=(), grade=grade)
        if i == best:
            reasons = self.worse_than(other, i)
            return Standing(kind="best", against=place[other], reasons=reasons, grade=grade)
        reasons = self.worse_than(i, best)
        return Standing(kind="behind", against=place[best], reasons=reasons, grade=grade)

    def _grade(self, i: int, best: int) -> Grade:
        if i == best or self.same(i, best):
            return "as clean"
        behind = self.damage(i) - self.damage(best)
        grade = grade_of(behind, self.held.scale)
        # Of another verdict, or ahead in points only: never as clean.
        return "slightly worse" if grade == "as clean" else grade
