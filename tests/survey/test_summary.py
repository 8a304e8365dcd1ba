"""What a summary says is what the lines hold, however many there are."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click
import numpy as np
import pyarrow.parquet
import pytest

from tests.material.handmade import take
from vocheck.cli import run
from vocheck.policy.every import Policy
from vocheck.policy.judge import judge, verdict_of
from vocheck.report.json import render_json_line
from vocheck.report.text.survey import render_summary
from vocheck.results import Result
from vocheck.session.each import Failure
from vocheck.survey import summary
from vocheck.survey.journal import Amount
from vocheck.survey.run import Progress
from vocheck.survey.summary import summarize
from vocheck.wording.survey import progress_line, roughly

STATE = {"size_bytes": 100, "modified_ns": 10**18, "measured_by": "a" * 16, "judged_by": "b" * 16}
LEVELS = np.random.default_rng(7).normal(-23.0, 3.0, 200)


def results() -> list[Result]:
    """Return 200 takes of known loudness in two folders, every tenth noisy, and two failures."""
    limits = Policy().limits
    made: list[Result] = []
    for number, level in enumerate(LEVELS):
        noisy = {"noise__floor_a_re_speech_db": -20.0} if number % 10 == 0 else {}
        one = take(number, loudness__integrated_lufs=float(level), **noisy)
        findings = judge(one.measurements, limits)
        folder = "day 1" if number < 150 else "day 2"
        made.append(
            replace(
                one,
                path=f"{folder}/{number:03d}.wav",
                findings=findings,
                verdict=verdict_of(findings),
                source=replace(one.source, duration_s=36.0),
            )
        )
    made.append(Failure(path="day 2/x.wav", error="day 2/x.wav: is empty"))
    made.append(Failure(path="day 3/y.wav", error="day 3/y.wav: is not an audio file"))
    return made


@pytest.fixture(scope="module")
def made() -> list[Result]:
    return results()


@pytest.fixture(scope="module")
def survey(made: list[Result], tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("survey") / "out.jsonl"
    file.write_text("".join(render_json_line(one, {"survey": STATE}) for one in made))
    return file


def test_counts(survey: Path, made: list[Result]):
    """Verdicts, hours, findings and folders are counted; nothing is counted twice."""
    told = summarize(survey)
    verdicts = [getattr(one, "verdict", "failed") for one in made]
    every = told.all
    assert every.recordings == 202
    assert [every.keep, every.fixable, every.retake, every.failed] == [
        verdicts.count(word) for word in ("keep", "fixable", "retake", "failed")
    ]
    assert every.hours == pytest.approx(200 * 36 / 3600)
    noise = next(one for one in told.findings if one.name == "noise_floor")
    assert (noise.recordings, noise.retake) == (20, 20)
    assert [(one.folder, one.recordings, one.failed) for one in told.folders] == [
        ("day 1", 150, 0),
        ("day 2", 51, 1),
        ("day 3", 1, 1),
    ]
    assert told.failures == ("day 2/x.wav: is empty", "day 3/y.wav: is not an audio file")


def test_quantiles_are_those_of_numpy(survey: Path):
    """Of few recordings they are exact (numpy.percentile of what went in)."""
    told = summarize(survey)
    loudness = next(one for one in told.spreads if one.measurement == "loudness.integrated_lufs")
    assert told.sampled is None
    assert loudness.measured == 200
    assert [loudness.least, loudness.greatest] == [LEVELS.min(), LEVELS.max()]
    assert [loudness.p5, loudness.median, loudness.p95] == pytest.approx(
        list(np.percentile(LEVELS, (5, 50, 95)))
    )


def test_of_many_they_are_those_of_a_sample(survey: Path, monkeypatch: pytest.MonkeyPatch):
    """Least and greatest stay exact, and the same sample is drawn in any order of the lines."""
    monkeypatch.setattr(summary, "SAMPLED", 100)
    told = summarize(survey)
    loudness = next(one for one in told.spreads if one.measurement == "loudness.integrated_lufs")
    assert told.sampled == 100
    assert [loudness.least, loudness.greatest] == [LEVELS.min(), LEVELS.max()]
    # The rank of the median of 100 drawn has a standard deviation of 5 %: here within three.
    assert 0.35 < np.mean(LEVELS < loudness.median) < 0.65
    turned = survey.with_name("turned.jsonl")
    turned.write_bytes(b"".join(survey.read_bytes().splitlines(keepends=True)[::-1]))
    assert summarize(turned).spreads == told.spreads
    assert "of a sample of 100" in render_summary(told)


def test_the_worst_come_first(survey: Path):
    """Retakes before what can be mended; of equals, the first path."""
    told = summarize(survey)
    assert [one.path for one in told.worst[:2]] == ["day 1/000.wav", "day 1/010.wav"]
    assert all(one.verdict == "retake" for one in told.worst)
    assert told.worst[0].findings[0] == "noise_floor"


def test_the_text(survey: Path):
    """It names what was found and where, and each line fits."""
    text = click.unstyle(render_summary(summarize(survey)))
    for part in ("202 recordings, 2.0 hours", "noise floor", "By folder", "day 2/x.wav: is empty"):
        assert part in text


def test_what_is_no_survey_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    """Also where only one of its lines is none."""
    file = tmp_path / "out.jsonl"
    file.write_text('{"path": "a.wav"}\n')
    assert run(["survey", "--summary-only", str(file)]) == 2
    assert capsys.readouterr().err == f"vocheck: {file}: line 1 is not of a survey\n"


def test_parquet_holds_what_the_lines_hold(survey: Path, made: list[Result], tmp_path: Path):
    """Read back by pyarrow: typed columns, null where nothing was measured, a row per line."""
    table = tmp_path / "out.parquet"
    assert run(["survey", "--summary-only", str(survey), "--parquet", str(table)]) == 2
    read = pyarrow.parquet.read_table(table)
    rows = read.to_pylist()
    assert [row["path"] for row in rows] == [one.path for one in made]
    levels = [row["loudness.integrated_lufs"] for row in rows]
    assert levels == [*LEVELS, None, None]
    assert str(read.schema.field("loudness.integrated_lufs").type) == "double"
    assert str(read.schema.field("clipping.samples").type) == "int64"
    assert str(read.schema.field("processing.gated").type) == "bool"
    assert "retake: noise_floor" in rows[0]["findings"]
    assert rows[0]["speech.phrases"] == 2
    assert rows[-1]["error"] == "day 3/y.wav: is not an audio file"
    assert rows[0]["survey.modified_ns"] == 10**18
    again = tmp_path / "again.parquet"
    run(["survey", "--summary-only", str(survey), "--parquet", str(again)])
    assert again.read_bytes() == table.read_bytes()


@pytest.mark.parametrize(
    ("seconds", "told"),
    [(40, "40 s"), (720, "12 min"), (12_000, "3 h 20 min"), (190_800, "2 d 5 h")],
)
def test_time_left_as_people_plan_by(seconds: float, told: str):
    """Two units at most."""
    assert roughly(seconds) == told


def test_progress_goes_by_bytes():
    """A tenth of the bytes in a minute: nine minutes left, whatever the count."""
    progress = Progress(Amount(50, 1_000), Amount(100, 10_000), failed=2)
    line = progress_line(progress, 60.0)
    assert line == "50 of 100 recordings, 2 not measured, 9 min left"
