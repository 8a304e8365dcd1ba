"""Tables for a spreadsheet, read back by the csv module of the standard library."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, replace
from types import SimpleNamespace

import pytest

from tests.material.handmade import take
from vocheck.measurements.plosives import Plosive
from vocheck.policy.delivery import Check, forecast
from vocheck.policy.destinations import find_destinations, load_destinations
from vocheck.policy.judge import judge
from vocheck.policy.limits import LIMITS
from vocheck.policy.obstacles import find_obstacles
from vocheck.report.csv import (
    flatten,
    render_csv,
    render_ranking_csv,
    render_rows,
)
from vocheck.report.mix_csv import render_mix_csv
from vocheck.results import Result
from vocheck.session.each import Failure
from vocheck.session.notes import Note
from vocheck.takes.rank import Ranking, rank_line
from vocheck.wording.ranking import reasons


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def columns_of(text: str) -> list[str]:
    return next(csv.reader(io.StringIO(text)))


def test_a_take_is_a_row_under_the_names_of_the_result_schema():
    """Facts by their dotted names, lists by their length, what was not measured empty."""
    pops = (Plosive(1.0, -5.0), Plosive(2.0, -7.0))
    result = take(3, plosives__events=pops, noise__floor_dbfs=-61.23456, hum__mains_hz=None)
    result = replace(result, findings=judge(result.measurements, LIMITS.load()), verdict="retake")
    (row,) = rows_of(render_csv([result]))
    assert row["path"] == "01_river_t3.flac"
    assert (row["line"], row["take"], row["verdict"]) == ("01_river", "3", "retake")
    assert (row["error"], row["sha256"]) == ("", "")
    assert row["noise.floor_dbfs"] == "-61.2346"
    assert row["plosives.events"] == "2"
    assert row["hum.mains_hz"] == ""
    assert row["processing.gated"] == "False"
    assert row["source.rate_hz"] == "48000"
    assert row["findings"] == "; ".join(f"{f.severity}: {f.name}" for f in result.findings)
    assert "plosive" in row["findings"]


def test_a_file_that_could_not_be_done_is_a_row_too():
    """Its error stands in the column of errors; the head is the same."""
    text = render_csv([take(1), Failure(path="b.wav", error="not audio")])
    assert columns_of(text)[:6] == ["path", "line", "take", "verdict", "error", "sha256"]
    good, bad = rows_of(text)
    assert (bad["path"], bad["error"], bad["verdict"]) == ("b.wav", "not audio", "")
    assert (good["path"], good["error"]) == ("01_river_t1.flac", "")
    assert columns_of(render_csv([])) == ["path", "line", "take", "verdict", "error", "sha256"]


def test_a_ranked_session_is_one_row_a_take_in_its_order():
    """Score, grade, reasons and obstacles beside what was measured; failures at the end."""
    clean, noisy = take(1), take(2, noise__floor_a_dbfs=-55.0, noise__snr_db=30.0)
    (target,) = find_destinations(["social"])
    quiet = forecast(target, -40.0, -3.0, -45.0)
    held = replace(
        quiet, obstacles=find_obstacles(target, noisy.source, quiet.noise_floor_after_dbfs, 6.0)
    )
    assert held.obstacles
    noisy = replace(noisy, delivery=(replace(quiet, obstacles=()), held, held))
    line = rank_line("01_river", [noisy, clean], {"01_river_t2": Note(circled=True)})
    failed = Failure(path="b.wav", error="not audio")
    text = render_ranking_csv(Ranking(lines=(line,), failures=(failed,)))
    first, second, third = rows_of(text)
    assert columns_of(text)[:7] == [
        "line", "position", "score", "path", "take", "verdict", "circled"
    ]  # fmt: skip
    assert (first["line"], first["position"], first["take"]) == ("01_river", "1", "2")
    assert (first["circled"], second["circled"]) == ("True", "False")
    assert float(first["score"]) == pytest.approx(line.order[0].score, abs=1e-4)
    assert float(first["score"]) < float(second["score"]) == 0.0
    assert (second["take"], second["grade"]) == ("1", "as clean")
    assert second["undecided"] == "False"
    assert first["reasons"] == "; ".join(reasons(line.order[0], line))
    assert len(first["obstacles"].split("; ")) == 2
    assert "social" in first["obstacles"]
    assert second["obstacles"] == ""
    assert (third["path"], third["error"]) == ("b.wav", "not audio")


def test_a_mix_is_one_row_a_check_and_destination():
    """Those of the mix itself first, each under its own verdict."""
    level = load_destinations()["ebu-r128"].level

    def check(what: str, verdict: str) -> Check:
        return Check(
            what=what, fact="integrated_lufs", value=-20.0, unit="LUFS", requirement=level,
            verdict=verdict, date="2024", source="a source", status="our choice",
        )  # fmt: skip

    theirs = SimpleNamespace(name="river", verdict="fail", checks=(check("loudness", "fail"),))
    result = SimpleNamespace(
        path="mix.wav", verdict="warn", checks=(check("phase", "warn"),), destinations=(theirs,)
    )
    text = render_mix_csv([result])
    assert columns_of(text)[:5] == ["path", "destination", "verdict", "check", "check_verdict"]
    own, theirs = rows_of(text)
    assert [own[c] for c in columns_of(text)[:5]] == ["mix.wav", "mix", "warn", "phase", "warn"]
    assert theirs["destination"] == "river"
    assert (theirs["verdict"], theirs["check"]) == ("fail", "loudness")
    assert (theirs["value"], theirs["unit"]) == ("-20.0", "LUFS")
    assert "what" not in columns_of(text)


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "＝", "＋", "－", "＠"])
@pytest.mark.parametrize("before", ["", " ", "\u3000"])
def test_no_cell_can_start_a_formula(sign: str, before: str):
    """A spreadsheet would run it: a mark of text stands before it, white space or not."""
    name = f"{before}{sign}cmd|' /C calc'!A0"
    ((cell,),) = (row.values() for row in rows_of(render_rows([{"path": name}])))
    assert cell == f"'{name}"


def test_other_cells_are_left_as_they_are():
    """Numbers keep their sign, words their letters; a number is no formula."""
    row = {"a": -3.5, "b": "a=b", "c": 7, "d": None, "e": True, "f": "", "g": "river", "h": 1 / 3}
    (cells,) = rows_of(render_rows([row]))
    assert list(cells.values()) == ["-3.5", "a=b", "7", "", "True", "", "river", "0.3333"]


def test_a_name_with_a_line_end_makes_no_row_of_its_own():
    """It is written out; quotes and commas are the csv module's work."""
    text = render_rows([{"path": 'a\nb,"c"\r'}])
    assert text.count("\n") == 2
    assert rows_of(text)[0]["path"] == 'a\\nb,"c"\\r'


def test_the_named_columns_come_first_and_every_other_one_once():
    """In the order in which the rows bring them."""
    text = render_rows([{"b": 1, "x": 2}, {"x": 3, "y": 4}], ("a", "b"))
    assert columns_of(text) == ["a", "b", "x", "y"]
    assert [list(row.values()) for row in rows_of(text)] == [["", "1", "2", ""], ["", "", "3", "4"]]
    assert columns_of(render_rows([{"b": 1}])) == ["b"]


@dataclass(frozen=True)
class Pair(Result):
    path: str
    value: float


def test_nested_data_becomes_dotted_names():
    """To any depth; a list becomes its length."""
    nested = {"a": {"b": {"c": 1}, "d": [1, 2]}, "e": None, "f": []}
    assert flatten(nested) == {"a.b.c": 1, "a.d": 2, "e": None, "f": 0}
    assert flatten({"c": 1}, "x.") == {"x.c": 1}
    (row,) = rows_of(render_csv([Pair("a.wav", 1.5)]))
    assert (row["path"], row["value"]) == ("a.wav", "1.5")
