"""What a fact costs, by rows made by hand: steps, doublings, caps, and on whose word."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.material.handmade import facts
from vocheck.errors import TargetError
from vocheck.measurements.clicks import Click
from vocheck.measurements.clipping import ClippedRun
from vocheck.measurements.plosives import Plosive
from vocheck.policy.config import load_config
from vocheck.policy.costs import Criterion, JoinCost, load_ranking, shipped_ranking
from vocheck.policy.limits import LIMITS

WORD = {"source": "a test", "status": "our choice"}
NOISE = Criterion(
    name="noise", measurement="noise.floor_dbfs", sense="high", free=-60.0, step=5.0, weight=2.0,
    tell=1.0, worse="{diff:.0f} dB more", **WORD,
)  # fmt: skip
POPS = replace(NOISE, name="pops", measurement="plosives.events[].level_re_speech_db", free=-10.0)


@pytest.mark.parametrize(
    ("sense", "value", "steps"),
    [
        ("high", -60.0, 0.0), ("high", -70.0, 0.0), ("high", -57.5, 0.5), ("high", -50.0, 2.0),
        ("low", -60.0, 0.0), ("low", -50.0, 0.0), ("low", -65.0, 1.0), ("low", -72.5, 2.5),
    ],
)  # fmt: skip
def test_a_fact_costs_by_the_step(sense: str, value: float, steps: float):
    """Nothing up to what is free; on the other side it never earns anything."""
    row = replace(NOISE, sense=sense)
    assert row.beyond(value) == steps
    assert row.points([value]) == 2.0 * steps


def test_events_add_up_and_each_costs_by_being_there():
    """Two beyond what is free: 1 and 2 steps, and half a step each; the third is free."""
    row = replace(POPS, each=0.5)
    assert row.points([-5.0, 0.0, -10.0]) == 2.0 * (1.0 + 2.0 + 2 * 0.5)
    assert row.points([]) == 0.0


def test_doublings_and_caps():
    """1, 3 and 7 steps cost 1, 2 and 3 points each; never more than the cap."""
    row = replace(POPS, scale="doublings", weight=1.0)
    assert [row.points([-10.0 + 5.0 * n]) for n in (0, 1, 3, 7)] == [0.0, 1.0, 2.0, 3.0]
    assert replace(row, cap=1.5).points([25.0]) == 1.5
    assert replace(row, cap=1.5).points([-5.0]) == 1.0


def test_another_fact_can_be_taken_off_first():
    """The noise below the voice; where the voice is not known, nothing is."""
    row = replace(NOISE, minus="level.active_dbfs")
    found = row.facts(facts(noise__floor_dbfs=-50.0, level__active_dbfs=-23.0))
    assert found == [(-27.0, None)]
    assert row.facts(facts(noise__floor_dbfs=-50.0, level__active_dbfs=None)) == []


def test_only_what_costs_is_counted_in_a_phrase():
    """Of three pops in it one is free; one at its end belongs to the next."""
    events = (Plosive(1.0, -10.0), Plosive(1.5, -5.0), Plosive(2.0, 0.0), Plosive(3.0, 0.0))
    found = facts(plosives__events=events)
    assert POPS.points_within(found, (1.0, 3.0)) == (2.0 * (1.0 + 2.0), 2)
    assert POPS.points_within(found, (3.0, 4.0)) == (4.0, 1)
    assert POPS.points_within(found, (0.0, 1.5)) == (0.0, 0)


def test_a_share_is_parted_by_the_lengths_of_its_events():
    """A quarter of the clipped time lies in the phrase: so does a quarter of the cost."""
    runs = tuple(
        ClippedRun(start_s=at, end_s=at + length, level_dbfs=-0.1)
        for at, length in ((1.0, 0.25), (3.0, 0.5), (5.0, 0.25))
    )
    row = replace(
        NOISE, measurement="clipping.fraction", free=0.0, step=0.01, times="clipping.runs"
    )
    found = facts(clipping__fraction=0.02, clipping__runs=runs)
    assert row.points_within(found, (0.0, 2.0)) == (pytest.approx(1.0), 1)
    assert row.points_within(found, (0.0, 4.0)) == (pytest.approx(3.0), 2)
    assert row.points_within(found, (7.0, 9.0)) == (0.0, 0)
    assert row.is_local
    assert POPS.is_local
    assert not NOISE.is_local


def test_what_lies_at_the_edge_of_another_fault_is_not_counted():
    """Within 5 ms of a clipped run, on either side and inside it."""
    row = replace(
        NOISE, measurement="clicks.digital[].level_dbfs", free=-60.0, apart_from="clipping.runs"
    )
    run = ClippedRun(start_s=2.0, end_s=2.1, level_dbfs=-0.1)
    for time_s, counts in ((1.99, 1), (1.996, 0), (2.05, 0), (2.104, 0), (2.11, 1)):
        click = (Click(time_s=time_s, level_dbfs=-20.0),)
        found = facts(clicks__digital=click, clipping__runs=(run,))
        assert len(row.facts(found)) == counts, time_s
    assert len(row.facts(facts(clicks__digital=(Click(time_s=2.0, level_dbfs=-20.0),)))) == 1


def test_a_join_costs_for_every_one_where_it_does_not_say_for_how_many():
    """The points themselves, once."""
    assert JoinCost(name="cut", what="a cut", points=0.6, **WORD).per == 1.0


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({"measurement": "noise.flor"}, "there is no measurement"),
        ({"measurement": "processing.gated"}, "is no number"),
        ({"step": 0.0}, "step"),
        ({"weight": -1.0}, "weight"),
        ({"tell": -1.0}, "tell"),
        ({"each": -1.0}, "each"),
        ({"cap": -1.0}, "cap"),
        ({"times": "noise.floor_dbfs"}, "no list of events"),
        ({"apart_from": "noise.floor_dbfs"}, "no list of events"),
        ({"absent": "noise.flor"}, "there is no measurement"),
        ({"minus": "noise.flor"}, "there is no measurement"),
        ({"worse": "{dif} dB"}, "dif"),
    ],
)
def test_a_row_that_makes_no_sense_is_refused(keys: dict[str, object], message: str):
    """Where it stands is told; none may make a take better by getting worse."""
    NOISE.check("here")
    with pytest.raises(TargetError, match=message):
        replace(NOISE, **keys).check("here")


@pytest.mark.parametrize(("points", "per", "wrong"), [(-1.0, 1.0, "points"), (1.0, 0.0, "per")])
def test_a_join_that_earns_points_is_refused(points: float, per: float, wrong: str):
    """As is one for every nothing."""
    JoinCost(name="x", what="x", points=0.0, per=0.1, **WORD).check("here")
    with pytest.raises(TargetError, match=f"here: {wrong}"):
        JoinCost(name="x", what="x", points=points, per=per, **WORD).check("here")


def config(tmp_path: Path, text: str):
    (tmp_path / "vocheck.toml").write_text(text, encoding="utf-8")
    return load_config(tmp_path / "vocheck.toml")


def test_the_shipped_costs_are_read_once_and_a_studio_overrides_them(tmp_path: Path):
    """Without a file nothing is parsed twice; with one, its numbers and its limits count."""
    shipped = load_ranking()
    assert load_ranking() is shipped is shipped_ranking()
    own = load_ranking(
        config(tmp_path, "[ranking]\nundecided = 1.5\n[ranking.hum]\nweight = 9.0\n")
    )
    assert (own.scale.undecided, own.scale.clearly) == (1.5, shipped.scale.clearly)
    by_name = {row.name: row for row in own.criteria}
    assert by_name["hum"].weight == 9.0
    assert [row.name for row in own.criteria] == [row.name for row in shipped.criteria]
    moved = load_ranking(config(tmp_path, "[limits.noise_reduction]\nnote = 1.25\n"))
    assert next(r for r in moved.criteria if r.name == "noise_reduction").nothing == 1.25
    limits = LIMITS.load()
    note = next(t for t in limits["noise_reduction"].thresholds if t.severity == "note").value
    assert next(r for r in shipped.criteria if r.name == "noise_reduction").nothing == note
    assert load_ranking(limits=limits) is not shipped
    assert load_ranking(limits=limits) == shipped


@pytest.mark.parametrize("free", ['"noise_floor.nope"', '"nothing.note"', '"noise_floor"', '""'])
def test_a_limit_that_is_not_there_is_told_with_its_place(tmp_path: Path, free: str):
    """The file of the studio, and the key."""
    found = config(tmp_path, f"[ranking.noise]\nfree = {free}\n")
    with pytest.raises(TargetError, match=r"vocheck.toml: \[ranking.noise\]: free must be"):
        load_ranking(found)
    with pytest.raises(TargetError, match=r"^ranking.toml: \[ranking.noise_reduction\]: free must"):
        load_ranking(limits={})
