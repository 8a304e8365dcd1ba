"""Which track of a video is measured, and in whose time: the file's."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.audio.test_containers import SILENT, sound, write_tracks
from vocheck.cli import run
from vocheck.errors import AudioError
from vocheck.mix import MixResult, check_mix
from vocheck.mix.judge import rule_checks
from vocheck.policy.destinations import load_destinations
from vocheck.report.page.mix import render_mix_page
from vocheck.report.text.mix import render_mix
from vocheck.wording.delivery import reason
from vocheck.wording.mix import track

COMMENTARY = 1 << 3  # AV_DISPOSITION_COMMENT


def words_of(result: MixResult) -> str:
    """Return the text without its line breaks."""
    return " ".join(render_mix(result).split())


def test_two_tracks_of_one_channel_are_left_and_right(tmp_path: Path) -> None:
    """Left at 440 Hz and right at 3000 Hz, 6 dB down, are measured as stereo, and that is said."""
    sides = [(sound(440, 5, 0.2), {}, 1), (sound(3000, 5, 0.1), {}, 1)]
    result = check_mix(write_tracks(tmp_path / "a.mov", "pcm_s24le", sides), [])
    assert result.source.channels == 2
    assert result.measurements.balance_db == pytest.approx(6.02, abs=0.01)  # closed form: 20 lg 2
    assert result.measurements.louder_side == "left"
    told = "Tracks 1 and 2 of 2, one channel each, were measured as left and right"
    assert told in words_of(result)
    assert told in render_mix_page([result], tmp_path)


def test_a_side_that_ends_early_ends_in_silence(tmp_path: Path) -> None:
    """The longer side is measured whole."""
    sides = [(sound(440, 5), {}, 1), (sound(440, 4), {}, 1)]
    result = check_mix(write_tracks(tmp_path / "a.mov", "pcm_s24le", sides), [])
    assert result.source.duration_s == pytest.approx(5.0)
    # closed form: 4 of 5 s
    assert result.measurements.balance_db == pytest.approx(10 * np.log10(5 / 4), abs=0.01)


@pytest.mark.parametrize(
    ("tracks", "told"),
    [
        ([(SILENT, {}, 1), (sound(440), {}, 1)], "Track 2 of 2 was measured: track 1 is silent."),
        (
            [(sound(440), {"title": "M&E"}, 0), (sound(3000), {"title": "Mix"}, 0)],
            "Track 2 of 2 was measured: track 1 is marked as no main programme",
        ),
        (
            [(sound(440), {}, 1), (sound(3000), {}, COMMENTARY)],
            "Track 1 of 2 was measured: track 2 is marked as no main programme.",
        ),
        (
            [(sound(440), {"language": "eng"}, 1), (sound(3000), {"language": "deu"}, 0)],
            "Track 1 of 2 was measured: nothing in the file marks another as the main one.",
        ),
        ([(SILENT, {}, 1), (SILENT, {}, 0)], "all of them are silent"),
    ],
)
def test_which_track_and_why(tmp_path: Path, tracks: list, told: str) -> None:
    """The track is chosen by flags and content, and the reason is told."""
    result = check_mix(write_tracks(tmp_path / "a.mkv", "pcm_s16le", tracks), [])
    assert told in track(result)
    assert " ".join(told.split()) in words_of(result)


def test_a_track_that_is_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``--track`` measures that one; a track that is not there is one line."""
    tracks = [(sound(440), {}, 1), (sound(3000), {}, 0)]
    path = write_tracks(tmp_path / "a.mov", "pcm_s16le", tracks)
    result = check_mix(path, [], track=2)
    assert (result.source.track, result.source.channels) == (2, 1)
    assert track(result) == "Track 2 of 2 was measured, as asked."
    with pytest.raises(AudioError, match="2 audio tracks; there is no track 3"):
        check_mix(path, [], track=3)
    assert run(["mix", str(path), "--track", "2", "--encode", "none"]) == 0
    assert "Track 2 of 2 was measured, as asked." in capsys.readouterr().out


def test_places_are_in_the_time_of_the_file(tmp_path: Path) -> None:
    """A burst 1 s into a track that starts at 2 s stands at 3 s, in facts, curve and page."""
    samples = sound(440, 6, 0.01)
    samples[48000:72000] *= 50.0
    path = write_tracks(
        tmp_path / "late.mov", "pcm_s24le", [(samples, {}, 1)], picture_s=8.0, start_s=2.0
    )
    result = check_mix(path, [])
    measured = result.measurements
    assert result.source.start_s == pytest.approx(2.0, abs=0.04)
    assert measured.loudness.momentary_max_s == pytest.approx(3.25, abs=0.11)
    assert measured.true_peak.time_s is not None
    assert 2.96 <= measured.true_peak.time_s <= 3.54
    assert result.over_time.start_s == result.source.start_s
    assert '"end_s": 8' in render_mix_page([result], tmp_path).replace(" 8.0", " 8")


def test_a_rule_about_length_is_about_the_film(tmp_path: Path) -> None:
    """4 s of sound under a picture of 8 s is a film of 8 s, and the check says what it counted."""
    path = write_tracks(tmp_path / "film.mov", "pcm_s24le", [(sound(440, 4), {}, 1)], picture_s=8.0)
    result = check_mix(path, ["snapchat-ads"], encode=())
    (length,) = [c for c in result.destinations[0].checks if c.fact == "duration_s"]
    assert length.value == pytest.approx(8.0, abs=0.05)
    assert "the sound lasts 4.0 s" in reason(length)
    assert "picture 8.0 s, sound 4.0 s" in words_of(result)


@pytest.mark.parametrize(("name", "verdict"), [("x", "fail"), ("youtube", "warn")])
def test_the_aac_profile_is_checked_where_it_is_asked_for(
    tmp_path: Path, name: str, verdict: str
) -> None:
    """AAC-LC passes; HE-AAC does not (no encoder of it is at hand, so the source is made up)."""
    from dataclasses import replace

    path = write_tracks(tmp_path / "a.mp4", "aac", [(sound(440, 2), {}, 1)], picture_s=2.0)
    result = check_mix(path, [name], encode=())
    (profile,) = [c for c in result.destinations[0].checks if c.fact == "profile"]
    assert (profile.value, profile.verdict) == ("LC", "pass")
    he = replace(result.source, profile="HE-AAC")
    checks = rule_checks(load_destinations()[name], he, result.measurements)
    assert {c.fact: c.verdict for c in checks}["profile"] == verdict
