"""The comp sheet: which take is best where."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.material.demo_session import FOLDER, truth
from vocheck.cli import run
from vocheck.takes.comp import comp_takes

LINE = "02_kiln"


def with_clicks(take: str, folder: Path, start_s: float, end_s: float) -> Path:
    """Write a copy of a take with a digital click every 0.2 s between two moments."""
    samples, rate = soundfile.read(FOLDER / f"{take}.flac")
    frames = np.arange(int(start_s * rate), int(end_s * rate), rate // 5)
    samples[frames] += 0.5
    file = folder / f"{take}.wav"
    soundfile.write(file, samples, rate, "PCM_24")
    return file


def spoiled(folder: Path) -> None:
    """Write two takes of a line: one is spoiled in its first sentence, the other in its second."""
    words = truth()["takes"][f"{LINE}_t3"]["words"]
    split = next(i for i, word in enumerate(words) if word["word"].startswith("For"))
    for take, part in ((f"{LINE}_t3", words[:split]), (f"{LINE}_t4", words[split:])):
        mine = {w["word"]: w for w in truth()["takes"][take]["words"]}
        start, end = mine[part[0]["word"]]["start_s"], mine[part[-1]["word"]]["end_s"]
        with_clicks(take, folder, start, end)


def test_the_path_takes_each_phrase_from_the_take_that_has_it_clean(tmp_path: Path):
    """One take is spoiled in its first sentence, the other in its second: one cut joins them."""
    spoiled(tmp_path)
    (sheet,) = comp_takes([tmp_path], notes={}).sheets
    names = [Path(path).stem for path in sheet.takes]
    chosen = [names[phrase.chosen] for phrase in sheet.phrases]
    assert chosen[0] == f"{LINE}_t4"
    assert chosen[-1] == f"{LINE}_t3"
    assert sheet.cuts == 1
    assert sheet.path_points < sheet.best_single_points
    (join,) = sheet.joins
    phrases = {phrase.number: phrase for phrase in sheet.phrases}
    assert join.out_s == phrases[join.after].readings[join.before_take].end_s
    assert join.in_s == phrases[join.after + 1].readings[join.after_take].start_s
    # the path costs its phrases and its joins, and a join costs the sum of its parts
    read = sum(phrase.readings[phrase.chosen].points for phrase in sheet.phrases)
    assert sheet.path_points == pytest.approx(read + join.points)
    assert join.points == pytest.approx(sum(join.parts.values()))
    assert join.parts["cut"] > 0
    points = sheet.join_points[join.after - 1]
    assert points[join.before_take][join.after_take] == pytest.approx(join.points)
    assert all(points[take][take] == 0 for take in range(len(sheet.takes)))


def test_a_clean_take_is_used_whole():
    """A cut has to earn itself: between faultless takes none does."""
    takes = [FOLDER / f"{take}.flac" for take in truth()["lines"][LINE]["faultless"]]
    (sheet,) = comp_takes(takes, notes={}).sheets
    assert sheet.cuts == 0
    assert sheet.deviations == ()


def test_phrases_are_cut_in_the_pauses():
    """No cut lies inside a word of any take."""
    (sheet,) = comp_takes(sorted(FOLDER.glob(f"{LINE}_t*.flac")), notes={}).sheets
    assert len(sheet.phrases) > 1
    for phrase in sheet.phrases[1:]:
        for reading in phrase.readings:
            take = Path(sheet.takes[reading.take]).stem
            for word in truth()["takes"][take]["words"]:
                # 0.03 s: the synthesiser's word ends leave out the last release
                assert not word["start_s"] + 0.03 < reading.start_s < word["end_s"] - 0.03


def test_a_line_of_which_no_take_can_be_read_is_told(tmp_path: Path, capsys):
    """Status 2 and one line per file; the other lines are done."""
    shutil.copy(FOLDER / "01_river_t1.flac", tmp_path)
    (tmp_path / "09_ferry_t1.wav").write_bytes(b"not audio")
    assert run(["comp", str(tmp_path), "--format", "json"]) == 2
    said = capsys.readouterr()
    page = tmp_path / "page.html"
    assert run(["comp", str(tmp_path), "--format", "json", "--html", str(page)]) == 2
    assert capsys.readouterr() == said
    assert "01_river" in page.read_text("utf-8")
    sheets = json.loads(said.out)
    assert [len(sheet["takes"]) for sheet in sheets] == [1, 0]
    assert "09_ferry_t1.wav" in said.err
    assert "Traceback" not in said.err


def test_the_command_answers_first(capsys):
    """The first thing said of a line is what to use."""
    takes = [str(FOLDER / f"{take}.flac") for take in truth()["lines"][LINE]["faultless"]]
    assert run(["comp", *takes]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == f"Line {LINE}"
    assert lines[1].startswith("  Use take")


@pytest.mark.parametrize("take", ["01_river_t1"])
def test_a_single_take_is_a_sheet_too(take: str):
    """Nothing to compare with, nothing to cut."""
    (sheet,) = comp_takes([FOLDER / f"{take}.flac"], notes={}).sheets
    assert sheet.cuts == 0
    assert sheet.path_points == pytest.approx(sheet.best_single_points)
