"""The order of the takes of a line: what costs what, and that the reasons are true."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.material import speech
from tests.material.planted import mains
from tests.material.takes import scaled
from vocheck.measurements.dropouts import Dropout, Dropouts
from vocheck.policy.facts import look_up
from vocheck.recording import Recording
from vocheck.session.take import TakeResult, check_recording
from vocheck.takes.rank import Criterion, load_criteria, rank_line, relative_damage, take_costs
from vocheck.wording.ranking import reasons

RATE = 48000
CRITERIA = {criterion.name: criterion for criterion in load_criteria()}
LEVEL = Criterion(
    name="level", measurement="level.active_dbfs", sense="high", free=-12.0, step=6.0,
    weight=2.0, tell=0.0, worse="", source="",
)  # fmt: skip


@cache
def clean(seed: int = 0) -> speech.Speech:
    """Return a faultless take; another seed is another booth noise."""
    return speech.take("slt", speech.TEST_LINES[:1], rate=RATE, seed=seed)


@cache
def checked(fault: str = "", strength: float = 0.0, seed: int = 0) -> TakeResult:
    take = clean(seed)
    x = take.samples
    rng = np.random.default_rng(seed)
    if fault == "hum":
        x = x + scaled(mains(len(x), 50.0, 0, rng), -23.0 + strength)
    elif fault == "noise":
        x = x + scaled(speech.room_noise(len(x), RATE, rng), -23.0 - strength)
    elif fault == "clicks":
        x = x.copy()
        vowels = take.of(speech.VOWELS)[1 : 1 + round(strength)]
        x[[round((vowel.start_s + vowel.end_s) / 2 * RATE) for vowel in vowels]] += 0.5
    return check_recording(Recording(x, RATE))


@pytest.mark.parametrize("name", CRITERIA)
@given(values=st.lists(st.floats(-1e4, 1e6), max_size=4), more=st.floats(0.0, 1e5))
def test_more_of_a_fault_never_costs_less(name: str, values: list[float], more: float):
    """Neither a worse value nor one more of them makes any fact cheaper."""
    criterion = CRITERIA[name]
    worse = more if criterion.sense == "high" else -more
    points = criterion.points(values)
    assert points >= 0.0
    for i, value in enumerate(values):
        changed = [*values[:i], value + worse, *values[i + 1 :]]
        # 1e-9 of the points: the order of a sum changes its last bits
        assert criterion.points(changed) >= points * (1 - 1e-9)
    assert criterion.points([*values, more]) >= points * (1 - 1e-9)


def test_points_grow_with_the_steps_or_with_their_doublings():
    """Closed form: 2 x 3 steps; log2(1 + 3) = 2 and log2(1 + 7) = 3 doublings; a cap holds."""
    assert LEVEL.points([6.0]) == pytest.approx(2.0 * 3.0)
    doublings = replace(LEVEL, scale="doublings")
    assert doublings.points([6.0]) == pytest.approx(2.0 * 2.0)
    assert doublings.points([30.0]) == pytest.approx(2.0 * 3.0)
    assert doublings.points([-6.0, 24.0]) == pytest.approx(2.0 * 3.0)  # 1 step and 6 steps
    assert replace(LEVEL, cap=1.5).points([6.0]) == 1.5
    assert LEVEL.points([-12.0, -40.0]) == 0.0


def test_the_length_of_an_event_can_be_looked_up():
    """A dropout of 30 ms is 0.03 s long."""
    found = checked().measurements
    event = Dropout(start_s=1.0, end_s=1.03, kind="zero-run")
    found = replace(found, dropouts=Dropouts(events=(event,)))
    assert look_up(found, "dropouts.events[].length_s") == [(pytest.approx(0.03), 1.0)]


def test_a_take_without_hum_stands_before_those_with_hum():
    """What was looked for and not found costs nothing, however much the others have of it."""
    hums = [checked("hum", db) for db in (-40.0, -30.0, -30.0)]
    takes = [*hums, checked()]
    order = rank_line("line", takes).order
    assert order[0].result is takes[3]
    cost = take_costs(takes[3].measurements)["hum"]
    assert cost.points == 0.0
    assert cost.value is not None


def test_what_could_not_be_measured_costs_what_the_median_take_pays():
    """Three takes with 0, 2 and 8 points, and one without the fact: it pays 2."""
    known = take_costs(checked().measurements)
    costs = [
        {**known, "room": replace(known["room"], points=points, value=value)}
        for points, value in ((0.0, 0.1), (2.0, 0.2), (8.0, 0.8), (0.0, None))
    ]
    assert relative_damage(costs) == pytest.approx([0.0, 2.0, 8.0, 2.0])


def test_two_faultless_takes_cannot_be_told_apart():
    """The same reading in two noises of one level: the report leaves the choice to the ear."""
    ranking = rank_line("line", [checked(), checked(seed=1)])
    assert ranking.undecided
    assert all(take.standing.kind == "same" for take in ranking.order)
    assert all("cannot be told apart" in reasons(take, ranking)[0] for take in ranking.order)


@pytest.mark.parametrize(
    ("fault", "mild", "strong", "words"),
    [
        ("noise", 50.0, 35.0, "noise under the voice"),
        ("hum", -45.0, -25.0, "hum at"),
        ("clicks", 1.0, 6.0, "digital clicks"),
    ],
)
def test_the_stronger_fault_stands_behind_and_the_reason_says_so(
    fault: str, mild: float, strong: float, words: str
):
    """Two takes that differ in one fault; the reason against the worse one names it."""
    better, worse = checked(fault, mild), checked(fault, strong, seed=1)
    ranking = rank_line("line", [worse, better])
    assert [take.result for take in ranking.order] == [better, worse]
    assert not ranking.undecided
    assert words in reasons(ranking.order[1], ranking)[0]
    assert ranking.order[1].standing.reasons[0].points > 0.0
    assert ranking.order[1].score < 0.0


def test_every_weight_says_where_it_comes_from():
    """A fitted weight names the command, every other is called our choice."""
    for criterion in load_criteria():
        assert criterion.weight > 0.0
        assert criterion.step > 0.0
        assert criterion.source.startswith(("fitted to PESQ", "our choice")), criterion.name
