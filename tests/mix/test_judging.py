"""Mixes whose facts are made by hand, against rules made by hand: no sound is measured."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from vocheck.audio.codecs import Coding
from vocheck.measurements.loudness import TWO_SPEAKERS_LU, Loudness
from vocheck.measurements.true_peak import TruePeak
from vocheck.mix.judge import (
    encoded_checks,
    facts_of,
    is_master,
    judge,
    length_s,
    rule_checks,
)
from vocheck.mix.results import DestinationResult, EncodedPeak, MixMeasurements, StemMatch, Stems
from vocheck.policy.destinations import (
    FACTS,
    Destination,
    Encoding,
    Ingest,
    OneChannel,
    Requirement,
    load_destinations,
)
from vocheck.policy.every import Policy
from vocheck.recording import Source
from vocheck.wording.delivery import reason

WORD = {"source": "a test", "date": "2024", "url": "", "status": "published standard"}
WAV = Source(container="WAV", codec="PCM", rate_hz=48_000, channels=2, bits=24, duration_s=30.0)
VIDEO = Source(
    container="MP4", codec="AAC", profile="LC", bitrate_kbps=192.0, rate_hz=48_000, channels=2,
    duration_s=30.0, picture_s=30.5, start_s=0.25,
)  # fmt: skip
LOUDNESS = Loudness(
    integrated_lufs=-20.0, momentary_max_lufs=-12.0, momentary_max_s=1.0,
    short_term_max_lufs=-16.0, short_term_max_s=2.0, range_lu=6.0, two_speakers_lufs=-20.0,
)  # fmt: skip
PEAK = TruePeak(level_dbtp=-3.0, time_s=1.0, sample_peak_dbfs=-3.5, channels_dbtp=(-3.0, -4.0))
IN_MIX = StemMatch(
    lag_s={"voice": 0.01, "bed": -0.05}, gain_db={"voice": 1.0, "bed": -2.0}, foreign=("bed",),
    null_db=-20.0,
)  # fmt: skip
STEMS = Stems(
    voice="v.wav", bed="b.wav", voice_lufs=-21.0, bed_lufs=-33.0, voice_active=0.7,
    closest_lu=9.0, closest_s=4.0, in_mix=IN_MIX,
)  # fmt: skip


def mix(**changed: Any) -> MixMeasurements:
    """Return the facts of a mix that is right in everything but what is said."""
    base: dict[str, Any] = {
        "loudness": replace(LOUDNESS, **changed.pop("loudness", {})),
        "true_peak": replace(PEAK, **changed.pop("true_peak", {})),
        "peak_limit_dbtp": -1.0, "peaks_over_limit": (), "true_peak_after_encoding": (),
        "mono_fold_down_lu": -1.0, "mono_worst_lu": -1.5, "mono_worst_s": 3.0,
        "correlation": 0.6, "balance_db": 0.4, "louder_side": "left", "silent_channels": 0,
        "rms_dbfs": -21.0, "active_dbfs": -20.5, "leq_m_db": 80.0, "floor_dbfs": -62.0,
        "digital_silence_s": 0.5, "digital_silence_at": (7.0,), "head_s": 0.6, "tail_s": 0.7,
        "dialogue_lufs": -22.0, "loudness_to_dialogue_lu": 2.0, "voice_to_bed_lu": 12.0,
        "stems": STEMS,
    }  # fmt: skip
    return MixMeasurements(**{**base, **changed})


def rule(fact: str = "integrated_lufs", **keys: Any) -> Requirement:
    return Requirement(**{"fact": fact, **WORD, **keys})


LEVEL = rule(target=-23.0, minimum=-24.0, maximum=-22.0)


def place(*rules: Requirement, two_speakers: bool = False, **more: Any) -> Destination:
    """Return a destination with these rules."""
    reading = "two speakers" if two_speakers else "one channel"
    return Destination(
        name="river", title="River Radio", family="studio", rules=rules,
        one_channel=OneChannel(reading=reading, note="as they count", **WORD), **WORD, **more,
    )  # fmt: skip


def judged(
    *rules: Requirement, source: Source = WAV, encoded: Requirement | None = None,
    two_speakers: bool = False, more: dict[str, Any] | None = None, **changed: Any,
) -> DestinationResult:  # fmt: skip
    """Hold a mix against a destination with these rules."""
    destination = place(*rules, two_speakers=two_speakers, **(more or {}))
    return judge(destination, source, mix(**changed), encoded, Policy())


def test_every_fact_of_a_rule_has_its_value():
    """Under its own name, from the place where it was measured."""
    facts = facts_of(WAV, mix())
    assert set(facts) == set(FACTS) - {"encoded_dbtp"}
    assert facts["integrated_lufs"] == -20.0
    assert facts["momentary_max_lufs"] == -12.0
    assert facts["short_term_max_lufs"] == -16.0
    assert (facts["range_lu"], facts["dialogue_lufs"]) == (6.0, -22.0)
    assert (facts["level_dbtp"], facts["sample_peak_dbfs"]) == (-3.0, -3.5)
    assert (facts["foreign_stems"], facts["stem_lag_s"], facts["stem_gain_db"]) == (1, -0.05, 3.0)
    for name in (
        "rms_dbfs", "active_dbfs", "leq_m_db", "floor_dbfs", "digital_silence_s", "head_s",
        "tail_s", "voice_to_bed_lu", "loudness_to_dialogue_lu", "mono_fold_down_lu",
        "correlation", "balance_db", "silent_channels",
    ):  # fmt: skip
        assert facts[name] == getattr(mix(), name), name
    for name in ("container", "codec", "rate_hz", "bits", "channels", "damaged", "missing_s"):
        assert facts[name] == getattr(WAV, name), name
    assert (facts["length"], facts["duration_s"]) == ("written", 30.0)
    assert facts_of(replace(WAV, unfinished=True), mix())["length"] == "never written"
    unstemmed = facts_of(WAV, mix(stems=None))
    assert unstemmed["foreign_stems"] is unstemmed["stem_lag_s"] is None
    assert unstemmed["stem_gain_db"] is None


def test_one_channel_heard_from_two_speakers_is_3_lu_louder():
    """Its loudness facts are, nothing else is, and two channels are as they are."""
    mono = replace(WAV, channels=1)
    one, two = facts_of(mono, mix()), facts_of(mono, mix(), two_speakers=True)
    for name, value in two.items():
        if name in (
            "integrated_lufs", "dialogue_lufs", "short_term_max_lufs", "momentary_max_lufs",
        ):  # fmt: skip
            assert value == pytest.approx(one[name] + TWO_SPEAKERS_LU), name
        else:
            assert value == one[name], name
    assert facts_of(WAV, mix(), two_speakers=True) == facts_of(WAV, mix())
    untold = mix(dialogue_lufs=None)
    assert facts_of(mono, untold, two_speakers=True)["dialogue_lufs"] is None


def test_a_video_plays_until_picture_and_sound_have_ended():
    """30 s of sound from 0.25 s on; the picture 30.5 s, or 29."""
    assert length_s(WAV) == 30.0
    assert length_s(VIDEO) == 30.5
    assert length_s(replace(VIDEO, picture_s=29.0)) == 30.25
    length = rule("duration_s", maximum=30.0)
    told = judged(length, source=VIDEO).checks[0]
    assert (told.value, told.verdict) == (30.5, "fail")
    assert reason(told) == "Until picture and sound have ended; the sound lasts 30.0 s."
    same = replace(VIDEO, picture_s=30.02, start_s=0.0)
    assert reason(judged(length, source=same).checks[0]) == ""
    assert judged(length).checks[0].verdict == "pass"
    loud = judged(rule("integrated_lufs", maximum=-22.0), source=VIDEO).checks[0]
    assert "picture" not in reason(loud)


def test_the_gain_to_the_target_moves_the_peaks_with_it():
    """-20 LUFS to -23: 3 dB down; from -30, 7 dB up, 5 dB over a limit of -1 dBTP."""
    peak = rule("level_dbtp", maximum=-1.0)
    result = judged(LEVEL, peak)
    assert (result.gain_to_target_db, result.true_peak_after_gain_dbtp) == (-3.0, -6.0)
    assert (result.limiter_db, result.peak_limit_dbtp) == (0.0, -1.0)
    assert result.target_lufs == -23.0
    assert result.verdict == "fail"
    soft = judged(LEVEL, peak, loudness={"integrated_lufs": -30.0})
    assert (soft.gain_to_target_db, soft.true_peak_after_gain_dbtp) == (7.0, 4.0)
    assert soft.limiter_db == 5.0
    either = replace(peak, alternative="sample_peak_dbfs")
    soft = judged(
        LEVEL, either, rule("sample_peak_dbfs", maximum=-1.0), loudness={"integrated_lufs": -30.0}
    )
    assert soft.limiter_db == pytest.approx(4.5)
    assert (result.name, result.title, result.note) == ("river", "River Radio", "")


def test_without_a_level_there_is_no_gain():
    """No rule for it, a silent mix, no peak: nothing is made up."""
    peak = rule("level_dbtp", maximum=-1.0)
    free = judged(peak)
    assert free.gain_to_target_db is free.true_peak_after_gain_dbtp is free.limiter_db is None
    assert free.verdict == "pass"
    silent = judged(LEVEL, peak, loudness={"integrated_lufs": -float("inf")})
    assert silent.gain_to_target_db is silent.true_peak_after_gain_dbtp is None
    assert silent.verdict == "fail"
    peakless = judged(LEVEL, peak, true_peak={"level_dbtp": None, "sample_peak_dbfs": None})
    assert peakless.gain_to_target_db == -3.0
    assert peakless.true_peak_after_gain_dbtp is peakless.limiter_db is None


def test_both_readings_of_one_channel_are_told():
    """The one that is judged and the other, where a loudness is asked for."""
    mono = replace(WAV, channels=1)
    assert judged(LEVEL).one_channel is None
    one = judged(LEVEL, source=mono, loudness={"integrated_lufs": -23.0})
    assert one.one_channel.reading == "one channel"
    assert one.one_channel.level_lufs == -23.0
    assert one.one_channel.other_lufs == pytest.approx(-23.0 + TWO_SPEAKERS_LU)
    assert (one.verdict, one.one_channel.other_verdict) == ("pass", "fail")
    assert not one.two_speakers
    two = judged(LEVEL, source=mono, two_speakers=True, loudness={"integrated_lufs": -23.0})
    assert two.one_channel.level_lufs == pytest.approx(-23.0 + TWO_SPEAKERS_LU)
    assert two.one_channel.other_lufs == -23.0
    assert (two.verdict, two.one_channel.other_verdict) == ("fail", "pass")
    assert two.two_speakers
    assert (two.one_channel.note, two.one_channel.date) == ("as they count", "2024")
    assert judged(rule("rms_dbfs", target=-20.0), source=mono).one_channel is None
    assert judged(rule("level_dbtp", maximum=-1.0), source=mono).one_channel is None


@pytest.mark.parametrize(
    ("codec", "container", "master"),
    [
        ("PCM", "WAV", True), ("FLAC", "FLAC", True), ("PCM", "MP4", False), ("AAC", "WAV", False),
        ("MP3", "MP3", False), ("PCM", "BW64", True),
    ],
)  # fmt: skip
def test_a_master_is_lossless_sound_alone(codec: str, container: str, master: bool):
    """Both its codec and its file type say so."""
    assert is_master(replace(WAV, codec=codec, container=container)) is master


def applies(one: Requirement, source: Source = WAV, **changed: Any) -> bool:
    """Return whether a rule is asked of a file."""
    return bool(rule_checks(place(one), source, mix(**changed)))


def test_a_rule_is_asked_only_where_there_is_an_answer():
    """What does not exist in such a file is no question."""
    encoded = rule("codec", one_of=("AAC",), when="encoded")
    assert applies(encoded, VIDEO)
    assert not applies(encoded)
    assert applies(replace(encoded, when="always"))
    for_some = rule("bits", minimum=24.0, containers=("WAV", "AIFF"))
    assert applies(for_some)
    assert not applies(for_some, replace(WAV, container="CAF"))
    container = rule("container", one_of=("MP4",))
    assert applies(container, VIDEO)
    assert not applies(container)
    assert not applies(container, replace(VIDEO, container="M4A"))
    for fact in ("mono_fold_down_lu", "correlation", "balance_db"):
        asked = rule(fact, minimum=-3.0)
        assert applies(asked)
        assert not applies(asked, replace(WAV, channels=1))
        assert not applies(asked, replace(WAV, channels=6))
        assert not applies(asked, **{fact: None})
    for fact in ("foreign_stems", "stem_lag_s", "stem_gain_db"):
        assert applies(rule(fact, maximum=0.0))
        assert not applies(rule(fact, maximum=0.0), stems=None)
    profile = rule("profile", one_of=("LC",))
    assert applies(profile, VIDEO)
    assert not applies(profile)
    assert not applies(profile, replace(VIDEO, codec="MP3"))
    assert applies(rule("bits", minimum=16.0))
    assert not applies(rule("bits", minimum=16.0), replace(WAV, bits=None))
    assert applies(rule("bitrate_kbps", minimum=128.0), VIDEO)
    assert not applies(rule("bitrate_kbps", minimum=128.0))
    assert not applies(rule("missing_s", maximum=0.0))
    assert applies(rule("missing_s", maximum=0.0), replace(WAV, missing_s=0.5))
    assert not applies(rule("damaged", maximum=0.0))
    assert applies(rule("damaged", maximum=0.0), replace(WAV, damaged=1))
    written = rule("length", one_of=("written",))
    assert not applies(written)
    assert applies(written, replace(WAV, unfinished=True))
    bed = rule("voice_to_bed_lu", minimum=10.0)
    advice = replace(bed, severity="warn")
    assert applies(advice)
    assert applies(bed, voice_to_bed_lu=None)
    assert not applies(advice, voice_to_bed_lu=None)
    assert not applies(rule("encoded_dbtp", maximum=0.0))
    assert applies(rule("range_lu", maximum=9.0), loudness={"range_lu": None})


def test_what_cannot_be_told_says_why():
    """The reason of the measurement, by its short or its dotted name."""
    short = mix(loudness={"range_lu": None, "not_measured": {"range_lu": "shorter than 60 s"}})
    (found,) = rule_checks(place(rule("range_lu", maximum=9.0)), WAV, short)
    assert (found.verdict, reason(found)) == ("cannot tell", "shorter than 60 s")
    own = mix(floor_dbfs=None, not_measured={"floor_dbfs": "no pause"})
    (found,) = rule_checks(place(rule("floor_dbfs", maximum=-60.0)), WAV, own)
    assert (found.verdict, reason(found)) == ("cannot tell", "no pause")
    (found,) = rule_checks(place(rule("floor_dbfs", maximum=-60.0)), WAV, mix(floor_dbfs=None))
    assert reason(found) == "not measured"


def test_a_dialogue_rule_without_the_voice_says_how_to_measure_it():
    """And what the whole programme reads, where that is within what is asked or not."""
    dialogue = rule("dialogue_lufs", target=-27.0, minimum=-29.0, maximum=-25.0)
    needs = {"dialogue_lufs": None, "not_measured": {"dialogue_lufs": "needs the voice stem"}}
    (near,) = rule_checks(place(dialogue), WAV, mix(loudness={"integrated_lufs": -26.0}, **needs))
    (far,) = rule_checks(place(dialogue), WAV, mix(**needs))
    for found in (near, far):
        assert found.verdict == "cannot tell"
        assert "--stem voice=FILE" in reason(found)
    assert "-26.0 LUFS" in reason(near)
    assert reason(near) != reason(far)
    silent = {"dialogue_lufs": None, "not_measured": {"dialogue_lufs": "the voice is silent"}}
    (found,) = rule_checks(place(dialogue), WAV, mix(**silent))
    assert reason(found) == "the voice is silent"
    unknown = mix(loudness={"integrated_lufs": None}, **needs)
    (found,) = rule_checks(place(dialogue), WAV, unknown)
    assert reason(found) == "needs the voice stem"


def test_a_mix_that_is_too_loud_for_the_cinema_is_told_by_how_much():
    """80.2 against 78: three whole decibels, so that it is surely below."""
    cinema = rule("leq_m_db", maximum=78.0, note="Of the trailer.")
    (found,) = rule_checks(place(cinema), WAV, mix(leq_m_db=80.2))
    assert (found.verdict, reason(found)) == ("fail", "Turn the mix down by 3 dB. Of the trailer.")
    (found,) = rule_checks(place(cinema), WAV, mix(leq_m_db=77.0))
    assert (found.verdict, reason(found)) == ("pass", "Of the trailer.")
    (found,) = rule_checks(place(replace(cinema, severity="warn")), WAV, mix(leq_m_db=80.2))
    assert "Turn" not in reason(found)


def test_the_peak_is_stricter_for_a_loud_programme():
    """-1.5 dBTP passes below -14 LUFS and is warned of above."""
    peak = rule("level_dbtp", maximum=-1.0, loud_from_lufs=-14.0, loud_warn_above=-2.0)
    for loudness, verdict in ((-16.0, "pass"), (-10.0, "warn")):
        facts = mix(true_peak={"level_dbtp": -1.5}, loudness={"integrated_lufs": loudness})
        assert rule_checks(place(peak), WAV, facts)[0].verdict == verdict


def peaks(*levels: float | None) -> tuple[EncodedPeak, ...]:
    codings = (Coding("aac", 128), Coding("mp3", 192))
    return tuple(
        EncodedPeak(
            codec=coding.codec.upper(), bitrate_kbps=coding.bitrate_kbps, encoder=str(coding),
            level_dbtp=level, reason="takes no surround" if level is None else "",
        )
        for coding, level in zip(codings, levels, strict=True)
    )  # fmt: skip


def test_the_peak_after_encoding_is_that_of_the_destinations_own_codec():
    """Of the two that were tried; one that is over is a warning with the rule's words."""
    over = rule("encoded_dbtp", maximum=0.0, severity="warn", note="It clips.")
    facts = mix(true_peak_after_encoding=peaks(0.4, -0.5))
    both = encoded_checks(over, facts)
    assert [check.verdict for check in both] == ["warn", "pass"]
    assert "AAC 128" in both[0].what
    assert "MP3 192" in both[1].what
    assert reason(both[0]).startswith("A prediction with ")
    assert reason(both[0]).endswith("It clips.")
    assert reason(both[1]).endswith("kb/s.")
    (own,) = encoded_checks(over, facts, Coding("mp3", 192))
    assert own == both[1]
    assert encoded_checks(over, facts, Coding("opus", 96)) == []
    (untold, _) = encoded_checks(over, mix(true_peak_after_encoding=peaks(None, 0.0)))
    assert (untold.verdict, reason(untold)) == ("cannot tell", "takes no surround")
    encoding = Encoding(codec="aac", bitrate_kbps=128, **WORD)
    kept = {"true_peak_after_encoding": peaks(0.4, -0.5)}
    level = replace(LEVEL, minimum=None, maximum=None)
    result = judged(level, encoded=over, more={"encoding": encoding}, **kept)
    assert [check.fact for check in result.checks] == ["integrated_lufs", "encoded_dbtp"]
    assert result.verdict == "warn"
    assert len(judged(level, encoded=None, more={"encoding": encoding}, **kept).checks) == 1
    assert len(judged(level, encoded=over, **kept).checks) == 1


@pytest.mark.parametrize(
    ("ingest", "lufs", "peak", "kind", "change", "moved"),
    [
        ({"turns_down": "yes"}, -10.0, -1.0, "down", -4.0, -4.0),
        ({"turns_down": "no"}, -10.0, -1.0, None, -4.0, None),
        ({"turns_down": "yes"}, -14.4, -1.0, "same", 0.4, 0.0),
        ({"turns_down": "yes"}, -13.6, -1.0, "same", -0.4, 0.0),
        ({"turns_down": "yes"}, -13.5, -1.0, "down", -0.5, -0.5),
        ({"turns_up": "no"}, -20.0, -8.0, "softer", 6.0, 0.0),
        ({"turns_up": "not published"}, -20.0, -8.0, None, 6.0, None),
        ({"turns_up": "yes"}, -20.0, -1.0, "up", 6.0, 6.0),
        ({"turns_up": "yes", "up_to_dbtp": -1.0}, -20.0, -8.0, "up", 6.0, 6.0),
        ({"turns_up": "yes", "up_to_dbtp": -1.0}, -20.0, -7.0, "up", 6.0, 6.0),
        ({"turns_up": "yes", "up_to_dbtp": -1.0}, -20.0, -5.0, "held", 6.0, 4.0),
        ({"turns_up": "yes", "up_to_dbtp": -1.0}, -20.0, 0.5, "held", 6.0, 0.0),
        ({"turns_up": "yes"}, -float("inf"), -1.0, None, None, None),
        ({"turns_up": "yes"}, None, -1.0, None, None, None),
        ({"turns_up": "yes", "to_lufs": None}, -20.0, -1.0, None, None, None),
        ({"turns_up": "yes"}, -20.0, None, None, None, None),
    ],
)
def test_what_a_destination_does_with_the_level(
    ingest: dict[str, Any], lufs: float | None, peak: float | None, kind: str | None,
    change: float | None, moved: float | None,
):  # fmt: skip
    """To -14 LUFS: turned down or up as it says, up to its peak, within 0.5 LU left alone."""
    arrival = judged(
        LEVEL,
        more={"ingest": Ingest(**{"to_lufs": -14.0, **WORD, **ingest}, text="as told")},
        loudness={"integrated_lufs": lufs},
        true_peak={"level_dbtp": peak},
    ).arrival
    assert arrival.kind == kind
    assert arrival.change_db == (None if change is None else pytest.approx(change))
    assert arrival.moved_db == (None if moved is None else pytest.approx(moved))
    assert (arrival.published, arrival.text) == (True, "as told")


def test_what_is_not_published_of_a_destination_is_said_to_be_so():
    """A rule of thumb about what it does; and nothing, where nothing is known."""
    thumb = Ingest(**{**WORD, "status": "common practice, no source"}, to_lufs=-14.0)
    assert judged(LEVEL, more={"ingest": thumb}).arrival.published is False
    assert judged(LEVEL).arrival is None


@pytest.mark.parametrize("name", ["ebu-r128", "spotify", "audiobook", "netflix"])
def test_a_mix_that_comes_nearer_to_a_level_is_never_judged_worse(name: str):
    """From 12 LU off down to the target, on either side."""
    destination = load_destinations()[name]
    grades = ("pass", "warn", "fail")
    level = destination.level
    for side in (-1.0, 1.0):
        seen = []
        for off in (12.0, 6.0, 3.0, 1.5, 0.8, 0.4, 0.0):
            value = level.target + side * off
            facts = mix(loudness={"integrated_lufs": value}, dialogue_lufs=value, rms_dbfs=value)
            checks = rule_checks(replace(destination, rules=(level,)), WAV, facts)
            seen.append(grades.index(checks[0].verdict))
        assert seen == sorted(seen, reverse=True)
        assert seen[-1] == 0
