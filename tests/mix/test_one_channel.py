"""One channel against two: how each destination counts it, and that both readings are shown."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.mix.signals import silence, tone, write
from vocheck.mix import check_mix
from vocheck.policy.destinations import load_destinations
from vocheck.report.page.mix import render_mix_page
from vocheck.report.text.mix import render_mix

AS_ONE, ON_TWO = -23.0, -19.99
"""A 1 kHz sine that peaks at -20 dBFS in one channel reads -23.0 LUFS (EBU Tech 3341, case 1: two
channels at -23 dBFS read -23, and one channel is 3.01 LU below two). On two speakers: 3.01 more."""


@pytest.fixture(scope="module")
def mono(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a tone in one channel."""
    return write(tmp_path_factory.mktemp("mono") / "mix.wav", tone(20, -19.99, channels=1))


def test_a_published_standard_counts_one_channel_as_one(mono: Path) -> None:
    """A one-channel file of -23.0 LUFS passes EBU R 128, whose target is -23.0."""
    result = check_mix(mono, ["ebu-r128"])
    (destination,) = result.destinations
    (level,) = [c for c in destination.checks if c.fact == "integrated_lufs"]
    assert level.value == pytest.approx(AS_ONE, abs=0.1)  # the tolerance of Tech 3341
    assert level.verdict == "pass"
    assert destination.gain_to_target_db == pytest.approx(0.0, abs=0.1)


def test_our_own_choice_counts_two_speakers_and_says_so(mono: Path) -> None:
    """Where nobody publishes a loudness, one channel counts as heard from two speakers."""
    (social,) = check_mix(mono, ["social"]).destinations
    (level,) = [c for c in social.checks if c.fact == "integrated_lufs"]
    assert level.value == pytest.approx(ON_TWO, abs=0.1)
    assert social.one_channel is not None
    assert social.one_channel.reading == "two speakers"
    assert social.one_channel.status == "our choice"


def test_both_readings_are_shown(mono: Path) -> None:
    """Text, page and data tell both readings, and what the other one would say."""
    result = check_mix(mono, ["ebu-r128"])
    for shown in (render_mix(result), render_mix_page([result], mono.parent)):
        words = " ".join(shown.split())
        assert "-23.0 LUFS as one channel, -20.0 LUFS as heard from two speakers" in words
        assert "One channel counts as one (ITU-R BS.1770) here (published standard)" in words
        assert "which would fail" in words
    plain = result.to_dict()
    read = plain["destinations"][0]["one_channel"]
    assert read["level_lufs"] == pytest.approx(AS_ONE, abs=0.1)
    assert read["other_lufs"] == pytest.approx(ON_TWO, abs=0.1)
    assert read["other_verdict"] == "fail"
    assert plain["measurements"]["loudness"]["two_speakers_lufs"] == pytest.approx(ON_TWO, abs=0.1)


def test_two_channels_have_one_reading(tmp_path: Path) -> None:
    """Nothing is said of one channel where there are two."""
    result = check_mix(write(tmp_path / "mix.wav", tone(5, -23)), ["ebu-r128", "social"])
    assert [d.one_channel for d in result.destinations] == [None, None]
    assert "one channel" not in render_mix(result)


def test_a_studio_chooses_the_reading(tmp_path: Path) -> None:
    """The switch is a key of the destination; a number of the studio's own leaves it alone."""
    path = write(tmp_path / "mix.wav", tone(20, -19.99, channels=1))
    (tmp_path / "vocheck.toml").write_text(
        """
        [destinations.ebu-r128.one_channel]
        reading = "two speakers"
        [destinations.client]
        like = "ebu-short"
        [destinations.client.rules.integrated_lufs]
        target = -23.0
        """,
        encoding="utf-8",
    )
    standard, client = check_mix(path, ["ebu-r128", "client"]).destinations
    assert standard.two_speakers
    assert standard.one_channel is not None
    assert standard.one_channel.status == "our choice"
    assert not client.two_speakers


def test_every_published_loudness_is_read_as_published() -> None:
    """No shipped destination counts two speakers under the name of a published number."""
    for destination in load_destinations().values():
        level = destination.level
        if level is not None and level.fact.endswith("_lufs"):
            published = level.status.startswith("published")
            assert destination.counts_two_speakers is not published, destination.name


def test_dialogue_of_one_channel_counts_as_one(tmp_path: Path) -> None:
    """The mix under the voice and the whole mix are read alike: a voice alone differs by 0 LU."""
    path = write(tmp_path / "mix.wav", tone(10, -24, channels=1), subtype="PCM_24")
    measured = check_mix(path, ["netflix"], {"voice": path}, encode=()).measurements
    # closed form: nothing but the voice, so the two are the same; 0.05 LU for the gates' blocks
    assert measured.loudness_to_dialogue_lu == pytest.approx(0.0, abs=0.05)
    assert measured.dialogue_lufs == pytest.approx(-27.0, abs=0.1)


def test_silence_in_one_channel_has_no_reading(tmp_path: Path) -> None:
    """Where there is no loudness, no reading is told."""
    result = check_mix(write(tmp_path / "mix.wav", silence(5, channels=1)), ["social"])
    assert "One channel counts" not in render_mix(result)
