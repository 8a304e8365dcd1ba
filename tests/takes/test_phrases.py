"""The comp sheet of takes made by hand: what each phrase and each join costs is known beforehand.

A line of three phrases of 2.5 s, with pauses of 0.5 s between them. The takes have the same frames
and so map onto themselves, but where a map is made by hand.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.material.handmade import take
from vocheck.measurements.clicks import Click
from vocheck.measurements.clipping import ClippedRun
from vocheck.measurements.dropouts import Dropout
from vocheck.measurements.plosives import Plosive
from vocheck.measurements.sibilance import Sibilant
from vocheck.measurements.speech import Span
from vocheck.measurements.tone import Band
from vocheck.policy.every import Policy
from vocheck.script.reading import Misread
from vocheck.script.reading import Reading as ScriptReading
from vocheck.session.each import Failure
from vocheck.session.lineup import Session
from vocheck.session.settings import Settings
from vocheck.takes import comp
from vocheck.takes.comp import Comp, CompSheet, compare, make_sheet
from vocheck.takes.rank import take_costs
from vocheck.takes.takemap import TakeMap
from vocheck.takes.tracks import ComparedTake, Tracks

PHRASES = ((0.5, 3.0), (3.5, 6.0), (6.5, 9.0))
PAUSES = ((3.0, 3.5), (6.0, 6.5))
CUTS = (0.5, 3.25, 6.25, 9.0)
POLICY = Policy()
COSTS = POLICY.comp
CRITERIA = {criterion.name: criterion for criterion in POLICY.ranking.criteria}
BANDS_HZ = (100.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 6300.0)


def compared(
    number: int,
    *,
    levels_db: tuple[float, ...] = (-23.0, -23.0, -23.0),
    pitches_hz: tuple[float, ...] = (200.0, 200.0, 200.0),
    phrases: tuple[tuple[float, float], ...] = PHRASES,
    pauses: tuple[tuple[float, float], ...] = PAUSES,
    **more: Any,
) -> ComparedTake:
    """Return a take of 10 s with what comparing needs; level and pitch phrase by phrase."""
    times = (np.arange(1000) + 0.5) * 0.01
    speech = np.zeros(1000, bool)
    energies = np.full(1000, 1e-9, np.float32)
    pitch = np.zeros(1000, np.float32)
    for (start, end), level_db, hz in zip(phrases, levels_db, pitches_hz, strict=True):
        inside = (times > start) & (times < end)
        speech |= inside
        energies[inside] = 10 ** (level_db / 10)
        pitch[inside] = hz
    facts = {
        "speech__phrases": tuple(Span(start_s=a, end_s=b) for a, b in phrases),
        "speech__pauses": tuple(Span(start_s=a, end_s=b) for a, b in pauses),
        **more,
    }
    result = take(number, **facts)
    tracks = Tracks(
        cepstra=np.random.default_rng(1).standard_normal((1000, 13)).astype(np.float32),
        speech=speech,
        energies=energies,
        pitch_times_s=times.astype(np.float32),
        pitch_hz=pitch,
    )
    return ComparedTake(replace(result, source=replace(result.source, duration_s=10.0)), tracks)


def sheet_of(*takes: ComparedTake) -> CompSheet:
    return make_sheet("01_river", takes, {}, (), Settings(policy=POLICY))


def number_of(sheet: CompSheet, index: int) -> str:
    return Path(sheet.takes[index]).stem[-1]


def reading_of(sheet: CompSheet, number: int, phrase: int) -> comp.Reading:
    """Return what the take of that number makes of a phrase (1 is the first)."""
    index = next(i for i in range(len(sheet.takes)) if number_of(sheet, i) == str(number))
    return sheet.phrases[phrase - 1].readings[index]


def points_between(sheet: CompSheet, first: int, second: int, after: int = 1) -> float:
    """Return what going from one take to another after a phrase would cost."""
    index = {number_of(sheet, i): i for i in range(len(sheet.takes))}
    return sheet.join_points[after - 1][index[str(first)]][index[str(second)]]


def pops(*times_s: float, level_db: float = 6.0) -> dict[str, tuple[Plosive, ...]]:
    return {"plosives__events": tuple(Plosive(time, level_db) for time in times_s)}


def test_equal_takes_need_no_cut():
    """Three phrases, parted in the middle of the pauses; nothing costs anything."""
    sheet = sheet_of(compared(1), compared(2))
    assert [phrase.number for phrase in sheet.phrases] == [1, 2, 3]
    for phrase, start, end in zip(sheet.phrases, CUTS, CUTS[1:], strict=False):
        for reading in phrase.readings:
            assert (reading.start_s, reading.end_s) == pytest.approx((start, end))
            assert (reading.points, reading.level_db, reading.pace) == (0.0, 0.0, 1.0)
            assert (reading.grade, reading.read, reading.faults) == ("as clean", True, ())
        assert [reading.take for reading in phrase.readings] == [0, 1]
    assert (sheet.cuts, sheet.joins) == (0, ())
    assert (sheet.path_points, sheet.best_single_points) == (0.0, 0.0)
    assert len({phrase.chosen for phrase in sheet.phrases}) == 1
    assert sheet.deviations == ()
    assert sheet.other_words == ()


def test_each_phrase_is_taken_from_the_take_that_has_it_clean():
    """Pops in the first phrase of one take, in the last of the other: one cut, which costs 0.6."""
    bad = 3.0 * CRITERIA["plosives"].points([6.0])
    sheet = sheet_of(compared(1, **pops(0.6, 1.0, 2.0)), compared(2, **pops(7.0, 8.0, 8.5)))
    chosen = [number_of(sheet, phrase.chosen) for phrase in sheet.phrases]
    assert (chosen[0], chosen[2]) == ("2", "1")
    assert sheet.cuts == 1
    (join,) = sheet.joins
    assert (number_of(sheet, join.before_take), number_of(sheet, join.after_take)) == ("2", "1")
    assert join.after in (1, 2)
    assert join.out_s == pytest.approx(CUTS[join.after])
    assert join.in_s == pytest.approx(CUTS[join.after])
    assert join.points == pytest.approx(COSTS["cut"].points) == pytest.approx(0.6)
    assert {name: part for name, part in join.parts.items() if part} == {"cut": join.points}
    assert sheet.path_points == pytest.approx(0.6)
    assert sheet.best_single_points == pytest.approx(bad)
    assert [number_of(sheet, sheet.phrases[p].cleanest) for p in (0, 2)] == ["2", "1"]
    assert reading_of(sheet, 1, 1).points == pytest.approx(bad)
    assert reading_of(sheet, 1, 1).grade != "as clean"
    assert reading_of(sheet, 1, 3).points == reading_of(sheet, 2, 1).points == 0.0


def test_two_cuts_where_they_are_worth_it_and_none_where_they_are_not():
    """The middle phrase is clean in one take only; a slight fault there is left alone."""
    outer, middle = pops(1.0, 1.5, 2.0, 7.0, 7.5, 8.0), pops(4.0, 4.5, 5.0)
    sheet = sheet_of(compared(1, **outer), compared(2, **middle))
    assert [number_of(sheet, phrase.chosen) for phrase in sheet.phrases] == ["2", "1", "2"]
    assert [join.after for join in sheet.joins] == [1, 2]
    assert sheet.cuts == 2
    assert sheet.path_points == pytest.approx(1.2)
    slight = sheet_of(compared(1, **outer), compared(2, **pops(4.0, level_db=-10.0)))
    assert [number_of(slight, phrase.chosen) for phrase in slight.phrases] == ["2", "2", "2"]
    assert slight.path_points == pytest.approx(slight.best_single_points)
    assert 0.0 < slight.path_points < 1.2
    assert number_of(slight, slight.best_single) == "2"


def test_a_worse_phrase_never_makes_a_path_cheaper():
    """One pop more: the path costs as much or more, wherever it lies."""
    before = sheet_of(compared(1, **pops(1.0)), compared(2, **pops(7.0))).path_points
    for time_s in (0.7, 4.0, 8.0):
        worse = sheet_of(compared(1, **pops(1.0, time_s)), compared(2, **pops(7.0)))
        assert worse.path_points >= before


TILTED = tuple(
    Band(centre_hz=hz, level_db=-40.0 + (3.0 if i % 2 else -3.0)) for i, hz in enumerate(BANDS_HZ)
)


@pytest.mark.parametrize(
    ("name", "mismatched"),
    [
        ("level", {"levels_db": (-23.0, -21.0, -23.0)}),  # 2 dB up after the cut
        ("pitch", {"pitches_hz": (200.0, 200.0 * 2 ** (3 / 12), 200.0)}),  # 3 semitones
        ("room", {"reverberation__rt60_s": 0.22}),  # 0.1 s more
        ("noise", {"noise__floor_dbfs": -79.0}),  # 6 dB more
        ("tone", {"tone__ltas": TILTED}),  # 3 dB rms
    ],
)
def test_one_step_of_each_mismatch_costs_one_point(name: str, mismatched: dict[str, Any]):
    """Of three takes one stands apart: a join to it costs a point more than a cut; others do not.

    Most takes go on at the same level and pitch, so the step is what departs from that.
    """
    sheet = sheet_of(compared(1), compared(2), compared(3, **mismatched))
    assert COSTS[name].points == 1.0
    assert points_between(sheet, 1, 3) == pytest.approx(0.6 + 1.0, abs=1e-4)
    assert points_between(sheet, 1, 2) == points_between(sheet, 2, 1) == pytest.approx(0.6)
    for number in (1, 2, 3):
        assert points_between(sheet, number, number) == 0.0
    if name in ("room", "noise", "tone"):  # they stay the whole take: as much on the way back
        assert points_between(sheet, 3, 1) == pytest.approx(0.6 + 1.0, abs=1e-4)
    else:  # going on from where it still is as the others costs no more than they do
        assert points_between(sheet, 3, 1) == pytest.approx(0.6, abs=1e-4)
        assert points_between(sheet, 3, 1, after=2) == pytest.approx(1.6, abs=1e-4)


def test_a_step_that_all_takes_make_is_no_mismatch():
    """A question ends high: every take rises by 5 semitones and 4 dB, and no join is heard."""
    rising = {"levels_db": (-23.0, -19.0, -23.0), "pitches_hz": (200.0, 267.0, 200.0)}
    sheet = sheet_of(compared(1, **rising), compared(2, **rising))
    assert points_between(sheet, 1, 2) == pytest.approx(0.6, abs=1e-4)


def test_what_is_not_known_costs_no_join_anything():
    """No room, no spectrum, no pitch on one of two takes."""
    unknown = {"reverberation__rt60_s": None, "tone__ltas": None, "pitches_hz": (0.0, 0.0, 0.0)}
    sheet = sheet_of(compared(1), compared(2, **unknown), compared(3))
    assert points_between(sheet, 1, 2) == points_between(sheet, 2, 3) == pytest.approx(0.6)
    silent = sheet_of(compared(1), compared(2, noise__floor_dbfs=-np.inf))
    assert points_between(silent, 1, 2) == pytest.approx(0.6)


def test_a_cut_in_sounding_speech_costs_more():
    """One of three takes does not pause there: to it and from it 1.5 points more, at its moment."""
    reading_on = compared(3, pauses=PAUSES[1:])
    sheet = sheet_of(compared(1), compared(2), reading_on)
    assert len(sheet.phrases) == 3
    assert COSTS["no_pause"].points == 1.5
    assert points_between(sheet, 1, 3) == points_between(sheet, 3, 2) == pytest.approx(2.1)
    assert points_between(sheet, 1, 2) == pytest.approx(0.6)
    assert points_between(sheet, 1, 3, after=2) == pytest.approx(0.6)
    assert points_between(sheet, 3, 3) == 0.0


def test_a_line_parts_only_where_most_takes_pause():
    """One of two is not most; and it is the take's own pause, within 0.15 s, where it is cut."""
    sheet = sheet_of(compared(1), compared(2, pauses=PAUSES[1:]))
    assert len(sheet.phrases) == 2
    near = compared(2, pauses=((3.38, 3.5), (6.0, 6.5)))  # 0.13 s after the middle
    sheet = sheet_of(compared(1), near)
    assert reading_of(sheet, 2, 1).end_s == pytest.approx(3.44)
    assert reading_of(sheet, 2, 2).start_s == pytest.approx(3.44)
    assert reading_of(sheet, 1, 1).end_s == pytest.approx(3.25)
    early = compared(2, pauses=((3.0, 3.12), (6.0, 6.5)))  # 0.13 s before it
    assert reading_of(sheet_of(compared(1), early), 2, 1).end_s == pytest.approx(3.06)
    for far in ((3.42, 3.5), (3.0, 3.08)):
        assert len(sheet_of(compared(1), compared(2, pauses=(far, PAUSES[1]))).phrases) == 2


def test_what_lies_in_a_phrase_is_counted_there():
    """Each kind by itself; a phrase holds its first moment and not its last."""
    found = compared(
        1,
        plosives__events=(Plosive(0.5, 6.0), Plosive(3.25, 6.0), Plosive(9.5, 6.0)),
        clicks__digital=(Click(time_s=4.0, level_dbfs=-20.0),),
        clicks__mouth=(Click(time_s=4.1, level_dbfs=-50.0), Click(time_s=7.0, level_dbfs=-50.0)),
        clipping__runs=(
            ClippedRun(start_s=6.25, end_s=6.26, level_dbfs=-0.1),
            ClippedRun(start_s=8.0, end_s=8.01, level_dbfs=-0.1),
        ),
        clipping__fraction=0.01,
        dropouts__events=(Dropout(start_s=1.0, end_s=1.1, kind="zero-run"),),
        sibilance__events=tuple(
            Sibilant(start_s=at, end_s=at + 0.1, level_re_voiced_db=level, peak_hz=6000.0)
            for at, level in ((0.5, -9.0), (1.0, -4.0), (3.25, -7.0))
        ),
    )
    sheet = sheet_of(found, compared(2))
    first, second, third = (reading_of(sheet, 1, phrase) for phrase in (1, 2, 3))
    assert (first.plosives, second.plosives, third.plosives) == (1, 1, 0)
    assert (first.clicks, second.clicks, third.clicks) == (0, 2, 1)
    assert (first.clipped, second.clipped, third.clipped) == (0, 0, 2)
    assert (first.dropouts, second.dropouts, third.dropouts) == (1, 0, 0)
    assert (first.sibilance_db, second.sibilance_db, third.sibilance_db) == (-4.0, -7.0, None)
    told = {fault.criterion: fault for fault in first.faults}
    assert {"plosives", "dropouts"} <= set(told)
    assert (told["plosives"].kind, told["plosives"].count) == ("events", 1)
    assert told["plosives"].points == pytest.approx(CRITERIA["plosives"].points([6.0]))
    assert told["plosives"].worse == CRITERIA["plosives"].worse
    assert "worse" not in told["plosives"].to_dict()
    assert "clipping" not in told


def test_what_a_whole_take_has_is_shared_among_its_phrases():
    """8 dB more noise: its points over the three phrases, by their length; beyond the best."""
    noisy = compared(2, noise__floor_a_dbfs=-72.0)
    sheet = sheet_of(compared(1), noisy, compared(3, noise__floor_a_dbfs=-72.0))
    points = {
        number: take_costs(one.result.measurements)["noise"].points
        for number, one in ((1, compared(1)), (2, noisy))
    }
    more = points[2] - points[1]
    assert more > 0.5
    shares = [reading_of(sheet, 2, phrase).points for phrase in (1, 2, 3)]
    assert sum(shares) == pytest.approx(more)
    lengths = np.diff(CUTS)
    assert shares == pytest.approx(list(more * lengths / lengths.sum()))
    assert reading_of(sheet, 1, 1).points == 0.0
    assert sheet.best_single_points == 0.0
    assert number_of(sheet, sheet.best_single) == "1"


def test_level_and_pace_are_told_against_the_median_take():
    """2 dB over the other two; a phrase read in four fifths of their time is a quarter faster."""
    quick = compared(
        3, levels_db=(-21.0, -23.0, -23.0), phrases=((0.5, 2.5), (3.5, 6.0), (6.5, 9.0))
    )
    sheet = sheet_of(compared(1), compared(2), quick)
    assert reading_of(sheet, 3, 1).level_db == pytest.approx(2.0, abs=1e-4)
    assert reading_of(sheet, 3, 1).pace == pytest.approx(1.25)
    assert reading_of(sheet, 1, 1).level_db == pytest.approx(0.0, abs=1e-4)
    assert reading_of(sheet, 3, 2).pace == pytest.approx(1.0)
    lower = sheet_of(compared(1), compared(2), compared(3, levels_db=(-26.0, -23.0, -23.0)))
    assert reading_of(lower, 3, 1).level_db == pytest.approx(-3.0, abs=1e-4)


def test_a_take_that_is_silent_in_a_phrase_has_no_level_and_no_pace_there():
    """The others are told as they are."""
    silent = compared(3, phrases=PHRASES[1:], levels_db=(-23.0,) * 2, pitches_hz=(200.0,) * 2)
    sheet = sheet_of(compared(1), compared(2), silent)
    assert reading_of(sheet, 3, 1).level_db is reading_of(sheet, 3, 1).pace is None
    assert reading_of(sheet, 1, 1).level_db == pytest.approx(0.0, abs=1e-4)
    assert reading_of(sheet, 1, 1).pace == pytest.approx(1.0)
    assert points_between(sheet, 1, 3) == pytest.approx(0.6, abs=1e-4)


@pytest.mark.parametrize(("until_s", "more"), [(2.2, 0.0), (2.9, 1.0)])
def test_pitch_is_compared_within_a_second_of_the_cut(until_s: float, more: float):
    """What the voice did before the last second of a phrase is not heard at the join (3.25 s)."""
    low = compared(3)
    low.tracks.pitch_hz[: round(until_s * 100)] = np.where(
        low.tracks.speech[: round(until_s * 100)], 200.0 * 2 ** (-3 / 12), 0.0
    )
    sheet = sheet_of(compared(1), compared(2), low)
    assert points_between(sheet, 3, 1) == pytest.approx(0.6 + more, abs=1e-4)
    high = compared(3)
    late = slice(round(until_s * 100) + 205, 600)  # from 4.25 s or 4.95 s on
    high.tracks.pitch_hz[late] = np.where(high.tracks.speech[late], 300.0, 0.0)
    sheet = sheet_of(compared(1), compared(2), high)
    assert points_between(sheet, 1, 3) == pytest.approx(0.6, abs=1e-4)


def test_two_takes_of_the_same_tone_join_whatever_it_is():
    """A tilted spectrum in both is no mismatch."""
    sheet = sheet_of(compared(1, tone__ltas=TILTED), compared(2, tone__ltas=TILTED))
    assert points_between(sheet, 1, 2) == pytest.approx(0.6)


def mapped(
    missing: tuple[tuple[float, float], ...] = (), late_s: float = 0.0, likeness: float = 1.0
) -> TakeMap:
    """Return a map onto a take that starts later, and lacks some of the reference."""
    times = np.arange(1000) * 0.01
    return TakeMap(times, times + late_s, missing, (), likeness)


def with_maps(monkeypatch: pytest.MonkeyPatch, maps: dict[int, TakeMap]) -> None:
    """Let the takes of these numbers be mapped so, the others onto themselves."""

    def maps_onto(_: ComparedTake, takes: list[ComparedTake], __: Settings) -> list[TakeMap]:
        return [maps.get(one.result.take or 0, mapped()) for one in takes]

    monkeypatch.setattr(comp, "maps_onto", maps_onto)


@pytest.mark.parametrize(
    ("end_s", "read"), [(1.0, True), (1.7, True), (2.2, False), (3.2, False), (5.9, False)]
)
def test_a_phrase_that_is_not_read_cannot_be_used(
    monkeypatch: pytest.MonkeyPatch, end_s: float, read: bool
):
    """20 points by the share that is missing; not read once half of the 2.75 s is."""
    takes = [compared(number) for number in (1, 2, 3)]
    with_maps(monkeypatch, {3: mapped(missing=((0.5, end_s),))})
    sheet = sheet_of(*takes)
    assert [(d.take, d.kind) for d in sheet.deviations] == [(2, "missing")]
    reading = reading_of(sheet, 3, 1)
    lacking = end_s - 0.5
    assert reading.read is read
    assert reading.points == pytest.approx(20.0 * min(1.0, lacking / 2.75))
    (fault,) = reading.faults
    assert (fault.criterion, fault.kind, fault.count) == (None, "missing", 1)
    assert fault.length_s == pytest.approx(lacking)
    assert reading_of(sheet, 3, 2).points == reading_of(sheet, 1, 1).points == 0.0
    assert number_of(sheet, sheet.phrases[0].chosen) != "3"


def test_a_take_that_starts_later_is_cut_later(monkeypatch: pytest.MonkeyPatch):
    """Its pauses are 0.4 s later; nothing is cut beyond its end, or before its start."""
    late = compared(3, phrases=tuple((a + 0.4, b + 0.4) for a, b in PHRASES),
                    pauses=tuple((a + 0.4, b + 0.4) for a, b in PAUSES))  # fmt: skip
    with_maps(monkeypatch, {3: mapped(late_s=0.4)})
    sheet = sheet_of(compared(1), compared(2), late)
    spans = [(reading_of(sheet, 3, p).start_s, reading_of(sheet, 3, p).end_s) for p in (1, 2, 3)]
    assert spans == [
        pytest.approx((a + 0.4, b + 0.4)) for a, b in zip(CUTS, CUTS[1:], strict=False)
    ]
    with_maps(monkeypatch, {3: mapped(late_s=1.5), 2: mapped(late_s=-2.0)})
    sheet = sheet_of(compared(1), compared(2), late)
    assert reading_of(sheet, 3, len(sheet.phrases)).end_s == 10.0
    assert reading_of(sheet, 2, 1).start_s == 0.0


def test_takes_of_other_words_are_named(monkeypatch: pytest.MonkeyPatch):
    """By how much of their speech finds its like."""
    with_maps(monkeypatch, {2: mapped(likeness=0.4)})
    sheet = sheet_of(compared(1), compared(2), compared(3))
    assert [number_of(sheet, index) for index in sheet.other_words] == ["2"]


def test_words_that_depart_from_the_script_cost_the_phrase_that_they_lie_in():
    """At its first moment they are in it, at its last in the next one."""
    misread = (
        Misread(kind="missing", words="the river", time_s=3.25),
        Misread(kind="repeated", words="turns", time_s=0.5),
    )
    read = ScriptReading(words=(), misread=misread, unknown=(), read_s=8.0, words_per_minute=150.0)
    sheet = sheet_of(compared(1, reading=read), compared(2))
    (first,), (second,) = reading_of(sheet, 1, 1).faults, reading_of(sheet, 1, 2).faults
    assert (first.kind, first.words, first.criterion) == ("repeated", "turns", None)
    assert (second.kind, second.words) == ("missing", "the river")
    for fault, reading in ((first, reading_of(sheet, 1, 1)), (second, reading_of(sheet, 1, 2))):
        assert fault.points == POLICY.words[f"words_{fault.kind}"].points > 0.0
        assert reading.points == pytest.approx(fault.points)
    assert reading_of(sheet, 1, 3).faults == ()


def test_the_take_of_median_length_is_the_reference():
    """It is least likely to lack or repeat something."""
    short = compared(1, phrases=((0.5, 2.0), (3.5, 6.0), (6.5, 9.0)))
    long = compared(2, phrases=((0.3, 3.0), (3.5, 6.0), (6.5, 9.0)))
    for takes in ((short, long, compared(3)), (compared(3), short, long)):
        sheet = sheet_of(*takes)
        assert number_of(sheet, sheet.reference) == "3"


def test_no_take_and_a_take_without_speech_have_no_phrases():
    """Nothing is made up."""
    none = sheet_of()
    assert (none.takes, none.phrases, none.joins, none.join_points) == ((), (), (), ())
    assert (none.path_points, none.best_single_points, none.cuts) == (0.0, 0.0, 0)
    assert (none.best_single, none.reference) == (0, 0)
    silent = compared(1, phrases=(), pauses=(), levels_db=(), pitches_hz=())
    sheet = sheet_of(silent)
    assert (sheet.phrases, sheet.path_points, sheet.cuts) == ((), 0.0, 0)
    assert len(sheet.takes) == 1


def test_a_session_is_compared_line_by_line():
    """Failures stay with their line; a line without a take is in no ranking."""
    paths = [Path(f"01_river_t{n}.flac") for n in (1, 2, 3)]
    lost = Path("02_kiln_t1.flac")
    results: dict[Path, ComparedTake | Failure] = {
        paths[0]: compared(1), paths[1]: compared(2, **pops(1.0, 2.0)),
        paths[2]: Failure(path=str(paths[2]), error="not audio"),
        lost: Failure(path=str(lost), error="empty"),
    }  # fmt: skip
    session = Session(
        lines={"01_river": [(p, n) for n, p in enumerate(paths, 1)], "02_kiln": [(lost, 1)]},
        left_out=(Path("mix.wav"),),
        notes={},
        problems=("a name is not understood",),
    )
    done = compare(session, results, Settings(policy=POLICY))
    river, kiln = done.sheets
    assert (river.line, len(river.takes), len(river.failures)) == ("01_river", 2, 1)
    assert (kiln.line, kiln.takes, len(kiln.failures)) == ("02_kiln", (), 1)
    assert [failure.error for failure in done.failures] == ["not audio", "empty"]
    ranking = done.ranking
    assert [line.line for line in ranking.lines] == ["01_river"]
    assert ranking.lines[0] == river.ranking
    assert ranking.failures == done.failures
    assert (ranking.left_out, ranking.problems) == (("mix.wav",), done.problems)
    assert river.takes == ("01_river_t1.flac", "01_river_t2.flac")
    assert river.to_dict()["schema"] == 1
    assert Comp(sheets=()).ranking.lines == ()
