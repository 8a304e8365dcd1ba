"""Takes that a recorder numbered are the takes that somebody named, told by their words."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from vocheck.script.text import read_script
from vocheck.session.cache import Cache
from vocheck.takes.rank import Ranking, rank_takes

SESSION = Path(__file__).parents[2] / "fixtures/session"
TAKES = ("02_kiln_t1", "04_bowl_t2", "02_kiln_t3", "04_bowl_t1")


def order(ranking: Ranking, names: dict[str, str]) -> dict[str, list[str]]:
    return {
        line.line: [names[Path(take.path or "").stem] for take in line.order]
        for line in ranking.lines
    }


@pytest.fixture(scope="module")
def numbered(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """Return a folder of takes as a recorder would name them, and what they are."""
    folder = tmp_path_factory.mktemp("card")
    names = {}
    for number, take in enumerate(TAKES, start=1):
        names[f"260412_{number:03d}"] = take
        shutil.copy(SESSION / f"{take}.flac", folder / f"260412_{number:03d}.flac")
    return folder, names


def test_numbered_takes_rank_as_named_ones(numbered: tuple[Path, dict[str, str]], tmp_path: Path):
    """The demo session: the same lines, the same order. What is measured once is remembered."""
    folder, names = numbered
    cache = Cache(tmp_path)
    script = read_script(SESSION / "script.txt")
    named = rank_takes(
        [SESSION / f"{take}.flac" for take in TAKES], script=script, notes={}, cache=cache
    )
    unnamed = rank_takes([folder], script=script, notes={}, cache=cache)
    assert order(unnamed, names) == order(named, {take: take for take in TAKES})
    assert not unnamed.left_out
    readings = [take.result.reading for line in unnamed.lines for take in line.order]
    assert all(reading is not None and reading.words for reading in readings)


def test_a_name_that_says_another_line_is_told(tmp_path: Path):
    """A bare number may count anything, so the words are heard, and the name contradicts them."""
    shutil.copy(SESSION / "04_bowl_t2.flac", tmp_path / "02_kiln_1.flac")
    shutil.copy(SESSION / "02_kiln_t3.flac", tmp_path / "02_kiln_2.flac")
    script = read_script(SESSION / "script.txt")
    ranking = rank_takes([tmp_path], script=script)
    found = {line.line: [Path(t.path or "").name for t in line.order] for line in ranking.lines}
    assert found == {"02_kiln": ["02_kiln_2.flac"], "04_bowl": ["02_kiln_1.flac"]}
    (problem,) = ranking.problems
    assert "its name says 02_kiln, its words 04_bowl" in problem
