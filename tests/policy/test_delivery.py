"""Judging by a rule, and the forecast for a take: all expected values by closed form."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from vocheck.policy.delivery import check, forecast, limiting, settle, worst
from vocheck.policy.destinations import (
    FACTS,
    Destination,
    OneChannel,
    Requirement,
    load_destinations,
)
from vocheck.wording.delivery import gain_words, limit_words, note, reason

KNOWN = load_destinations()


def rule(**keys: object) -> Requirement:
    base = {"fact": "integrated_lufs", "source": "a test", "date": "", "url": "",
            "status": "published standard"}  # fmt: skip
    return Requirement(**{**base, **keys})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (-23.0, "pass"),
        (-22.8, "pass"),
        (-23.24, "pass"),  # shown as -23.2
        (-22.76, "pass"),  # shown as -22.8
        (-22.74, "warn"),  # shown as -22.7
        (-23.3, "warn"),
        (-22.0, "warn"),
        (-21.9, "fail"),
        (-24.1, "fail"),
        (-math.inf, "fail"),
        (None, "cannot tell"),
    ],
)
def test_ebu_r128_programme_loudness(value: float | None, verdict: str) -> None:
    """-23.0 +-0.2 LU passes, up to +-1.0 warns, beyond fails (EBU R 128)."""
    level = KNOWN["ebu-r128"].level
    assert level is not None
    assert check(level, value).verdict == verdict


@pytest.mark.parametrize("destination", KNOWN.values(), ids=lambda d: d.name)
def test_every_rule_of_every_destination(destination: Destination) -> None:
    """At each bound a value passes or warns; one shown step beyond it is worse."""
    for asked in destination.rules:
        if not asked.judged:
            assert check(asked, 0.0).verdict == "not published"
            continue
        if asked.one_of is not None:
            for accepted in asked.one_of:
                assert check(asked, accepted).verdict == "pass"
            other = "nothing like it" if isinstance(asked.one_of[0], str) else -1.0
            assert check(asked, other).verdict == asked.severity
            continue
        if asked.target is not None:
            assert check(asked, asked.target).verdict == "pass"
        step = 10.0 ** -FACTS[asked.fact].decimals
        for bound, sign in ((asked.minimum, -1), (asked.maximum, 1)):
            if bound is not None:
                assert check(asked, bound).verdict in ("pass", "warn"), asked.fact
                assert check(asked, bound + sign * step).verdict == asked.severity, asked.fact
        for bound, sign in ((asked.warn_below, -1), (asked.warn_above, 1)):
            if bound is not None:
                assert check(asked, bound).verdict == "pass", asked.fact
                assert check(asked, bound + sign * step).verdict == "warn", asked.fact


def test_a_gap_that_we_filled_is_called_our_choice() -> None:
    """Where the bound that decided is ours, the check says so; else it names the source."""
    level = KNOWN["alexa"].level
    assert level is not None
    assert check(level, -16.0).status == "our choice"
    assert check(level, -20.0).status == "published by the platform"
    assert check(level, -14.0).status == "published by the platform"


def test_a_loud_master_gets_the_stricter_peak() -> None:
    """Spotify: below -2 dBTP for a master louder than -14 LUFS, -1 dBTP otherwise."""
    peak = KNOWN["spotify"].rule("level_dbtp")
    assert peak is not None
    assert check(peak, -1.5, integrated_lufs=-14.0).verdict == "pass"
    assert check(peak, -1.5, integrated_lufs=-12.0).verdict == "warn"
    assert check(peak, -2.0, integrated_lufs=-12.0).verdict == "pass"


def test_verdict_of_a_destination() -> None:
    """A fail outranks a warning; nothing published cannot pass; an untold level is looked at."""
    passed = check(rule(target=-23.0), -23.0)
    warned = check(rule(target=-23.0, warn_above=-22.0), -21.0)
    failed = check(rule(target=-23.0, maximum=-22.0), -21.0)
    untold = check(rule(target=-23.0), None)
    advice_untold = check(rule(fact="range_lu", maximum=5.0, severity="warn"), None)
    assert worst([passed], publishes_level=True) == "pass"
    assert worst([passed], publishes_level=False) == "not published"
    assert worst([passed, warned], publishes_level=False) == "warn"
    assert worst([warned, failed], publishes_level=True) == "fail"
    assert worst([untold], publishes_level=True) == "warn"
    assert worst([passed, advice_untold], publishes_level=True) == "pass"


def test_text_by_a_number_is_a_programming_error() -> None:
    """A rule in numbers cannot judge a text."""
    with pytest.raises(TypeError, match="which no number can judge"):
        check(rule(target=-23.0), "loud")


def test_forecast_of_a_quiet_take() -> None:
    """Gain, peak and floor move together: -22.0 to -14.0 LUFS is +8 dB for all of them."""
    delivery = forecast(KNOWN["social"], -22.0, -6.0, -60.0)
    assert delivery.gain_db == pytest.approx(8.0)
    assert delivery.true_peak_after_dbtp == pytest.approx(2.0)
    assert delivery.limiter_db == pytest.approx(3.0)  # down to the -1 dBTP that passes
    assert delivery.noise_floor_after_dbfs == pytest.approx(-52.0)
    assert (delivery.verdict, delivery.verdict_after) == ("fail", "fail")
    assert "limit by 3.0 dB first" in note(delivery)
    assert "-52 dBFS" in note(delivery)


def test_forecast_where_the_gain_is_enough() -> None:
    """With headroom to spare the take passes after the gain, and no limiter is needed."""
    delivery = forecast(KNOWN["ebu-short"], -33.0, -20.0, None)
    assert delivery.gain_db == pytest.approx(10.0)
    assert delivery.limiter_db == 0.0
    assert delivery.noise_floor_after_dbfs is None
    assert (delivery.verdict, delivery.verdict_after) == ("fail", "pass")


def test_forecast_of_an_audiobook() -> None:
    """RMS decides there, and the floor that comes up with the gain can fail."""
    delivery = forecast(KNOWN["audiobook"], -24.0, -12.0, -62.0, rms_dbfs=-25.0)
    assert delivery.gain_db == pytest.approx(4.5)  # to -20.5 dB RMS, the middle of -23 .. -18
    assert delivery.noise_floor_after_dbfs == pytest.approx(-57.5)
    assert delivery.verdict_after == "fail"  # ACX: noise floor at most -60 dB RMS


def test_forecast_where_nothing_is_published() -> None:
    """The number of common practice gives a gain, but no verdict, and the note says so."""
    delivery = forecast(KNOWN["youtube"], -20.0, -9.0, -70.0)
    assert delivery.gain_db == pytest.approx(6.0)
    assert delivery.verdict == delivery.verdict_after == "not published"
    assert "No number is published here" in note(delivery)


def test_forecast_of_one_channel() -> None:
    """A one-channel voice is counted as its destination does, and the note says how."""
    social = forecast(KNOWN["social"], -23.0, -9.0, None, two_speakers_lufs=-20.0)
    assert social.gain_db == pytest.approx(6.0)  # -14 less -20
    assert "one channel counts as heard from two speakers" in note(social)
    # published: ITU-R BS.1770-5, Annex 1 counts one channel once, and R 128 asks for -23.0
    standard = forecast(KNOWN["ebu-r128"], -23.0, -9.0, None, two_speakers_lufs=-20.0)
    assert standard.gain_db == pytest.approx(0.0)
    assert standard.verdict == "pass"
    assert "one channel counts as one (ITU-R BS.1770)" in note(standard)
    assert "two speakers" not in note(forecast(KNOWN["social"], -20.0, -9.0, None))


@pytest.mark.parametrize("loudness", [None, -math.inf])
def test_forecast_without_a_level(loudness: float | None) -> None:
    """Silence, or a take too short to measure, has no gain and says why."""
    delivery = forecast(KNOWN["social"], loudness, -math.inf, None)
    assert delivery.gain_db is None
    assert delivery.limiter_db is None
    assert note(delivery).startswith("No gain can be given: the loudness")


def test_forecast_of_digital_silence_between_words() -> None:
    """A floor of -inf stays there whatever the gain, and is left out of the words."""
    delivery = forecast(KNOWN["social"], -20.0, -9.0, -math.inf)
    assert delivery.noise_floor_after_dbfs == -math.inf
    assert "floor" not in note(delivery)
    assert delivery.to_dict()["noise_floor_after_dbfs"] is None


@pytest.mark.parametrize(
    ("gain", "peak", "words"),
    [
        (4.2, -3.1, "+4.2 dB would put the peak at +1.1 dBTP: limit by 2.1 dB first."),
        (1.0, -3.0, "+1.0 dB would put the peak at -2.0 dBTP, within the limit of -1.0."),
        (-2.0, 0.0, "-2.0 dB would put the peak at -2.0 dBTP, within the limit of -1.0."),
        (0.04, -3.0, "No gain is needed."),
        (3.0, None, "+3.0 dB would bring it there."),
    ],
)
def test_gain_in_words(gain: float, peak: float | None, words: str) -> None:
    """What a gain does to the true peak, as a person would say it."""
    target = KNOWN["social"]
    after = None if peak is None else peak + gain
    assert gain_words(gain, after, limiting(target, after), target.peak_dbtp) == words


def place(*rules: Requirement, reading: str = "one channel") -> Destination:
    """Return a destination with these rules."""
    word = {"source": "a test", "date": "2024", "url": "", "status": "published standard"}
    return Destination(
        name="river", title="River", family="studio", rules=rules,
        one_channel=OneChannel(reading=reading, **word), **word,
    )  # fmt: skip


def test_what_cannot_be_told_says_why_and_what_is_told_carries_the_note() -> None:
    """The reason of the measurement, or the words of the rule; never one for the other."""
    asked = rule(target=-23.0, minimum=-24.0, note="As they say.")
    assert check(asked, None, reason="too short").untold == "too short"
    assert check(asked, None).untold == "not measured"
    for value in (-23.0, -30.0):
        found = check(asked, value, reason="too short")
        assert (found.untold, reason(found)) == ("", "As they say.")


def test_a_number_is_unconfirmed_only_where_it_is_not_our_own() -> None:
    """What nobody looked up again is marked; our own number needs no looking up."""
    asked = rule(minimum=-24.0, maximum=-22.0, unconfirmed=True, our_choice=("maximum",))
    assert check(asked, -23.0).unconfirmed
    assert check(asked, -30.0).unconfirmed
    assert not check(asked, -10.0).unconfirmed
    assert check(asked, -10.0).status == "our choice"
    assert not check(rule(minimum=-24.0), -30.0).unconfirmed


def test_a_check_tells_what_is_asked_and_between_which_numbers_it_passes() -> None:
    """In words, and as numbers."""
    found = check(rule(target=-23.0, minimum=-24.0, warn_above=-22.5, maximum=-22.0), -23.04)
    assert (found.lowest, found.highest, found.value) == (-24.0, -22.5, -23.04)
    assert limit_words(found) == "-23.0 LUFS (-24.0 to -22.5)"
    assert (found.what, found.unit, found.verdict) == ("Loudness", "LUFS", "pass")


def test_a_rule_is_met_by_its_alternative() -> None:
    """The true peak fails and the sample peak passes: both pass, and it is said why."""
    peak = rule(fact="level_dbtp", maximum=-1.0, alternative="sample_peak_dbfs")
    sample = rule(fact="sample_peak_dbfs", maximum=-1.0)
    good, bad = check(sample, -2.0), check(sample, 0.0)
    over = check(peak, -0.5)
    met, other = settle([peak, sample], [over, good])
    assert (met.verdict, other) == ("pass", good)
    assert reason(met) == "Met by the other: sample peak at most -1.0 dBFS."
    assert settle([peak, sample], [over, bad]) == (over, bad)
    within = check(peak, -3.0)
    assert settle([peak, sample], [within, good]) == (within, good)
    assert settle([replace(peak, alternative=None), sample], [over, good]) == (over, good)
    untold = check(peak, None)
    assert settle([peak, sample], [untold, good])[0].verdict == "pass"


def test_how_far_the_peaks_are_over_what_passes() -> None:
    """The true peak, or the sample peak where the place takes that as well: the lesser of both."""
    peak = rule(fact="level_dbtp", maximum=-1.0, alternative="sample_peak_dbfs")
    sample = rule(fact="sample_peak_dbfs", maximum=-2.0)
    assert limiting(place(peak, sample), 2.0, -0.5) == 1.5
    assert limiting(place(peak, sample), 2.0, 3.0) == 3.0
    assert limiting(place(peak, sample), 2.0) == 3.0
    assert limiting(place(peak, sample), 2.0, -9.0) == 0.0
    assert limiting(place(peak), 2.0, -9.0) == 3.0
    assert limiting(place(replace(peak, alternative=None), sample), 2.0, -9.0) == 3.0
    assert limiting(place(peak, rule(fact="sample_peak_dbfs", minimum=-9.0)), 2.0, -9.0) == 3.0
    assert limiting(place(peak), -4.0) == 0.0
    assert limiting(place(peak), None) is None
    assert limiting(place(sample), 2.0) is None
    assert limiting(place(rule(fact="level_dbtp", minimum=-9.0)), 2.0) is None


@pytest.mark.parametrize(
    ("fact", "reading", "two", "one"),
    [
        ("integrated_lufs", "two speakers", True, False),
        ("integrated_lufs", "one channel", False, True),
        ("rms_dbfs", "two speakers", False, False),
        ("rms_dbfs", "one channel", False, False),
    ],
)
def test_how_one_channel_was_counted_is_told_of_a_loudness(
    fact: str, reading: str, two: bool, one: bool
) -> None:
    """Of an RMS level there is only one reading; of two channels as well."""
    target = place(rule(fact=fact, target=-20.0), reading=reading)
    mono = forecast(target, -23.0, -9.0, None, rms_dbfs=-21.0, two_speakers_lufs=-20.0)
    assert (mono.two_speakers, mono.one_channel) == (two, one)
    stereo = forecast(target, -23.0, -9.0, None, rms_dbfs=-21.0, two_speakers_lufs=-23.0)
    assert (stereo.two_speakers, stereo.one_channel) == (False, False)
    untold = forecast(target, -23.0, -9.0, None, rms_dbfs=-21.0)
    assert (untold.two_speakers, untold.one_channel) == (False, False)
    assert (mono.level, mono.publishes_level) == (fact, True)
    before = {"rms_dbfs": -21.0, "integrated_lufs": -20.0 if two else -23.0}[fact]
    assert mono.level_before == before
    assert mono.gain_db == pytest.approx(-20.0 - before)


def test_a_place_without_a_level_gives_no_gain() -> None:
    """The peaks are judged as they stand."""
    target = place(rule(fact="level_dbtp", maximum=-1.0))
    found = forecast(target, -23.0, -0.5, -60.0, two_speakers_lufs=-20.0)
    assert found.gain_db is found.level is found.level_before is None
    assert found.true_peak_after_dbtp is found.limiter_db is found.noise_floor_after_dbfs is None
    assert (found.verdict, found.verdict_after) == ("fail", "fail")
    assert (found.two_speakers, found.one_channel) == (False, False)
    assert len(found.checks) == 1


def test_nearer_to_the_level_is_never_worse() -> None:
    """Of every destination that ships, from 12 dB off down to its target."""
    grades = ["pass", "not published", "warn", "fail"]
    for destination in KNOWN.values():
        level = destination.level
        if level is None or level.target is None:
            continue
        for side in (-1.0, 1.0):
            seen = [
                grades.index(check(level, level.target + side * off).verdict)
                for off in (12.0, 6.0, 3.0, 1.5, 0.8, 0.4, 0.1, 0.0)
            ]
            assert seen == sorted(seen, reverse=True), destination.name
