"""Facts made by hand against rules made by hand: what is found follows from the meaning."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from tests.material.handmade import facts
from vocheck.measurements.dropouts import Dropout
from vocheck.measurements.plosives import Plosive
from vocheck.policy.judge import Heard, Verdict, judge, judge_reading, verdict_of, word_points
from vocheck.policy.limits import LIMITS, WORDS
from vocheck.policy.rule import SEVERITIES, Condition, Rule, Threshold, is_beyond
from vocheck.results import Group, Result
from vocheck.script.reading import Misread, Reading, Word
from vocheck.wording.findings import later, now, what
from vocheck.wording.sentences import with_sentences


def rule(name: str, fact: str, **more: object) -> Rule:
    """Return a rule; its limits are given by severity, the rest as `Rule` names it."""
    values = {severity: more.pop(severity) for severity in SEVERITIES if severity in more}
    texts = {name: more.pop(name, name) for name in ("message", "now", "later")}
    return Rule(
        name=name,
        fact=fact,
        unit=more.pop("unit", "dB"),
        thresholds=tuple(
            Threshold(severity, value, f"source of {severity}", "our choice")
            for severity, value in values.items()
        ),
        texts=texts,
        **more,
    )


def found_by(one: Rule, **changed: object):
    """Return the finding of one rule on a faultless take, but for some facts; None: no finding."""
    found = judge(facts(**changed), {one.name: one})
    assert len(found) <= 1
    return found[0] if found else None


def reading(*misread: Misread, words: str = "the river turns the wheel") -> Reading:
    """Return a reading of a line, one word a second."""
    return Reading(
        words=tuple(
            Word(word=word, start_s=float(i), end_s=i + 0.8) for i, word in enumerate(words.split())
        ),
        misread=misread,
        unknown=(),
        read_s=9.0,
        words_per_minute=150.0,
    )


def test_a_finding_carries_its_rule_and_the_number_that_was_passed():
    """Unit, limit, source and sentences are those of the rule."""
    one = rule("noisy", "noise.floor_dbfs", note=-60.0, message="{value:.1f} {limit:.0f}", unit="V")
    found = found_by(one, noise__floor_dbfs=-55.5)
    assert (found.name, found.fact, found.unit) == ("noisy", "noise.floor_dbfs", "V")
    assert (found.value, found.limit, found.severity) == (-55.5, -60.0, "note")
    assert (found.source, found.status) == ("source of note", "our choice")
    assert (what(found), now(found), later(found)) == ("-55.5 -60", "now", "later")
    assert found.count is None
    assert found.times_s == ()
    plain = found.to_dict()
    assert plain["name"] == "noisy"
    assert plain["limit"] == -60.0
    told = with_sentences(found)
    assert (told["message"], told["now"], told["later"]) == ("-55.5 -60", "now", "later")


@pytest.mark.parametrize(
    ("sense", "value", "beyond"),
    [
        ("above", 3.0, True), ("above", 2.0, False), ("above", -3.0, False),
        ("below", 1.0, True), ("below", 2.0, False), ("below", 3.0, False),
        ("away", 3.0, True), ("away", -3.0, True), ("away", 2.0, False), ("away", -2.0, False),
        ("away", 1.0, False), ("is", 2.0, True), ("is", 3.0, False), ("above", None, False),
        ("below", None, False), ("is", None, False), ("away", None, False),
    ],
)  # fmt: skip
def test_the_senses(sense: str, value: float | None, beyond: bool):
    """The limit itself still passes, and what is not known is never beyond it."""
    assert is_beyond(value, sense, 2.0) is beyond


def test_of_events_the_worst_is_told_in_the_sense_of_the_rule():
    """The highest where high is bad, the lowest where low is."""
    pops = (Plosive(1.0, -14.0), Plosive(2.0, -18.0), Plosive(3.0, -12.0))
    high = rule("high", "plosives.events[].level_re_speech_db", note=-15.0)
    assert found_by(high, plosives__events=pops).value == -12.0
    low = replace(high, sense="below", thresholds=(Threshold("note", -13.0, "", "our choice"),))
    found = found_by(low, plosives__events=pops)
    assert (found.value, found.count, found.times_s) == (-18.0, 2, (1.0, 2.0))


@dataclass(frozen=True, kw_only=True)
class Tilt(Group):
    """A fact with a sign, and one that was not measured."""

    by_db: float | None
    events: tuple[Plosive, ...] | None = ()


@dataclass(frozen=True, kw_only=True)
class Facts(Result):
    tilt: Tilt

    def reasons(self) -> dict[str, str]:
        return {f"tilt.{name}": why for name, why in self.tilt.reasons().items()}


@pytest.mark.parametrize(("by_db", "worst"), [(-5.0, -5.0), (4.0, 4.0)])
def test_what_may_lie_on_either_side_is_told_with_its_sign(by_db: float, worst: float):
    """Away from 0: -5 is as far as 5."""
    one = rule("tilt", "tilt.by_db", sense="away", note=3.0)
    (found,) = judge(Facts(tilt=Tilt(by_db=by_db)), {"tilt": one})
    assert found.value == worst


def test_of_events_on_either_side_the_farthest_is_told():
    """-7 is worse than 5, though less."""
    events = (Plosive(1.0, 5.0), Plosive(2.0, -7.0), Plosive(3.0, 1.0))
    one = rule("tilt", "tilt.events[].level_re_speech_db", sense="away", note=3.0)
    (found,) = judge(Facts(tilt=Tilt(by_db=None, events=events)), {"tilt": one})
    assert (found.value, found.count) == (-7.0, 2)


def test_what_was_not_measured_is_told_only_where_the_rule_is_about_that():
    """A reason where there is one; a number that is known is no finding; no threshold, nothing."""
    one = rule("untold", "tilt.by_db", sense="not measured", note=True, message="{reason}")
    empty = Facts(tilt=Tilt(by_db=None))
    (found,) = judge(empty, {"untold": one})
    assert (found.reason, found.value, found.severity) == ("not measured", None, "note")
    told = Facts(tilt=Tilt(by_db=None, not_measured={"by_db": "too short"}))
    assert what(judge(told, {"untold": one})[0]) == "too short"
    assert judge(Facts(tilt=Tilt(by_db=1.0)), {"untold": one}) == ()
    assert judge(empty, {"untold": replace(one, thresholds=())}) == ()


def test_how_far_a_value_is_beyond_its_limit_and_off_its_aim():
    """-57.5 dB against -60: 2.5 dB beyond; aimed at -65: 7.5 dB off, whichever side."""
    one = rule("noisy", "noise.floor_dbfs", note=-60.0, aim=-65.0)
    found = found_by(one, noise__floor_dbfs=-57.5)
    assert found.difference == 2.5
    assert found.change == 7.5
    low = rule("low", "noise.floor_dbfs", sense="below", note=-60.0, aim=-50.0)
    found = found_by(low, noise__floor_dbfs=-62.0)
    assert found.difference == -2.0
    assert found.change == 12.0
    assert found_by(replace(one, aim=None), noise__floor_dbfs=-57.5).change is None


def test_what_is_no_number_is_neither_beyond_nor_off():
    """A yes, a word, or nothing at all."""
    gated = rule("gated", "processing.gated", sense="is", note=True, aim=0.0)
    found = found_by(gated, processing__gated=True)
    assert (found.value, found.difference, found.change) == (True, None, None)
    assert replace(found, value="closed").difference is None
    assert replace(found, value="closed").change is None
    assert replace(found, value=None).difference is None
    assert replace(found, value=None).change is None
    assert replace(found, value=3.0).difference is None  # the limit is a yes
    assert replace(found, value=3.0, limit="open").difference is None
    assert replace(found, value=3.0, limit=1.0).difference == 2.0


def test_the_sentence_names_the_number_of_events_or_the_value():
    """One pop, two pops; of a fact that is itself a number of events its value."""
    pops = (Plosive(1.0, -5.0), Plosive(2.0, -7.0), Plosive(3.0, -30.0))
    each = rule(
        "pops", "plosives.events[].level_re_speech_db", note=-10.0,
        message="{count} {count?pop|pops}",
    )  # fmt: skip
    assert what(found_by(each, plosives__events=pops)) == "2 pops"
    assert what(found_by(each, plosives__events=pops[1:])) == "1 pop"
    many = rule("many", "plosives.events", note=1, message="{count} {count?pop|pops}")
    found = found_by(many, plosives__events=pops)
    assert (what(found), found.count, found.value) == ("3 pops", None, 3)
    assert found.times_s == (1.0, 2.0, 3.0)
    assert found_by(many, plosives__events=pops[:1]) is None


def test_the_places_of_another_list_can_be_told():
    """`times` names whose places they are, in the order of time."""
    one = rule("noisy", "noise.floor_dbfs", note=-60.0, times="plosives.events")
    pops = (Plosive(3.0, -5.0), Plosive(2.0, -7.0))
    found = found_by(one, noise__floor_dbfs=-50.0, plosives__events=pops)
    assert found.times_s == (2.0, 3.0)
    listed = replace(one, times="plosives.events[]")
    assert found_by(listed, noise__floor_dbfs=-50.0, plosives__events=pops).times_s == (2.0, 3.0)


def gaps(*lengths_s: float) -> tuple[Dropout, ...]:
    return tuple(
        Dropout(kind="zero-run", start_s=10.0 - i, end_s=10.0 - i + length)
        for i, length in enumerate(lengths_s)
    )


def test_events_can_be_judged_by_their_sum():
    """Three gaps of 0.2 s are 0.6 s together; none by itself is over 0.5 s."""
    one = rule("gaps", "dropouts.events[].length_s", note=0.5, together=True)
    found = found_by(one, dropouts__events=gaps(0.2, 0.2, 0.2))
    assert found.value == pytest.approx(0.6)
    assert (found.count, found.times_s) == (3, (8.0, 9.0, 10.0))
    assert found_by(replace(one, together=False), dropouts__events=gaps(0.2, 0.2, 0.2)) is None
    assert found_by(one, dropouts__events=()) is None


def test_a_rule_may_be_about_some_events_only():
    """Those whose fields have the values that it names."""
    one = rule("gaps", "dropouts.events[].length_s", note=0.1, where={"kind": "repeat"})
    assert found_by(one, dropouts__events=gaps(0.2, 0.3)) is None
    repeat = replace(gaps(0.4)[0], kind="repeat")
    found = found_by(one, dropouts__events=(*gaps(0.2, 0.3), repeat))
    assert found.count == 1
    assert found.value == pytest.approx(0.4)


def test_every_condition_must_hold():
    """Noise counts only where the voice is also near it and the take is also loud."""
    near = Condition("noise.snr_db", "below", 40.0)
    loud = Condition("loudness.integrated_lufs", "above", -20.0)
    one = rule("noisy", "noise.floor_dbfs", note=-60.0, only_if=(near, loud))
    for snr_db, lufs, holds in (
        (30.0, -15.0, True),
        (30.0, -25.0, False),
        (50.0, -15.0, False),
        (None, -15.0, False),
    ):
        found = found_by(
            one, noise__floor_dbfs=-50.0, noise__snr_db=snr_db, loudness__integrated_lufs=lufs
        )
        assert (found is not None) is holds
    events = (Plosive(1.0, -30.0), Plosive(2.0, -5.0))
    some = Condition("plosives.events[].level_re_speech_db", "above", -10.0)
    one = replace(one, only_if=(some,))
    assert found_by(one, noise__floor_dbfs=-50.0, plosives__events=events)
    assert not found_by(one, noise__floor_dbfs=-50.0, plosives__events=events[:1])


def test_findings_come_worst_first_and_else_in_the_order_of_the_rules():
    """Two notes keep their order."""
    rules = [
        rule("first", "noise.floor_dbfs", note=-60.0),
        rule("second", "noise.floor_dbfs", note=-60.0, fixable=-55.0, retake=-52.0),
        rule("third", "noise.floor_dbfs", note=-70.0),
        rule("fourth", "noise.floor_dbfs", note=-60.0, fixable=-55.0),
    ]
    found = judge(facts(noise__floor_dbfs=-50.0), {one.name: one for one in rules})
    assert [f.name for f in found] == ["second", "fourth", "first", "third"]


@pytest.mark.parametrize("name", LIMITS.load())
def test_worse_by_the_fact_is_never_milder(name: str):
    """Along the values around its limits no shipped rule becomes milder as the fact gets worse."""
    one = LIMITS.load()[name]
    limits = [t.value for t in one.thresholds if not isinstance(t.value, bool | str)]
    if not limits or one.sense in ("is", "not measured"):
        return
    values = sorted({v + d for v in limits for d in (-100.0, -1.0, -1e-6, 0.0, 1e-6, 1.0, 100.0)})
    if one.sense == "below":
        values.reverse()
    steps = [(None, *SEVERITIES).index(one.severity_of(value)) for value in values]
    if one.sense != "away":
        assert steps == sorted(steps)
    assert max(steps) == (None, *SEVERITIES).index(one.thresholds[-1].severity)
    assert one.severity_of(limits[0]) is None
    assert one.severity_of(None) is None


@pytest.mark.parametrize(
    ("severities", "verdict"),
    [
        ((), "keep"), (("note",), "keep"), (("note", "fixable"), "fixable"),
        (("fixable", "retake", "note"), "retake"), (("retake",), "retake"),
    ],
)  # fmt: skip
def test_the_verdict_is_that_of_the_worst_finding(severities: tuple[str, ...], verdict: Verdict):
    """A note is no reason to do anything."""
    one = found_by(rule("noisy", "noise.floor_dbfs", note=-60.0), noise__floor_dbfs=-50.0)
    assert verdict_of([replace(one, severity=severity) for severity in severities]) == verdict


def test_a_place_is_told_with_the_word_that_it_falls_on():
    """Pops at 0.5, 0.6 and 3.2 s fall on two words, one of them once; 2.9 s is between words."""
    pops = tuple(Plosive(time, -5.0) for time in (0.5, 0.6, 2.9, 3.2))
    one = rule("pops", "plosives.events[].level_re_speech_db", note=-10.0, message="on {words}")
    found = found_by(one, plosives__events=pops)
    (told,) = judge_reading(reading(words="one two three four"), [found], {})
    assert told.words == ("one", "four")
    assert what(told) == "on “one”, “four”"
    assert told.times_s == (0.5, 0.6, 2.9, 3.2)


def test_words_that_depart_from_the_script_are_findings_and_cost():
    """Each kind by its own rule, with its words; the worst finding first; points by the kind."""
    rules = WORDS.load()
    lacking = Misread(kind="missing", words="the wheel", time_s=3.0)
    again = Misread(kind="repeated", words="river", time_s=1.0)
    read = reading(lacking, again)
    noisy = found_by(rule("noisy", "noise.floor_dbfs", note=-60.0), noise__floor_dbfs=-50.0)
    told = judge_reading(read, [noisy], rules)
    names = [finding.name for finding in told]
    assert set(names) == {"noisy", "words_missing", "words_repeated"}
    order = [SEVERITIES.index(finding.severity) for finding in told]
    assert order == sorted(order, reverse=True)
    by_name = {finding.name: finding for finding in told}
    assert by_name["words_missing"].words == ("the wheel",)
    assert by_name["words_missing"].times_s == (3.0,)
    assert by_name["words_repeated"].words == ("river",)
    assert judge(Heard(reading=reading()), rules) == ()
    points = {name: rules[f"words_{name}"].points for name in ("missing", "repeated")}
    assert min(points.values()) > 0.0
    assert word_points(read, rules) == pytest.approx(sum(points.values()))
    twice = reading(lacking, again, lacking)
    assert word_points(twice, rules) == pytest.approx(word_points(read, rules) + points["missing"])
    assert word_points(reading(), rules) == 0.0
    assert word_points(None, rules) == 0.0
