"""The demo session is what its ``truth.json`` and its README say it is.

Facts of the files are read with soundfile, not with vocheck.
"""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

SESSION = Path(__file__).parents[1] / "fixtures" / "session"
TRUTH = json.loads((SESSION / "truth.json").read_text(encoding="utf-8"))
TAKES = TRUTH["takes"]


def test_the_session_is_complete_and_small():
    """Four takes of four lines, room tone and a mix, all FLAC, under 15 MB in all."""
    audio = {path.stem for path in SESSION.glob("*.flac")}
    assert audio == {*TAKES, "room_tone", "mix"}
    suffixes = {".flac", ".txt", ".csv", ".json", ".edl"}
    assert {path.suffix for path in SESSION.iterdir()} == suffixes
    assert len(TAKES) == 16
    assert sum(path.stat().st_size for path in SESSION.iterdir()) < 15_000_000
    facts = soundfile.info(SESSION / "mix.flac")
    assert (facts.samplerate, facts.channels, facts.subtype) == (48000, 2, "PCM_24")
    assert soundfile.info(SESSION / "room_tone.flac").duration == 20


@pytest.mark.parametrize("name", TAKES)
def test_each_take_is_what_the_truth_says(name):
    """Format, length, level of noise and voice, and head and tail of each take.

    Tolerance 1 dB. Noise is read before the first word: half a second of noise that lies mostly
    below 200 Hz holds some 100 independent values, whose level is spread by 0.4 dB. The voice is
    read in its words, where pops and noise come on top.
    """
    take = TAKES[name]
    samples, rate = soundfile.read(SESSION / f"{name}.flac")
    assert (rate, samples.ndim, soundfile.info(SESSION / f"{name}.flac").subtype) == (
        48000,
        1,
        "PCM_24",
    )
    assert 7.5 < len(samples) / rate < 14
    words = take["words"]
    assert 0.5 < words[0]["start_s"] < 1.1
    assert 0.5 < len(samples) / rate - words[-1]["end_s"] < 1.1
    kinds = {fault["kind"] for fault in take["faults"]}
    head = samples[: int((words[0]["start_s"] - 0.1) * rate)]
    if "hum" not in kinds:
        assert 20 * np.log10(np.std(head)) == pytest.approx(take["noise_dbfs"], abs=1.0)
    spoken = np.concatenate(
        [samples[int(w["start_s"] * rate) : int(w["end_s"] * rate)] for w in words]
    )
    assert 20 * np.log10(np.std(spoken)) == pytest.approx(take["speech_dbfs"], abs=1.0)
    assert (np.abs(samples).max() > 0.999) == ("clipping" in kinds)


def test_the_words_are_those_of_the_script():
    """Every take reads its line word for word, but for the word that was dropped."""
    script = dict(
        line.split(": ", 1)
        for line in (SESSION / "script.txt").read_text(encoding="utf-8").splitlines()
    )
    assert list(script) == list(TRUTH["lines"])
    for take in TAKES.values():
        expected = [word.strip(".,") for word in script[take["line"]].split()]
        for fault in take["faults"]:
            if fault["kind"] == "dropped word":
                expected.remove(fault["word"])
        assert [word["word"] for word in take["words"]] == expected


def test_every_line_has_faultless_takes_and_a_best_one():
    """`faultless` takes have no fault, and the best of them has the least noise."""
    for line, facts in TRUTH["lines"].items():
        clean = [n for n, take in TAKES.items() if take["line"] == line and not take["faults"]]
        assert clean == facts["faultless"]
        assert facts["best"] == min(clean, key=lambda name: TAKES[name]["noise_dbfs"])


def test_every_kind_of_fault_is_planted():
    """The kinds the README lists, each once; two pops."""
    kinds = sorted(fault["kind"] for take in TAKES.values() for fault in take["faults"])
    assert kinds == sorted(
        ["plosive", "plosive", "clipping", "hum", "noise", "reverberation", "sibilance", "level"]
        + ["dropped word"]
    )


def test_the_notes_are_about_takes_of_the_session():
    """Every note names a take, and one of each line is circled."""
    with (SESSION / "notes.csv").open(encoding="utf-8", newline="") as file:
        notes = list(csv.DictReader(file))
    assert {note["take"] for note in notes} <= set(TAKES)
    circled = [TAKES[note["take"]]["line"] for note in notes if note["circled"]]
    assert sorted(circled) == sorted(TRUTH["lines"])
