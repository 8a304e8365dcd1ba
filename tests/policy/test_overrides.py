"""A studio's number judges, and is what the reports show."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.booth.test_booth import SESSION, measured
from tests.mix.signals import noise, tone, write
from vocheck.booth import Booth, forecast_headroom
from vocheck.cli import run
from vocheck.mix import check_mix
from vocheck.policy.every import Policy, load_policy
from vocheck.report.page import render_mix_page
from vocheck.takes.match import match_results
from vocheck.takes.rank import rank_line


def studio(folder: Path, text: str) -> Policy:
    """Return the policy of a vocheck.toml in a folder."""
    (folder / "vocheck.toml").write_text(text, encoding="utf-8")
    return load_policy(folder / "vocheck.toml")


def test_the_limit_of_a_take_is_told_with_its_number_and_source(tmp_path: Path, capsys):
    """The demo take's floor lies over -76 dBFS: with that limit it is a finding."""
    shutil.copy(SESSION / "01_river_t4.flac", tmp_path)
    studio(tmp_path, "[limits.noise_floor]\nretake = -77.25\n")
    take = str(tmp_path / "01_river_t4.flac")
    assert run(["take", take, "--no-cache", "--format", "json"]) == 1
    (found,) = json.loads(capsys.readouterr().out)["findings"][:1]
    assert (found["name"], found["limit"]) == ("noise_floor", -77.25)
    assert found["limit_source"].startswith(str(tmp_path / "vocheck.toml"))
    assert found["limit_status"] == "our choice"


def test_explain_and_targets_show_the_studio(tmp_path: Path, monkeypatch, capsys):
    """What is explained is what judges."""
    studio(
        tmp_path,
        "[limits.hum]\nnote = -51.5\n[room.room_live]\nnote = 0.275\n"
        "[destinations.social.rules.integrated_lufs]\ntarget = -16.5\n"
        "[drift.level]\nbeyond = 4.25\n[match.level]\nwithin = 1.25\n"
        "[mix.same_level]\nwithin_lu = 0.75\n[positions.noise]\nbeyond = 3.25\n",
    )
    monkeypatch.chdir(tmp_path)
    for command, number in (
        (["explain", "hum"], "-51.5"),
        (["explain", "room_live"], "0.275"),
        (["explain", "drift.level"], "beyond = 4.25"),
        (["explain", "match.level"], "within = 1.25"),
        (["explain", "mix"], "within_lu = 0.75"),
        (["explain", "positions"], "beyond = 3.25"),
        (["targets", "social"], "-16.5"),
        (["targets"], "-16.5 LUFS"),
    ):
        assert run(command) == 0
        assert number in capsys.readouterr().out


def test_drift_and_headroom_are_those_of_the_studio(tmp_path: Path):
    """5 dB of gain is 5 LU of level: told as shipped (3), not with 6; so is the rise of a read."""
    loud = replace(measured("01_river_t4", gain_db=5.0), path="louder")
    own = studio(tmp_path, "[drift.level]\nbeyond = 6.0\n[headroom.test_read]\nrise_db = 1.5\n")
    told = []
    for policy in (Policy(), own):
        booth = Booth(policy=policy)
        booth.add(measured("01_river_t4"))
        drift = booth.drift(loud)
        told.append(drift.cause if drift else None)
    assert told == ["gain", None]
    shipped, owned = (forecast_headroom(loud, policy) for policy in (Policy(), own))
    assert shipped is not None
    assert owned is not None
    assert shipped.expected_dbtp - owned.expected_dbtp == pytest.approx(4.5)
    assert owned.source == str(tmp_path / "vocheck.toml")


def test_the_tolerance_of_a_pickup_is_that_of_the_studio(tmp_path: Path):
    """2 LU of level can be matched as shipped (1), and match with 3."""
    pair = measured("01_river_t4"), measured("01_river_t4", gain_db=2.0)
    own = studio(tmp_path, "[match.level]\nwithin = 3.0\n")
    shipped, owned = (match_results(*pair, policy).differences[0] for policy in (Policy(), own))
    assert (shipped.verdict, shipped.within) == ("can be matched", 1.0)
    assert (owned.verdict, owned.within) == ("matches", 3.0)
    assert owned.source == str(tmp_path / "vocheck.toml")


def test_the_ranking_weighs_as_the_studio_says(tmp_path: Path):
    """Noise 16 dB up costs two steps of 8 dB; a weight of 0 makes it cost nothing."""
    pair = [measured("01_river_t4"), measured("01_river_t4", added_noise_dbfs=-60.0)]
    pair = [replace(take, path=str(i), verdict="keep") for i, take in enumerate(pair)]
    own = studio(tmp_path, "[ranking.noise]\nweight = 0.0\n")
    shipped, owned = (rank_line("l", pair, policy=policy).order for policy in (Policy(), own))
    assert min(take.score for take in owned) > min(take.score for take in shipped) + 1.0


def test_the_page_of_a_mix_draws_the_limit_that_judged(tmp_path: Path):
    """Voice over bed: the line stands at the studio's number."""
    mix = write(tmp_path / "mix.wav", tone(8, -16) + noise(8, -33))
    voice = write(tmp_path / "voice.wav", tone(8, -16))
    bed = write(tmp_path / "bed.wav", noise(8, -33))
    studio(tmp_path, "[destinations.mix.rules.voice_to_bed_lu]\nminimum = 7.25\n")
    result = check_mix(mix, [], stems={"voice": voice, "bed": bed})
    page = render_mix_page([result], tmp_path)
    assert "at least 7.25 LU" in page
    (check,) = (check for check in result.checks if check.fact == "voice_to_bed_lu")
    assert check.lowest == 7.25
    assert check.source == str(tmp_path / "vocheck.toml")
    assert np.isfinite(check.value)
