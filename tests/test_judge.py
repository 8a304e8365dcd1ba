"""From facts to findings."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from tests.material.demo_session import FOLDER
from vocheck.audio.readers import read
from vocheck.errors import TargetError
from vocheck.measurements import Measurements, measure
from vocheck.measurements.plosives import Plosive
from vocheck.policy.config import Config, find_config, load_config
from vocheck.policy.every import load_policy
from vocheck.policy.facts import UnknownFactError
from vocheck.policy.judge import judge, verdict_of, word_points
from vocheck.policy.limits import LIMITS, WORDS, load_limits
from vocheck.policy.rule import SEVERITIES, STATUSES, Condition, Rule, Threshold
from vocheck.recording import Recording
from vocheck.session.take import check_recording
from vocheck.wording.findings import message, what


@cache
def facts() -> Measurements:
    return measure(Recording(np.zeros(48_000, np.float32), 48_000))


def with_facts(group: str, **values: object) -> Measurements:
    base = facts()
    kept = {k: v for k, v in getattr(base, group).not_measured.items() if k not in values}
    return replace(base, **{group: replace(getattr(base, group), not_measured=kept, **values)})


def limit(measurement: str, sense: str = "above", **more: object) -> Rule:
    values = {"fixable": -60.0, "retake": -50.0}
    values = more.pop("values", values)
    return Rule(
        name="test",
        fact=measurement,
        unit="dBFS",
        sense=sense,
        thresholds=tuple(
            Threshold(s, values[s], "a source", "our choice") for s in SEVERITIES if s in values
        ),
        times=more.pop("times", None),
        only_if=more.pop("only_if", ()),
        replaces=more.pop("replaces", ()),
        texts={
            "message": more.pop("message", "{value} {limit}"),
            "now": "now",
            "later": "later",
        },
    )


@pytest.mark.parametrize(
    ("floor", "severity"),
    [(-60.1, None), (-60.0, None), (-59.9, "fixable"), (-50.0, "fixable"), (-49.9, "retake")],
)
def test_a_fact_beyond_its_limit_is_a_finding_of_the_worst_severity_passed(floor, severity):
    """The limit itself still passes; the severest threshold that is passed counts."""
    found = judge(with_facts("noise", floor_dbfs=floor), {"test": limit("noise.floor_dbfs")})
    assert [f.severity for f in found] == ([severity] if severity else [])


def test_below_is_the_other_way_round():
    """A signal-to-noise ratio is bad when low."""
    rule = limit("noise.snr_db", "below", values={"fixable": 45.0, "retake": 35.0})
    assert judge(with_facts("noise", snr_db=44.0), {"test": rule})[0].severity == "fixable"
    assert not judge(with_facts("noise", snr_db=46.0), {"test": rule})


def test_what_was_not_measured_is_never_a_finding_by_its_value():
    """No number, no verdict on it."""
    assert not judge(facts(), {"test": limit("noise.floor_dbfs")})


def test_not_being_measurable_can_itself_be_a_finding():
    """The reason is in the message."""
    rule = limit("level.crest_db", "not measured", values={"note": True}, message="{reason}")
    found = judge(facts(), {"test": rule})
    assert what(found[0]) == facts().reasons()["level.crest_db"]


def test_each_event_is_judged_and_tells_its_time():
    """The worst event decides the severity; all beyond the mildest limit are counted and placed."""
    events = (Plosive(1.0, -14.0), Plosive(2.0, -8.0), Plosive(3.0, 2.0))
    rule = limit("plosives.events[].level_re_speech_db", values={"note": -12.0, "fixable": 0.0})
    found = judge(with_facts("plosives", events=events), {"test": rule})[0]
    assert (found.severity, found.value, found.limit) == ("fixable", 2.0, 0.0)
    assert (found.count, found.times_s) == (2, (2.0, 3.0))


def test_a_second_condition_must_hold_too():
    """Reverberation counts only where it is audible."""
    shipped = load_limits()["noise_floor"]
    rule = replace(shipped, only_if=(Condition("noise.snr_db", "below", 40.0),))
    assert judge(with_facts("noise", floor_a_re_speech_db=-25.0, snr_db=30.0), {"t": rule})
    assert not judge(with_facts("noise", floor_a_re_speech_db=-25.0, snr_db=50.0), {"t": rule})


def test_findings_come_worst_first_and_make_the_verdict():
    """Retake before fixable before note."""
    m = with_facts("noise", floor_dbfs=-40.0, snr_db=10.0)
    rules = {
        "a": limit("noise.snr_db", "below", values={"note": 20.0}),
        "b": limit("noise.floor_dbfs"),
    }
    found = judge(m, rules)
    assert [f.severity for f in found] == ["retake", "note"]
    assert verdict_of(found) == "retake"
    assert verdict_of(found[1:]) == "keep"


def test_findings_of_one_cause_are_told_once():
    """A severe finding drops the milder ones that it names, and only where it stands itself."""
    m = with_facts("noise", floor_dbfs=-55.0, snr_db=30.0)
    mild = replace(limit("noise.snr_db", "below", values={"note": 40.0}), name="mild")
    severe = limit("noise.floor_dbfs", replaces=("mild",))
    assert [f.name for f in judge(m, {"mild": mild, "severe": severe})] == ["test"]
    m = with_facts("noise", floor_dbfs=-65.0, snr_db=30.0)
    assert [f.name for f in judge(m, {"mild": mild, "severe": severe})] == ["mild"]


def test_a_limit_on_a_fact_that_does_not_exist_is_named():
    """A rule that was made by hand and never checked is told, not ignored."""
    with pytest.raises(UnknownFactError, match=r"there is no measurement 'noise.flor'"):
        judge(facts(), {"test": limit("noise.flor")})


@pytest.mark.parametrize("name", load_limits())
def test_every_shipped_limit_is_whole(name: str):
    """It names existing facts, carries source and status, and its texts can be filled in."""
    rule = load_limits()[name]
    LIMITS.check(rule, load_limits(), f"limits.toml: [{name}]")
    assert rule.thresholds
    for threshold in rule.thresholds:
        assert threshold.source
        assert threshold.status in STATUSES
    assert all(rule.texts.values())
    values = [t.value for t in rule.thresholds if isinstance(t.value, float | int)]
    assert values == sorted(values, reverse=rule.sense == "below"), "severities out of order"


def test_the_nearest_config_counts(tmp_path: Path):
    """vocheck.toml is looked for from the take upward."""
    (tmp_path / "vocheck.toml").touch()
    inner = tmp_path / "day" / "takes"
    inner.mkdir(parents=True)
    assert find_config(inner / "a.wav") == tmp_path / "vocheck.toml"
    (inner / "vocheck.toml").touch()
    assert find_config(inner / "a.wav") == inner / "vocheck.toml"


def test_a_studio_overrides_one_number_and_owns_it(tmp_path: Path):
    """The overridden number carries the studio as its source; the others keep theirs."""
    file = tmp_path / "vocheck.toml"
    file.write_text("[limits.noise_floor]\nfixable = -58.0\n", encoding="utf-8")
    before = {t.severity: t for t in load_limits()["noise_floor"].thresholds}
    after = {t.severity: t for t in load_limits(load_config(file))["noise_floor"].thresholds}
    assert after["fixable"].value == -58.0
    assert after["fixable"].status == "our choice"
    assert "vocheck.toml" in after["fixable"].source
    assert after["retake"] == before["retake"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[limits.noise_floor]\nfixabel = 1\n", "unknown key 'fixabel'"),
        ("[limits.noise_floor]\nsense = 'over'\n", "sense must be one of"),
        ("[limits.noise_floor]\nfixable = [1]\n", "fixable must be a number"),
        ("[limit]\n", r"unknown table \[limit\]"),
        ("fixable =\n", "not valid TOML"),
        ("[limits]\nnoise_floor = 3\n", "must be a table"),
    ],
)
def test_a_mistake_in_a_config_is_told_with_its_place(tmp_path: Path, text: str, message: str):
    """The message names the file, the limit and the key."""
    file = tmp_path / "vocheck.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(TargetError, match=message):
        load_policy(file)


def test_no_config_is_the_shipped_limits():
    """Without overrides the shipped mapping itself is returned: nothing is parsed twice."""
    assert load_limits(Config()) is load_limits()


def test_of_events_that_are_bad_when_low_the_lowest_counts():
    """Two pops below -10 dB: the value is the lower one, and both are counted."""
    events = (Plosive(1.0, -14.0), Plosive(2.0, -8.0), Plosive(3.0, -12.0))
    rule = limit("plosives.events[].level_re_speech_db", "below", values={"note": -10.0})
    (found,) = judge(with_facts("plosives", events=events), {"test": rule})
    assert (found.value, found.count, found.times_s) == (-14.0, 2, (1.0, 3.0))


def test_a_finding_tells_by_how_much_it_is_beyond_its_limit():
    """A number less its limit; what is no number has no distance."""
    (found,) = judge(with_facts("noise", floor_dbfs=-57.5), {"test": limit("noise.floor_dbfs")})
    assert found.difference == 2.5
    rule = limit("processing.gated", "is", values={"note": True})
    (found,) = judge(with_facts("processing", gated=True), {"test": rule})
    assert found.difference is None


def test_a_take_without_a_script_pays_nothing_for_its_words():
    """Nothing was held against it."""
    assert word_points(None, WORDS.load()) == 0.0


def test_a_clipped_channel_beside_a_clean_safety_track_is_no_retake():
    """The voice is cut flat on channel 1, and whole 20 dB lower on channel 2: that one is used."""
    voice = read(FOLDER / "02_kiln_t3.flac").samples[:, 0]
    peak = float(np.abs(voice).max())
    loud, soft = np.clip(3.0 / peak * voice, -0.98, 0.98), 0.3 / peak * voice
    alone = check_recording(Recording(loud, 48_000))
    both = check_recording(Recording(np.column_stack((loud, soft)), 48_000))
    assert (alone.verdict, both.verdict) == ("retake", "keep")
    (finding,) = (f for f in both.findings if f.name == "separate_channels")
    assert "channel 2 is judged" in message(finding)
