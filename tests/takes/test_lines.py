"""Takes whose names prove nothing are sorted by their sound: only the same words are ranked."""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from pathlib import Path

import pytest

from tests.material.demo_session import FOLDER, truth
from vocheck.report.text.comp import render_sheets
from vocheck.takes.comp import comp_takes
from vocheck.takes.rank import Ranking, rank_takes
from vocheck.wording.ranking import sound_sentences, take_names

LINES = list(truth()["lines"])


def copied(names: Iterable[tuple[str, str]], folder: Path) -> Path:
    """Copy demo takes under other names: (take, name)."""
    for take, name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(FOLDER / f"{take}.flac", folder / name)
    return folder


def together(ranking: Ranking) -> set[frozenset[str]]:
    return {
        frozenset(f"{Path(t.path).parent.name}/{Path(t.path).stem}" for t in line.order)
        for line in ranking.lines
    }


def test_four_lines_under_one_number_are_not_merged(tmp_path: Path):
    """03-01 to 03-04 seem to be takes of line 03; they are four texts."""
    names = [(f"{line}_t1", f"s/03-0{i}.flac") for i, line in enumerate(LINES, start=1)]
    ranking = rank_takes([copied(names, tmp_path)], notes={})
    assert together(ranking) == {frozenset({f"s/03-0{i}"}) for i in range(1, 5)}
    assert "different words" in sound_sentences(ranking)[0]
    assert "--pattern" in sound_sentences(ranking)[-1]


def test_takes_of_a_recorder_s_names_are_put_together_by_their_words(tmp_path: Path):
    """Three texts in a row under a counter are three lines, each with its takes."""
    takes = [f"{line}_t{take}" for line in LINES[:3] for take in (1, 2)]
    names = [(take, f"s/260504_{i:03}.flac") for i, take in enumerate(takes, start=1)]
    ranking = rank_takes([copied(names, tmp_path)], notes={})
    assert together(ranking) == {
        frozenset({f"s/260504_{i:03}", f"s/260504_{i + 1:03}"}) for i in (1, 3, 5)
    }


def test_a_name_that_is_not_understood_is_told_with_how_to_say_it(tmp_path: Path):
    """A recorder's file among named takes is left out, and the two ways to name it are told."""
    names = [("02_kiln_t1", "s/kiln_t1.flac"), ("02_kiln_t3", "s/260504_001.flac")]
    ranking = rank_takes([copied(names, tmp_path)], notes={})
    assert [Path(path).name for path in ranking.left_out] == ["260504_001.flac"]
    (sentence,) = sound_sentences(ranking)
    assert "--pattern" in sentence
    assert "notes.csv" in sentence


def test_the_same_words_stay_one_line_and_it_is_said_how_that_is_known(tmp_path: Path):
    """kiln_01 and kiln_02 are takes of one line."""
    names = [("02_kiln_t1", "s/kiln_01.flac"), ("02_kiln_t3", "s/kiln_02.flac")]
    ranking = rank_takes([copied(names, tmp_path)], notes={})
    (line,) = ranking.lines
    assert (line.line, sorted(take_names(line))) == ("kiln", ["take 1", "take 2"])
    (sentence,) = sound_sentences(ranking)
    assert "by their sound they are" in sentence


@pytest.mark.parametrize(
    ("second", "lines"), [("02_kiln_t3", ["kiln"]), ("04_bowl_t2", ["day 1/kiln", "day 2/kiln"])]
)
def test_one_name_on_two_days(tmp_path: Path, second: str, lines: list[str]):
    """Of the same words they are one line, and named with their folders; else two lines."""
    names = [("02_kiln_t1", "day 1/kiln_t1.flac"), (second, "day 2/kiln_t1.flac")]
    ranking = rank_takes([copied(names, tmp_path)], notes={})
    assert [line.line for line in ranking.lines] == lines
    if len(lines) == 1:
        assert sorted(take_names(ranking.lines[0])) == ["day 1/kiln_t1", "day 2/kiln_t1"]


def test_a_take_of_other_words_under_a_proven_name_is_told_by_the_comp_sheet(tmp_path: Path):
    """The name says take 3 of the kiln; it is the bowl. A take that lacks a word is not told so."""
    names = [("02_kiln_t1", "kiln_t1.flac"), ("02_kiln_t3", "kiln_t2.flac")]
    names += [("04_bowl_t2", "kiln_t3.flac")]
    (sheet,) = comp_takes([copied(names, tmp_path)], notes={}).sheets
    assert [Path(sheet.takes[take]).stem for take in sheet.other_words] == ["kiln_t3"]
    assert "the words of take 3 are not those of take" in render_sheets([sheet])
    bowl = sorted(FOLDER.glob("04_bowl_t*.flac"))
    (sheet,) = comp_takes(bowl, notes={}).sheets
    assert sheet.other_words == ()
