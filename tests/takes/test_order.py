"""The order of takes whose facts are made by hand: what must come out follows from the meaning."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.material.handmade import facts, take
from vocheck.measurements.clicks import Click
from vocheck.measurements.clipping import ClippedRun
from vocheck.measurements.dropouts import Dropout
from vocheck.measurements.plosives import Plosive
from vocheck.policy.costs import load_ranking
from vocheck.script.reading import Misread, Reading
from vocheck.session.notes import Note
from vocheck.takes.rank import (
    LineRanking,
    grade_of,
    load_criteria,
    rank_line,
    rank_takes,
    relative_damage,
    take_costs,
)
from vocheck.wording.ranking import reasons

POPS = (Plosive(1.0, 0.0), Plosive(2.0, 0.0), Plosive(3.0, 0.0))
CLICKS = tuple(Click(time_s=float(n), level_dbfs=-20.0) for n in range(1, 7))
CUT = (
    ClippedRun(start_s=1.0, end_s=1.01, level_dbfs=-0.1),
    ClippedRun(start_s=3.0, end_s=3.03, level_dbfs=-0.1),
)
GAPS = (Dropout(start_s=2.0, end_s=2.05, kind="zero-run"),)

WORSE = {
    "noise": ({"noise__floor_a_dbfs": -60.0}, "30 dB more noise under the voice"),
    "gate": (
        {"processing__gate_score": 3.0, "processing__gate_depth_db": 30.0},
        "a gate that hides 30 dB of noise in the pauses",
    ),
    "dead words": (
        {"processing__gate_score": 3.0, "processing__gate_dead_fraction": 0.2},
        "a gate at work: 20% of the phrases dead",
    ),
    "digital silence": ({"noise__floor_dbfs": -150.0}, "digital silence between the words"),
    "hum": ({"hum__level_re_speech_db": 25.0}, "hum at 25 dB against the voice"),
    "room": ({"reverberation__rt60_s": 0.5}, "more room: RT60 0.50 s"),
    "pops": ({"plosives__events": POPS}, "3 breath pops"),
    "esses": ({"sibilance__ratio_db": -10.0}, "sharper: esses 12 dB louder"),
    "clipping": (
        {"clipping__fraction": 0.005, "clipping__runs": CUT},
        "clipped in 0.50% of its samples",
    ),
    "digital clicks": ({"clicks__digital": CLICKS}, "6 digital clicks"),
    "mouth clicks": ({"clicks__mouth": CLICKS}, "6 mouth clicks"),
    "dropouts": ({"dropouts__events": GAPS}, "1 dropout"),
    "dull": ({"tone__bandwidth_hz": 8000.0}, "dull: nothing above 8000 Hz"),
    "too low": ({"level__active_dbfs": -40.0}, "recorded low: the voice at -40 dBFS"),
    "too hot": ({"true_peak__level_dbtp": -0.5}, "peaks at -0.5 dBTP, hardly any headroom"),
}
"""What makes a take worse, and what the report must say of it."""


def told(ranking: LineRanking, place: int) -> list[str]:
    """Return what is said of the take in a place (1 is the first)."""
    return reasons(ranking.order[place - 1], ranking)


@pytest.mark.parametrize("fault", WORSE)
def test_a_worse_take_stands_behind_and_a_better_one_never_falls(fault: str):
    """Whatever order the takes come in: first the faultless one, then the fault, with its words."""
    changed, words = WORSE[fault]
    better, worse = take(1), take(2, **changed)
    for takes in ((better, worse), (worse, better)):
        ranking = rank_line("01_river", takes)
        first, second = ranking.order
        assert (first.result, second.result) == (better, worse)
        assert (first.position, second.position) == (1, 2)
        assert first.score == 0.0
        assert second.score < 0.0
        assert second.score == pytest.approx(-sum(second.costs.values()))
        assert not first.costs
        if second.score <= -0.7:  # as far apart as two that can be told apart
            assert (first.standing.kind, first.standing.against) == ("best", 2)
            assert (second.standing.kind, second.standing.against) == ("behind", 1)
            assert words in told(ranking, 2)[0]
            why = told(ranking, 2)[0].removeprefix("against take 1: ")
            assert told(ranking, 1) == [f"cleanest; the next, take 2, is worse: {why}"]


def test_the_order_turns_when_the_facts_are_swapped():
    """The same two takes with each other's facts change places, and nothing else changes."""
    noisy = {"noise__floor_a_dbfs": -55.0}
    one = rank_line("l", [take(1), take(2, **noisy)])
    other = rank_line("l", [take(1, **noisy), take(2)])
    assert [t.result.take for t in one.order] == [1, 2]
    assert [t.result.take for t in other.order] == [2, 1]
    assert [t.score for t in one.order] == [t.score for t in other.order]
    assert told(one, 2)[0].replace("take 1", "take 2") == told(other, 2)[0]


def test_of_several_reasons_the_dearest_comes_first():
    """A strong fault is told before a slight one."""
    worse = take(2, reverberation__rt60_s=0.9, true_peak__level_dbtp=-1.0)
    (reason,) = told(rank_line("l", [take(1), worse]), 2)
    assert reason.index("more room") < reason.index("peaks at")
    worse = take(2, reverberation__rt60_s=0.22, true_peak__level_dbtp=6.0)
    (reason,) = told(rank_line("l", [take(1), worse]), 2)
    assert reason.index("peaks at") < reason.index("more room")


def test_the_grade_follows_the_damage():
    """0.5 points a decibel over -3 dBTP: 0.5 is as clean, 1 slightly, 6 clearly worse."""
    takes = [take(1, true_peak__level_dbtp=level) for level in (-6.0, -2.0, -1.0, 9.0)]
    order = rank_line("l", takes).order
    assert [t.score for t in order] == pytest.approx([0.0, -0.5, -1.0, -6.0])
    grades = [t.standing.grade for t in order]
    assert grades == ["as clean", "as clean", "slightly worse", "clearly worse"]


def test_the_words_for_a_distance_in_points():
    """The borders themselves belong to the worse side."""
    scale = load_ranking().scale
    near, far = scale.undecided, scale.clearly
    told = [grade_of(points, scale) for points in (0.0, near - 0.01, near, far - 0.01, far)]
    assert told == ["as clean", "as clean", "slightly worse", "slightly worse", "clearly worse"]


def test_the_verdict_stands_before_the_damage():
    """A take to keep stands before one that must be mended, that before one to record again."""
    takes = [
        take(1, verdict="retake"),
        take(2, verdict="fixable", noise__floor_a_dbfs=-65.0),
        take(3, verdict="keep", noise__floor_a_dbfs=-60.0),
    ]
    order = rank_line("l", takes).order
    assert [t.result.take for t in order] == [3, 2, 1]
    assert [t.verdict for t in order] == ["keep", "fixable", "retake"]
    assert order[2].score == 0.0  # of least damage, for all that


def test_damage_of_less_than_chance_cannot_be_told_apart():
    """Two faultless takes differ by up to 0.70 points: 5 dB of noise cost 0.62, 6 dB cost 0.75."""
    below = rank_line("l", [take(1), take(2, level__active_dbfs=-23.0, noise__floor_a_dbfs=-78.0)])
    assert below.order[1].score == pytest.approx(-(5.0 / 8.0))
    assert below.undecided
    assert told(below, 1) == ["cannot be told apart from take 2: choose by the read"]
    assert told(below, 2) == ["cannot be told apart from take 1: choose by the read"]
    above = rank_line("l", [take(1), take(2, noise__floor_a_dbfs=-77.0)])
    assert above.order[1].score == pytest.approx(-(6.0 / 8.0))
    assert not above.undecided


@pytest.mark.parametrize("floor_dbfs", [-88.0, -100.0, -150.0, -math.inf])
def test_pauses_emptier_than_a_good_booth_earn_nothing(floor_dbfs):
    """Noise 60 dB(A) under the voice costs nothing: a denoiser that empties more gains none."""
    (noise,) = (row for row in load_ranking().criteria if row.name == "noise")
    good, emptied = (
        take_costs(facts(noise__floor_a_dbfs=level), (noise,))["noise"]
        for level in (-83.0, floor_dbfs)
    )
    assert emptied.points == good.points == 0.0


def test_takes_of_another_verdict_can_always_be_told_apart():
    """Even where nothing else differs."""
    ranking = rank_line("l", [take(1), take(2, verdict="fixable")])
    assert not ranking.undecided
    assert told(ranking, 2) == ["against take 1: a little of many things"]
    assert told(ranking, 1) == ["cleanest, by a little of many things; next is take 2"]


def test_a_circled_take_stands_first_and_what_is_wrong_is_said():
    """The person's choice wins; the nearest take that is clean is named."""
    takes = [
        take(1),
        take(2, verdict="fixable", noise__floor_a_dbfs=-60.0),
        take(3, verdict="retake", reverberation__rt60_s=0.9),
    ]
    notes = {"01_river_t3": Note(circled=True, remark="this one")}
    ranking = rank_line("l", takes, notes)
    assert [t.result.take for t in ranking.order] == [3, 1, 2]
    first = ranking.order[0]
    assert first.circled
    assert first.note.remark == "this one"
    assert told(ranking, 1)[0] == "circled in the notes"
    assert "more room" in told(ranking, 1)[1]
    assert first.standing.grade == "clearly worse"
    assert told(ranking, 2)[0].startswith("cleanest; the next, take 2, is worse: ")
    assert not ranking.undecided
    assert ranking.nearest_clean == takes[0].path
    assert [t.circled for t in ranking.order] == [True, False, False]


def test_a_circled_take_that_needs_no_retake_has_no_substitute():
    """Nothing is suggested against a choice that can be used."""
    notes = {"01_river_t2": Note(circled=True)}
    ranking = rank_line("l", [take(1), take(2, verdict="fixable")], notes)
    assert ranking.order[0].result.take == 2
    assert ranking.nearest_clean is None


def test_where_every_take_needs_a_retake_none_is_called_clean():
    """No take of the line is one to fall back on."""
    notes = {"01_river_t2": Note(circled=True)}
    ranking = rank_line("l", [take(1, verdict="retake"), take(2, verdict="retake")], notes)
    assert ranking.nearest_clean is None


def test_a_fixable_take_can_be_the_nearest_clean_one():
    """What the edit can mend is usable."""
    notes = {"01_river_t2": Note(circled=True)}
    takes = [take(1, verdict="fixable"), take(2, verdict="retake")]
    assert rank_line("l", takes, notes).nearest_clean == takes[0].path


def test_missing_words_cost():
    """A take that lacks words of its script stands behind one that has them all."""

    def read(*misread: Misread) -> Reading:
        return Reading(
            not_measured={}, words=(), misread=misread, unknown=(), read_s=9.0,
            words_per_minute=150.0,
        )  # fmt: skip

    whole = take(1, reading=read())
    lacking = take(2, reading=read(Misread(kind="missing", words="the river", time_s=2.0)))
    ranking = rank_line("l", [lacking, whole])
    first, second = ranking.order
    assert (first.result, second.result) == (whole, lacking)
    assert second.score < first.score == 0.0
    assert list(second.costs) == ["script"]
    assert second.standing.reasons[0].criterion == "script"
    assert second.standing.reasons[0].points == pytest.approx(-second.score)
    assert told(ranking, 2)[0].startswith("against take 1: ")


def test_what_all_takes_have_in_common_costs_none_of_them():
    """The voice, the text and the microphone fall out: the best of the line is 0."""
    takes = [take(n, noise__floor_a_dbfs=-50.0, sibilance__ratio_db=-5.0) for n in (1, 2)]
    assert [t.score for t in rank_line("l", takes).order] == [0.0, 0.0]


def test_a_take_alone_and_no_take_at_all():
    """Nothing to compare with."""
    ranking = rank_line("l", [take(1)])
    assert told(ranking, 1) == ["the only take of this line"]
    assert not ranking.undecided
    none = rank_line("l", [])
    assert none.order == ()
    assert not none.undecided
    assert none.nearest_clean is None


def test_takes_are_named_by_their_numbers_or_by_their_files():
    """By numbers where every take has one."""
    noisy = take(2, noise__floor_a_dbfs=-55.0)
    named = replace(take(1), take=None)
    assert told(rank_line("l", [take(1), noisy]), 2)[0].startswith("against take 1: ")
    assert told(rank_line("l", [named, noisy]), 2)[0].startswith("against 01_river_t1: ")


def test_what_was_looked_for_and_not_found_costs_nothing():
    """No hum is known to cost 0; no reading of the room is not known at all."""
    costs = take_costs(facts(reverberation__rt60_s=None))
    assert (costs["hum"].points, costs["hum"].count) == (0.0, 0)
    assert costs["hum"].value is not None
    assert costs["room"].value is None
    assert costs["gate"].value is not None


def test_what_is_not_known_costs_what_the_median_take_pays():
    """Of three rooms that are known the middle one."""
    takes = [facts(reverberation__rt60_s=value) for value in (0.15, 0.25, 0.55, None)]
    damage = relative_damage([take_costs(m) for m in takes])
    assert damage[0] == 0.0
    assert damage[1] == damage[3] > 0.0
    assert damage[2] > damage[1]


def test_of_five_rooms_the_third_is_the_median():
    """What is not known costs as much as it."""
    takes = [facts(reverberation__rt60_s=t) for t in (0.15, 0.25, 0.35, 0.45, 0.55, None)]
    damage = relative_damage([take_costs(m) for m in takes])
    assert damage[:5] == sorted(damage[:5])
    assert damage[5] == damage[2] > damage[1]


def test_what_costs_two_takes_the_same_is_no_reason_between_them():
    """Both are beyond the cap of noise, 10 dB apart: the pops alone are told."""
    loud = {"noise__floor_a_dbfs": 40.0, "level__active_dbfs": -23.0}
    louder = {**loud, "noise__floor_a_dbfs": 50.0, "plosives__events": POPS}
    assert take_costs(facts(**loud))["noise"].points == take_costs(facts(**louder))["noise"].points
    _, behind = rank_line("l", [take(1, **loud), take(2, **louder)]).order
    assert [reason.criterion for reason in behind.standing.reasons] == ["plosives"]


def test_events_are_counted_and_the_worst_is_told():
    """Two of three pops are beyond what is free; the strongest is the value."""
    events = (Plosive(1.0, -13.0), Plosive(2.0, -6.0), Plosive(3.0, 0.0))
    cost = take_costs(facts(plosives__events=events))["plosives"]
    assert (cost.count, cost.value) == (2, 0.0)
    # 0.32 a step of 6 dB beyond -12 dB, and half a step for being there: 1 + 2 + 2 x 0.5 steps
    assert cost.points == pytest.approx(0.32 * 4.0)


def test_a_click_at_the_edge_of_a_dropout_is_part_of_it():
    """It is not counted again; 5 ms is near enough, 10 ms is not."""
    for time_s, count in ((1.996, 0), (2.0, 0), (2.05, 0), (2.054, 0), (1.99, 1), (2.06, 1)):
        found = facts(
            clicks__digital=(Click(time_s=time_s, level_dbfs=-20.0),), dropouts__events=GAPS
        )
        assert take_costs(found)["digital_clicks"].count == count, time_s


def test_an_event_costs_the_phrase_that_it_lies_in():
    """From the first moment on, up to the last one, which belongs to the next phrase."""
    criterion = next(c for c in load_criteria() if c.name == "plosives")
    found = facts(plosives__events=POPS)
    assert criterion.is_local
    points, count = criterion.points_within(found, (1.0, 3.0))
    assert count == 2
    assert points == pytest.approx(2 * criterion.points([0.0]))
    assert criterion.points_within(found, (3.5, 9.0)) == (0.0, 0)


def test_what_has_only_a_share_costs_where_it_happens():
    """Clipping is one share for the take: a phrase pays by the length of its own runs, 10 of 40."""
    criterion = next(c for c in load_criteria() if c.name == "clipping")
    assert criterion.is_local
    found = facts(clipping__fraction=0.005, clipping__runs=CUT)
    whole = criterion.points([0.005])
    points, count = criterion.points_within(found, (0.0, 2.0))
    assert (points, count) == (pytest.approx(whole / 4), 1)
    assert criterion.points_within(found, (0.0, 9.0)) == (pytest.approx(whole), 2)
    assert criterion.points_within(found, (5.0, 9.0)) == (0.0, 0)


def test_what_has_no_place_costs_the_whole_take():
    """Noise is everywhere."""
    assert not next(c for c in load_criteria() if c.name == "noise").is_local


def test_what_one_take_does_not_tell_is_no_reason_against_either():
    """Its room was not read: the noise alone is told, and nothing breaks."""
    quiet, noisy = take(1), take(2, noise__floor_a_dbfs=-60.0, reverberation__rt60_s=None)
    for order in ([quiet, noisy], [noisy, quiet]):
        first, second = rank_line("l", order).order
        assert first.result == quiet
        assert [reason.criterion for reason in second.standing.reasons] == ["noise"]
    live = take(2, reverberation__rt60_s=0.6, noise__floor_a_dbfs=-60.0)
    unread = take(1, reverberation__rt60_s=None)
    _, second = rank_line("l", [live, unread]).order
    assert [reason.criterion for reason in second.standing.reasons] == ["noise"]


def test_how_much_worse_is_told_from_the_cleanest_take_not_from_nothing():
    """The cleanest has a fault of its own; another one with twice as much is slightly worse."""
    noisy = {"noise__floor_a_dbfs": -73.0}  # 10 dB of step 8 over what is free: 1.25 points
    ranking = rank_line("l", [take(1, **noisy), take(2, plosives__events=POPS)])
    best, other = ranking.order
    assert best.result.take == 1
    assert -best.score == pytest.approx(1.25)
    assert -other.score == pytest.approx(3 * 0.32 * 2.5)
    scale = load_ranking().scale
    assert scale.undecided <= best.score - other.score < scale.clearly < -other.score
    assert (best.standing.grade, other.standing.grade) == ("as clean", "slightly worse")


def test_a_line_with_one_readable_take_is_ranked_by_it(tmp_path: Path):
    """What cannot be read is named beside it; a line without any is not in the ranking."""
    noise = 0.1 * np.random.default_rng(3).standard_normal(9600)
    soundfile.write(tmp_path / "01_river_t2.wav", noise, 48_000)
    for name in ("01_river_t1.wav", "02_kiln_t1.wav"):
        (tmp_path / name).write_bytes(b"no recording")
    ranking = rank_takes([tmp_path], notes={})
    assert [(line.line, len(line.order)) for line in ranking.lines] == [("01_river", 1)]
    assert sorted(failure.path for failure in ranking.failures) == [
        str(tmp_path / "01_river_t1.wav"), str(tmp_path / "02_kiln_t1.wav"),
    ]  # fmt: skip
    assert ranking.to_dict()["schema"] == 1
