"""Whether each line fits its place under the picture.

A line is laid with its first word at the start of its slot. Then it is told how long it goes on
behind the slot, behind which cuts, and into which line; how much faster it would have to be read;
and how long the pause is that is left before the next line. What that means is judged by
``policy/slots.toml``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby
from pathlib import Path
from typing import Any

from vocheck.edit.picture import Kind, Picture, Slot
from vocheck.errors import SessionError
from vocheck.policy.every import Policy
from vocheck.policy.judge import Verdict
from vocheck.policy.rule import SEVERITIES, Judgment, Rule, Severity, Threshold
from vocheck.results import SCHEMA, Result
from vocheck.script.text import Script, line_key, syllables_in, text_of, words_of
from vocheck.session.names import parse_name
from vocheck.takes.rank import LineRanking, RankedTake, Ranking

ALIKE = 0.6
"""A caption is of a line if so many of its words are the line's, in any order: captions are
shortened, and numbers written otherwise. Lines of one script share about a third (their function
words)."""

MICROSECONDS = 1_000_000
"""As exactly as a read is told. Places are exact fractions: whether a line ends with its slot, or
just behind it, is no question of rounding."""


@dataclass(frozen=True, kw_only=True)
class Read:
    """What a line takes.

    Attributes
    ----------
    line : str
    path : str or None
        Of its take.
    read_s : float
        From the first word to the last.
    text : str or None
        Its words, where a script tells them.
    pauses_s : tuple of float
        How long each pause within it is.
    others : mapping of str to float
        Its other takes, and how long each is read.
    """

    line: str
    path: str | None
    read_s: float
    text: str | None = None
    pauses_s: tuple[float, ...] = ()
    others: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class Misfit(Judgment):
    """One way in which a line does not fit.

    Attributes
    ----------
    name : str
        The row of ``slots.toml``; ``"pace"`` is judged by ``pace.toml``.
    severity : {"note", "fixable", "retake"}
    value, limit : float
    """

    name: str
    severity: Severity
    value: float
    limit: float


@dataclass(frozen=True, kw_only=True)
class LineFit(Result):
    """A line in its place.

    Attributes
    ----------
    line : str
    path : str or None
        Of the take to use.
    slots : tuple of str
        What its slot, or the parts of it, are called.
    start_s, end_s : float
        The slot, in seconds from the start of the picture.
    start, end : str
        The same as timecode; as time where there are captions only.
    read_s : float
        From the first word to the last.
    spare_s : float
        What is left of the slot; negative where the line is longer.
    faster : float or None
        How much faster it would have to be read to end with the slot: 0.08 is 8 %; ``None`` where
        it fits.
    words, syllables : int or None
        Where a script or captions tell the words.
    words_per_minute : float or None
        As it was read.
    words_per_minute_needed, syllables_per_s_needed : float or None
        To end with the slot.
    over_cut_s : float or None
        How long it goes on behind the first cut that it must not pass.
    cuts : tuple of str
        The cuts that it passes, at the end of its slot and behind it.
    into_next_s : float or None
        How long it goes on when the next line begins.
    next_line : str or None
        What stands in the next slot.
    pause_s : float or None
        From its end to the start of the next slot; ``None`` for the last line, and where it goes on
        into the next one.
    in_pauses_s : float
        What its own pauses would save, each shortened to the least that is heard as one
        (``pause_short`` of ``slots.toml``).
    fitting : tuple of str
        Other takes of the line that end within the slot.
    misfits : tuple of Misfit
        Severest first.
    verdict : {"keep", "fixable", "retake"}
    """

    line: str
    path: str | None
    slots: tuple[str, ...]
    start_s: float
    end_s: float
    start: str
    end: str
    read_s: float
    spare_s: float
    faster: float | None
    words: int | None
    syllables: int | None
    words_per_minute: float | None
    words_per_minute_needed: float | None
    syllables_per_s_needed: float | None
    over_cut_s: float | None
    cuts: tuple[str, ...]
    into_next_s: float | None
    next_line: str | None
    pause_s: float | None
    in_pauses_s: float
    fitting: tuple[str, ...]
    misfits: tuple[Misfit, ...]
    verdict: Verdict


@dataclass(frozen=True, kw_only=True)
class SlotsResult(Result):
    """The lines of a session against a picture.

    Attributes
    ----------
    picture : str
    frame_rate : str or None
    found_by : {"name", "words", "order"}
        How lines and slots were brought together.
    lines : tuple of LineFit
        In the order of the picture.
    without_slot : tuple of str
        Lines that have no place.
    without_line : tuple of str
        Places that have no line, by name and start.
    without_read : tuple of str
        Lines of which no take could be measured, or holds no speech.
    """

    picture: str
    frame_rate: str | None
    found_by: str
    lines: tuple[LineFit, ...]
    without_slot: tuple[str, ...] = ()
    without_line: tuple[str, ...] = ()
    without_read: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the result as plain data, with the version of the schema."""
        return {"schema": SCHEMA, **super().to_dict()}


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where a line goes: one slot, or several that follow each other.

    Attributes
    ----------
    line : str
        Empty where no line is known for it.
    slots : tuple of Slot
    """

    line: str
    slots: tuple[Slot, ...]

    @property
    def start(self) -> Fraction:
        """Seconds from the start of the picture."""
        return self.slots[0].start

    @property
    def end(self) -> Fraction:
        """Seconds from the start of the picture."""
        return max(slot.end for slot in self.slots)

    @property
    def text(self) -> str:
        """What captions say here."""
        return " ".join(slot.text for slot in self.slots if slot.kind == "caption").strip()


def fit_session(
    ranking: Ranking, picture: Picture, policy: Policy, script: Script | None = None
) -> SlotsResult:
    """Hold the take to use of each line against its place under the picture.

    Parameters
    ----------
    ranking : Ranking
    picture : Picture
    policy : Policy
    script : Script, optional

    Raises
    ------
    SessionError
        If it cannot be told which line goes where.
    """
    reads = [read for line in ranking.lines if (read := _read_of(line, script)) is not None]
    lines = [line.line for line in ranking.lines]
    places, found_by = find_places(lines, picture, script)
    placed = {place.line for place in places if place.line}
    return SlotsResult(
        picture=picture.path,
        frame_rate=picture.rate.name if picture.rate else None,
        found_by=found_by,
        lines=fit_lines(reads, places, picture, policy),
        without_slot=tuple(line for line in lines if line not in placed),
        without_line=tuple(
            f"{_title(place)} at {picture.label(place.start)}" for place in places if not place.line
        ),
        without_read=tuple(line for line in lines if line not in {read.line for read in reads}),
    )


def _read_of(line: LineRanking, script: Script | None) -> Read | None:
    lengths = {take.path or "": length for take in line.order if (length := read_s(take))}
    first = line.order[0].path or "" if line.order else ""
    if first not in lengths:
        return None
    return Read(
        line=line.line,
        path=first,
        read_s=lengths.pop(first),
        text=text_of(script, line.line),
        pauses_s=tuple(
            pause.end_s - pause.start_s for pause in line.order[0].result.measurements.speech.pauses
        ),
        others=lengths,
    )


def read_s(take: RankedTake) -> float:
    """Return how long a take is read, from its first word to its last; 0 where nobody speaks."""
    phrases = take.result.measurements.speech.phrases
    return phrases[-1].end_s - phrases[0].start_s if phrases else 0.0


# Which line goes where.

_GROUPS: tuple[Kind, ...] = ("audio", "marker", "caption", "video")
"""What may hold the places, in the order in which it is asked: clips of sound are named by lines
more likely than shots are."""


def find_places(
    lines: Sequence[str], picture: Picture, script: Script | None
) -> tuple[list[Place], str]:
    """Return the places in the order of time, and how they were found.

    By the name of a line in that of a slot, by the words of captions and script, or one by one
    where there are as many slots as lines.

    Raises
    ------
    SessionError
        If in none of these ways a line finds its place.
    """
    groups = [slots for kind in _GROUPS if (slots := [s for s in picture.slots if s.kind == kind])]
    keys = {line_key(line): line for line in lines}
    texts = {line: set(_words(text_of(script, line) or "")) for line in lines}

    def by_name(slot: Slot) -> str:
        return _named(slot.name, keys)

    def by_words(slot: Slot) -> str:
        return _saying(slot.text, texts)

    ways: list[tuple[str, Callable[[Slot], str]]] = [("name", by_name), ("words", by_words)]
    for way, line_of in ways:
        for slots in groups:
            places = _together(slots, line_of)
            if way == "words":
                places = _once(places)
            if any(place.line for place in places):
                return places, way
    for slots in groups:
        if len(slots) == len(lines):
            places = [
                Place(line=line, slots=(slot,)) for line, slot in zip(lines, slots, strict=True)
            ]
            return places, "order"
    counts = ", ".join(f"{len(slots)} of kind {slots[0].kind}" for slots in groups)
    raise SessionError(
        f"{picture.path}: which line goes where? No slot is called like a line, no caption says a "
        f"line of a script, and for {len(lines)} lines there are {counts}"
    )


def _named(name: str, keys: Mapping[str, str]) -> str:
    """Return the line that a slot is called by: ``02_kiln``, ``02_kiln take 3``, a take's file."""
    take = parse_name(name)
    asked = [line_key(name), line_key(Path(name).stem), line_key(take.line) if take else ""]
    for key in asked:
        if key in keys:
            return keys[key]
    whole = f"{line_key(name)} "
    return max((line for key, line in keys.items() if whole.startswith(f"{key} ")), default="")


def _words(text: str) -> list[str]:
    return [word.casefold() for word in words_of(text)]


def _saying(text: str, texts: Mapping[str, set[str]]) -> str:
    """Return the line whose words a caption says."""
    words = _words(text)
    if not words:
        return ""
    shares = {line: sum(w in known for w in words) / len(words) for line, known in texts.items()}
    best = max(shares, key=shares.__getitem__, default="")
    return best if best and shares[best] >= ALIKE else ""


def _together(slots: Sequence[Slot], line_of: Callable[[Slot], str]) -> list[Place]:
    """Return places, slots of one line that follow each other put together."""
    places: list[Place] = []
    for line, run in groupby(slots, key=line_of):
        if line:
            places.append(Place(line=line, slots=tuple(run)))
        else:
            places += [Place(line="", slots=(slot,)) for slot in run]
    return places


def _once(places: Sequence[Place]) -> list[Place]:
    """Return places in which each line stands once: where most captions say it.

    A caption in between that says no line belongs to it; one elsewhere, to none.
    """
    longest = {
        line: max((p for p in places if p.line == line), key=lambda place: len(place.slots))
        for line in {place.line for place in places if place.line}
    }
    kept: list[Place] = []
    waiting: list[Place] = []
    last = ""
    for place in places:
        if not place.line:
            waiting.append(place)
        elif place.line == last:  # what stands between two parts of a line is of that line
            between = [slot for other in waiting for slot in other.slots]
            kept[-1] = Place(line=last, slots=(*kept[-1].slots, *between, *place.slots))
            waiting = []
        elif place is longest[place.line]:
            kept += [*waiting, place]
            waiting, last = [], place.line
        else:
            waiting += [Place(line="", slots=(slot,)) for slot in place.slots]
    return [*kept, *waiting]


def _title(place: Place) -> str:
    return place.slots[0].name or place.text or place.slots[0].text or "a slot"


# How it fits.


def fit_lines(
    reads: Iterable[Read], places: Sequence[Place], picture: Picture, policy: Policy
) -> tuple[LineFit, ...]:
    """Return how each line that has a place fits into it, in the order of the places."""
    known = {read.line: read for read in reads}
    ordered = sorted(places, key=lambda place: (place.start, place.end))
    fits = []
    for number, place in enumerate(ordered):
        read = known.get(place.line)
        if read is not None:
            following = ordered[number + 1] if number + 1 < len(ordered) else None
            fits.append(_fit(read, place, following, picture, policy))
    return tuple(fits)


def _fit(
    read: Read, place: Place, following: Place | None, picture: Picture, policy: Policy
) -> LineFit:
    taken = Fraction(round(read.read_s * MICROSECONDS), MICROSECONDS)
    end, slot = place.start + taken, place.end - place.start
    length, spare_s = float(slot), float(slot - taken)
    passed = [cut for cut in picture.cuts if place.end <= cut < end]
    pause_s = None if following is None else float(following.start - end)
    into_next_s = None if pause_s is None or pause_s >= 0 else -pause_s
    words = _words(read.text or place.text)
    needed = 60.0 * len(words) / length if words else None
    facts = {
        "faster": float((taken - slot) / slot) if spare_s < 0 else None,
        "over_cut": float(end - passed[0]) if passed else None,
        "into_next": into_next_s,
        "pause_short": pause_s if into_next_s is None else None,
        "pause_long": pause_s,
    }
    kept_s = float(policy.slots["pause_short"].rule.thresholds[0].value)
    misfits = _judge(facts, needed if spare_s < 0 else None, policy)
    return LineFit(
        line=read.line,
        path=read.path,
        slots=tuple(slot.name or slot.text for slot in place.slots),
        start_s=float(place.start),
        end_s=float(place.end),
        start=picture.label(place.start),
        end=picture.label(place.end),
        read_s=read.read_s,
        spare_s=spare_s,
        faster=facts["faster"],
        words=len(words) or None,
        syllables=sum(map(syllables_in, words)) or None,
        words_per_minute=60.0 * len(words) / read.read_s if words else None,
        words_per_minute_needed=needed,
        syllables_per_s_needed=sum(map(syllables_in, words)) / length if words else None,
        over_cut_s=facts["over_cut"],
        cuts=tuple(map(picture.label, passed)),
        into_next_s=into_next_s,
        next_line=None if following is None else following.line or _title(following),
        pause_s=None if into_next_s is not None else pause_s,
        in_pauses_s=sum(max(0.0, pause - kept_s) for pause in read.pauses_s),
        fitting=tuple(path for path, other_s in read.others.items() if other_s <= length),
        misfits=misfits,
        verdict=_verdict(misfits),
    )


def _judge(
    facts: Mapping[str, float | None], pace: float | None, policy: Policy
) -> tuple[Misfit, ...]:
    brisk = policy.pace["brisk"]
    too_fast = Rule(
        name="slots_pace",
        fact="pace",
        unit="words per minute",
        thresholds=(Threshold("fixable", brisk.words_per_minute, brisk.source, brisk.status),),
    )
    asked = [(policy.slots[name].rule, name, value) for name, value in facts.items()]
    misfits = []
    for rule, name, value in [*asked, (too_fast, "pace", pace)]:
        threshold = rule.passed(value)
        if threshold is not None and value is not None:
            misfits.append(
                Misfit(
                    name=name,
                    severity=threshold.severity,
                    value=value,
                    limit=float(threshold.value),
                    unit=rule.unit,
                    source=threshold.source,
                    status=threshold.status,
                )
            )
    return tuple(sorted(misfits, key=lambda m: -SEVERITIES.index(m.severity)))


def _verdict(misfits: Sequence[Misfit]) -> Verdict:
    severities = {misfit.severity for misfit in misfits}
    if "retake" in severities:
        return "retake"
    return "fixable" if "fixable" in severities else "keep"
