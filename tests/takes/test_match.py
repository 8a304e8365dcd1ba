"""A pickup against a reference take, with differences made by hand."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, sosfilt

from tests.material.demo_session import FOLDER
from vocheck.cli import run
from vocheck.takes.match import match_take
from vocheck.wording.match import distance_hint, sentence

REFERENCE = FOLDER / "02_kiln_t3.flac"


def changed(folder: Path, name: str, change) -> Path:
    samples, rate = soundfile.read(REFERENCE)
    file = folder / f"02_kiln_{name}_t9.wav"
    soundfile.write(file, change(samples, rate), rate, "FLOAT")
    return file


def difference(result, name: str):
    return next(d for d in result.differences if d.name.startswith(name))


def test_a_take_matches_itself():
    """Every difference is nothing, and nothing is suggested."""
    result = match_take(REFERENCE, REFERENCE)
    assert result.verdict == "matches"
    assert {d.difference for d in result.differences if d.difference is not None} == {0.0}
    assert result.eq == ()
    assert distance_hint(result) is None


@pytest.mark.parametrize("gain_db", [-6.0, 4.0])
def test_a_gain_is_found_and_taken_back(tmp_path: Path, gain_db: float):
    """Closed form: the level differs by the gain, and only the level does."""
    file = changed(tmp_path, "gain", lambda x, _: x * 10 ** (gain_db / 20))
    result = match_take(REFERENCE, file)
    assert difference(result, "level").difference == pytest.approx(gain_db, abs=0.01)
    assert result.gain_db == pytest.approx(-gain_db, abs=0.01)
    assert result.verdict == "can be matched"
    others = [d for d in result.differences if d.name != "level" and d.difference is not None]
    assert all(d.verdict == "matches" for d in others)


def test_noise_under_the_voice_is_found(tmp_path: Path):
    """Noise 20 dB over the reference's floor: far beyond what the edit hides."""

    def noisy(x: np.ndarray, _: int) -> np.ndarray:
        return x + np.random.default_rng(0).standard_normal(len(x)) * 10 ** (-54 / 20)

    found = difference(match_take(REFERENCE, changed(tmp_path, "noise", noisy)), "noise")
    assert found.verdict == "differs"
    assert found.difference > 15


def test_lost_bass_is_found_and_the_distance_hinted_at(tmp_path: Path):
    """A first-order cut of the bass, as moving away from a cardioid makes: tone, curve and hint."""

    def thin(x: np.ndarray, rate: int) -> np.ndarray:
        return sosfilt(butter(2, 300, "highpass", fs=rate, output="sos"), x)

    file = changed(tmp_path, "thin", thin)
    result = match_take(REFERENCE, file)
    assert difference(result, "tone").verdict != "matches"
    assert "further from the microphone" in distance_hint(result)
    gains = {band.centre_hz: band.gain_db for band in result.eq}
    assert gains[125.0] > 3.0  # the curve brings the bass back
    assert max(map(abs, gains.values())) <= 6.0


def test_other_words_of_little_length_are_not_compared_in_tone():
    """Tone of different words needs seven seconds of speech: the report says so."""
    result = match_take(REFERENCE, FOLDER / "03_hands_t1.flac")
    found = difference(result, "tone")
    assert found.difference is None
    assert "7 s of speech" in sentence(found)


def test_faultless_takes_of_one_line_can_be_cut_together():
    """Nothing between them calls for recording again."""
    assert match_take(REFERENCE, FOLDER / "02_kiln_t4.flac").verdict != "differs"


def test_a_roomier_take_differs():
    """The take with the live room cannot be cut against the dry one."""
    result = match_take(FOLDER / "04_bowl_t2.flac", FOLDER / "04_bowl_t1.flac")
    assert result.verdict == "differs"
    assert difference(result, "reverberation").difference > 0.2


def test_the_command(tmp_path: Path, capsys):
    """Text answers first, JSON is plain, the status tells, a bad file is one line."""
    bad = tmp_path / "02_kiln_t8.wav"
    bad.write_bytes(b"not audio")
    assert run(["match", str(REFERENCE), str(REFERENCE)]) == 0
    assert "MATCHES" in capsys.readouterr().out.splitlines()[0]
    assert run(["match", str(REFERENCE), str(REFERENCE), str(bad), "--format", "json"]) == 2
    said = capsys.readouterr()
    assert json.loads(said.out)[0]["verdict"] == "matches"
    assert "02_kiln_t8.wav" in said.err
    bowl = [str(FOLDER / f"04_bowl_t{i}.flac") for i in (2, 1)]
    assert run(["match", *bowl]) == 1
