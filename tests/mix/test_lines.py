"""Lines of the voice-over in constructed mixes: where, how far over the bed, and which take.

The ratio of voice to bed is known: both are measured apart, by the meter of ITU-R BS.1770, over the
places where the voice is active. The takes are those of the demo session, the bed is made here.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
import webvtt
from scipy import signal

from tests.material.demo_session import FOLDER
from tests.material.mixes import lead_lu
from vocheck.cli import run
from vocheck.mix import LineInMix, LineTakes, find_lines

RATE = 48000
START_S = 2.345
TAKES = {number: FOLDER / f"03_hands_t{number}.flac" for number in (1, 2, 4)}


def sound(path: Path) -> np.ndarray:
    samples, _ = soundfile.read(path, always_2d=True)
    return samples[:, 0]


def bed(seconds: float) -> np.ndarray:
    """Return swelling chords with noise, different left and right, shape (frames, 2)."""
    rng = np.random.default_rng(9)
    t = np.arange(round(seconds * RATE)) / RATE
    chords = np.zeros(len(t))
    for start in np.arange(0.0, seconds, 1.5):
        inside = (t >= start) & (t < start + 1.5)
        fade = np.sin(np.pi * (t[inside] - start) / 1.5)
        for tone in rng.uniform(110.0, 1800.0, 6):
            chords[inside] += fade * np.sin(2 * np.pi * tone * t[inside])
    noise = signal.lfilter([1.0], [1.0, -0.9], rng.standard_normal((len(t), 2)), axis=0)
    return np.stack([chords, np.roll(chords, 210)], axis=1) + 0.3 * noise


def equalized(voice: np.ndarray) -> np.ndarray:
    """Return a voice without rumble and with more presence, as mixes have them."""
    b, a = signal.butter(2, 100.0 / (RATE / 2), "high")
    taps = signal.firwin2(201, [0.0, 0.05, 0.2, 1.0], [1.0, 1.0, 1.8, 1.8])
    return np.convolve(signal.lfilter(b, a, voice), taps)[100 : 100 + len(voice)]


VOICE = sound(TAKES[1])
BED = bed(len(VOICE) / RATE + 6.0)


def mixed(path: Path, voice: np.ndarray, lead: float) -> Path:
    """Write a mix in which a voice stands so far over the bed."""
    placed = np.zeros_like(BED)
    at = round(START_S * RATE)
    placed[at : at + len(voice)] = voice[:, None]
    under = BED * 10 ** ((lead_lu(placed, BED, RATE) - lead) / 20)
    both = placed + under
    soundfile.write(path, 0.5 * both / np.abs(both).max(), RATE, "FLOAT")
    return path


def found(mix: Path, chosen: int = 1, others: tuple[int, ...] = (2, 4)) -> LineInMix:
    takes = LineTakes(str(TAKES[chosen]), tuple(str(TAKES[number]) for number in others))
    (line,) = find_lines(mix, {"03_hands": takes})
    return line


@pytest.mark.parametrize("lead", [18.0, 10.5, 6.0, 1.0])
@pytest.mark.parametrize("way", [np.asarray, equalized])
def test_the_ratio_of_voice_to_bed_is_found_without_stems(tmp_path: Path, lead: float, way):
    """Within 1 LU, and the take to a millisecond; docs/accuracy/lines.md has more material."""
    line = found(mixed(tmp_path / "mix.wav", way(VOICE), lead))
    assert line.state == "chosen"
    assert line.start_s == pytest.approx(START_S, abs=0.001)
    assert line.voice_to_bed_lu == pytest.approx(lead, abs=1.0)
    assert line.balance == ("clear" if lead > 10 else "weak" if lead > 4 else "sunk")
    assert line.verdict == {"clear": "pass", "weak": "warn", "sunk": "fail"}[line.balance]


def test_another_take_is_told(tmp_path: Path):
    """The mix has take 1; take 4 was chosen."""
    line = found(mixed(tmp_path / "mix.wav", VOICE, 12.0), chosen=4, others=(1, 2))
    assert line.state == "another take"
    assert line.found == str(TAKES[1])
    assert line.verdict == "warn"
    assert line.start_s == pytest.approx(START_S, abs=0.001)


def test_a_line_that_is_not_there_is_not_found(tmp_path: Path):
    """The bed alone, and the bed with another line."""
    for voice in (np.zeros(RATE), sound(FOLDER / "01_river_t1.flac")[: len(VOICE)]):
        path = tmp_path / "mix.wav"
        placed = np.zeros_like(BED)
        placed[RATE : RATE + len(voice)] = voice[:, None]
        soundfile.write(path, 0.1 * BED / np.abs(BED).max() + placed, RATE, "FLOAT")
        line = found(path)
        assert line.state == "missing"
        assert line.voice_to_bed_lu is None
        assert line.verdict == "warn"


def test_a_line_of_which_half_was_cut_is_told_as_a_part(tmp_path: Path):
    """The last two thirds are gone."""
    cut = VOICE.copy()
    cut[len(cut) // 3 :] = 0.0
    line = found(mixed(tmp_path / "mix.wav", cut, 15.0))
    assert line.state == "in part"
    assert line.share == pytest.approx(0.33, abs=0.15)


def test_a_mix_that_is_cut_flat_under_a_line_is_told(tmp_path: Path):
    """Within the line, and nowhere else."""
    path = mixed(tmp_path / "mix.wav", VOICE, 15.0)
    samples, _ = soundfile.read(path)
    samples = np.clip(samples * 3.0, -1.0, 1.0)
    soundfile.write(path, samples, RATE, "PCM_24")
    line = found(path)
    assert line.clipped_s
    assert all(START_S <= s <= START_S + len(VOICE) / RATE for s in line.clipped_s)
    assert line.verdict == "fail"


def test_the_command_tells_lines_and_writes_markers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    """The demo: take 3 of the kiln is in the mix, take 2 was circled; two lines are not in it."""
    markers = tmp_path / "lines.vtt"
    words = ["mix", str(FOLDER / "mix.flac"), "--takes", str(FOLDER), "--encode", "none", "-q"]
    run([*words, "--format", "json", "--markers", str(markers)])
    told = json.loads(capsys.readouterr().out)
    states = {line["line"]: line["state"] for line in told["lines"]}
    assert states == {
        "01_river": "chosen",
        "02_kiln": "another take",
        "03_hands": "missing",
        "04_bowl": "missing",
    }
    captions = [caption.text for caption in webvtt.read(markers)]
    assert any("it is 02_kiln_t3.flac, not 02_kiln_t2.flac" in text for text in captions)
    assert len(captions) == 3
    assert run(["mix", str(FOLDER / "mix.flac"), "--markers", str(markers)]) == 2
    assert "--markers does nothing without --takes" in capsys.readouterr().err
