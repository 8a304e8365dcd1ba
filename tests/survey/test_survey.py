"""A survey measures each recording once, in whatever runs, and its output is always the same."""

from __future__ import annotations

import json
import os
import shutil
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest

import vocheck
from tests.survey.archive import PARTS, TAKES, Here, make_archive, settings_of
from vocheck.cli import run as run_command
from vocheck.errors import SessionError, VocheckError
from vocheck.report.json import render_json_line
from vocheck.session.each import Failure
from vocheck.survey.journal import Journal
from vocheck.survey.run import Crew, Outcome, Workers, run
from vocheck.survey.work import Job, MadeBy, OtherCodeError, survey_file

pytestmark = pytest.mark.usefixtures("archive")

BAD = 2
EVERY = len(TAKES) * PARTS + BAD


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_archive(tmp_path_factory.mktemp("archive"))


@pytest.fixture(scope="module")
def expected(made: Path, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Return what a single run writes, in worker processes, with paths as seen from the archive."""
    output = tmp_path_factory.mktemp("expected") / "out.jsonl"
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(made)
        outcome = survey(output, Workers(2))
    assert outcome == Outcome(recordings=EVERY, measured=EVERY, failed=BAD, unread=())
    return output.read_bytes()


@pytest.fixture
def archive(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a copy of the archive with its dates, and go there."""
    folder = shutil.copytree(made, tmp_path / "archive")
    monkeypatch.chdir(folder)
    return folder


def survey(output: Path, crew: Crew, **options: bool) -> Outcome:
    return run(["."], output, settings_of(Path(".")), render_json_line, crew, **options)


def lines(output: Path) -> list[dict]:
    return [json.loads(line) for line in output.read_bytes().splitlines()]


def test_a_line_is_what_take_says(tmp_path: Path):
    """With the hash of the content, what measured it, and the failure of what could not be."""
    output = tmp_path / "out.jsonl"
    survey(output, Here())
    found = lines(output)
    assert [line["path"] for line in found] == sorted(line["path"] for line in found)
    assert len(found) == EVERY
    for line in found:
        told = line.pop("survey")
        facts = os.stat(line["path"])
        assert (told["size_bytes"], told["modified_ns"]) == (facts.st_size, facts.st_mtime_ns)
        assert len(told["measured_by"]) == len(told["judged_by"]) == 16
        (alone,) = vocheck.check_all([line["path"]])
        assert line == json.loads(render_json_line(alone))
    failures = [line for line in found if "error" in line]
    assert [line["path"] for line in failures] == ["./day 1/broken.flac", "./day 2/empty.wav"]
    assert not output.with_name("out.jsonl.journal").exists()


def test_whoever_measures_the_bytes_are_the_same(tmp_path: Path, expected: bytes):
    """Processes gave `expected`; this process gives the same."""
    output = tmp_path / "out.jsonl"
    survey(output, Here())
    assert output.read_bytes() == expected


def test_a_second_run_measures_only_what_failed(tmp_path: Path, expected: bytes):
    """What could not be read is tried again: a disk may be back."""
    output = tmp_path / "out.jsonl"
    output.write_bytes(expected)
    crew = Here()
    outcome = survey(output, crew)
    assert sorted(crew.paths) == ["./day 1/broken.flac", "./day 2/empty.wav"]
    assert (outcome.recordings, outcome.measured) == (EVERY, BAD)
    assert output.read_bytes() == expected
    for bad in crew.paths:
        os.unlink(bad)
    survey(output, crew)
    before = output.stat()
    assert survey(output, Here(0)).recordings == EVERY - BAD
    assert output.stat() == before  # not even written anew


def test_what_is_new_changed_or_gone(tmp_path: Path, expected: bytes):
    """Only that is measured; what is gone is left out; the rest stays as it was."""
    output = tmp_path / "out.jsonl"
    output.write_bytes(expected)
    first, second = sorted(Path("day 1/takes").iterdir())
    shutil.copy(first, "day 3/new.wav")
    _, gone = sorted(Path("day 2/takes").iterdir())
    second.write_bytes(gone.read_bytes())
    gone.unlink()
    Path("day 1/broken.flac").unlink()
    Path("day 2/empty.wav").unlink()
    crew = Here()
    survey(output, crew)
    assert sorted(crew.paths) == [f"./{second}", "./day 3/new.wav"]
    fresh = tmp_path / "fresh.jsonl"
    survey(fresh, Here())
    assert output.read_bytes() == fresh.read_bytes()


def test_other_rules_or_other_code_are_another_line(tmp_path: Path, expected: bytes):
    """A line says what measured and what judged it; of another version it is made anew."""
    output = tmp_path / "out.jsonl"
    by = lines_by(expected)["measured_by"]
    output.write_bytes(expected.replace(by.encode(), b"0123456789abcdef"))
    assert survey(output, Here()).measured == EVERY
    assert output.read_bytes() == expected
    Path("vocheck.toml").write_text("[limits.noise_floor]\nfixable = -20.0\n")
    assert survey(output, Here()).measured == EVERY
    assert lines_by(output.read_bytes())["judged_by"] != lines_by(expected)["judged_by"]
    Path("vocheck.toml").unlink()
    assert survey(output, Here(), anew=True).measured == EVERY
    assert output.read_bytes() == expected


def lines_by(content: bytes) -> dict[str, str]:
    told: dict[str, str] = json.loads(content.splitlines()[0])["survey"]
    return told


@pytest.mark.parametrize("after", [1, 4, EVERY - 1])
def test_an_interrupted_run_is_gone_on_with(tmp_path: Path, expected: bytes, after: int):
    """Every finished recording is kept; the output appears only at the end, and is the same."""
    output = tmp_path / "out.jsonl"
    first, second = Here(after), Here()
    with pytest.raises(KeyboardInterrupt):
        survey(output, first)
    assert not output.exists()
    survey(output, second)
    failed = {"./day 1/broken.flac", "./day 2/empty.wav"}
    assert set(first.paths) & set(second.paths) <= failed
    assert len({*first.paths, *second.paths}) == EVERY
    assert output.read_bytes() == expected


def test_a_run_over_an_old_output_that_is_interrupted(tmp_path: Path, expected):
    """The old output stands until the new one is whole."""
    output = tmp_path / "out.jsonl"
    output.write_bytes(expected)
    with pytest.raises(KeyboardInterrupt):
        survey(output, Here(3), anew=True)
    assert output.read_bytes() == expected
    crew = Here()
    survey(output, crew)
    assert output.read_bytes() == expected


def test_a_torn_output_is_mended(tmp_path: Path, expected: bytes):
    """A copy that was cut off: the last line is measured again, nothing else."""
    output = tmp_path / "out.jsonl"
    for cut in (len(expected) - 1, len(expected) - 100, len(expected) // 2):
        output.write_bytes(expected[:cut])
        crew = Here()
        survey(output, crew)
        whole = expected[:cut].count(b"\n")
        failed = sum(b'"error"' in line for line in expected.splitlines()[:whole])
        assert len(crew.paths) == EVERY - whole + failed
        assert output.read_bytes() == expected
    shuffled = expected.splitlines(keepends=True)
    output.write_bytes(b"".join(shuffled[::-1]))
    survey(output, Here())
    assert output.read_bytes() == expected


def test_a_torn_journal_is_mended(tmp_path: Path, expected: bytes):
    """What a power cut left of the last writes is undone; what was whole is kept."""
    output = tmp_path / "out.jsonl"

    class Cut(Here):
        def measured(self, missing, job):
            yield from super().measured(missing, job)
            log = Path(f"{output}.journal-wal")
            content = log.read_bytes()
            for name in (f"{output}.journal", log.name):
                shutil.copy(log.with_name(Path(name).name), tmp_path / f"copy of {Path(name).name}")
            (tmp_path / f"copy of {log.name}").write_bytes(content[: len(content) * 2 // 3])
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        survey(output, Cut())
    for name in ("out.jsonl.journal", "out.jsonl.journal-wal"):
        (tmp_path / f"copy of {name}").rename(tmp_path / name)
    crew = Here()
    survey(output, crew)
    assert 0 < len(crew.paths) < EVERY
    assert output.read_bytes() == expected


def test_two_runs_do_not_write_one_output(tmp_path: Path):
    """The second is refused in one line as long as the first goes on."""
    output = tmp_path / "out.jsonl"
    with Journal(output), pytest.raises(VocheckError, match="another run is writing it"):
        Journal(output)
    survey(output, Here())


def test_what_is_no_survey_is_not_replaced(tmp_path: Path):
    """Other JSON, a recording under the journal's name, somebody's text: one line each."""
    take = next(Path("day 1/takes").iterdir())
    output = tmp_path / "out.jsonl"
    output.write_text('{"schema": 1, "path": "a.wav"}\n')
    with pytest.raises(VocheckError, match="something other than a survey"):
        survey(output, Here(0))
    output.unlink()
    journal = tmp_path / "out.jsonl.journal"
    journal.symlink_to(take.absolute())
    before = take.read_bytes()
    with pytest.raises(VocheckError, match="holds a recording"):
        survey(output, Here(0))
    assert take.read_bytes() == before
    journal.unlink()
    journal.write_text("Monday: the kiln was cold.\n" * 100)
    with pytest.raises(VocheckError, match="is no journal of a survey"):
        survey(output, Here(0))


def test_folders_that_cannot_be_looked_into_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """The rest goes on."""
    real = os.scandir

    def scandir(path):
        if str(path).endswith("day 2"):
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    outcome = survey(tmp_path / "out.jsonl", Here())
    (unread,) = outcome.unread
    assert (unread.path, unread.error) == ("./day 2", "Permission denied")
    assert outcome.recordings == 2 * PARTS + 1


def test_a_name_that_is_no_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Bytes that are no UTF-8, a newline, a quotation mark: a line each, and known again."""
    folder = tmp_path / "names"
    folder.mkdir()
    for name in (b"\xff\xfe.wav", b'a\n"b".wav', "töpfer\u202e.wav".encode()):
        (folder / os.fsdecode(name)).write_bytes(b"RIFF")
    monkeypatch.chdir(folder)
    output = tmp_path / "out.jsonl"
    survey(output, Here())
    content = output.read_bytes()
    content.decode("utf-8")
    assert len(content.splitlines()) == 3
    crew = Here()
    survey(output, crew)
    assert output.read_bytes() == content


def test_nothing_to_measure(tmp_path: Path):
    """An archive without a recording is a mistake, told in one line."""
    Path("day 4").mkdir()
    with pytest.raises(SessionError, match="no recordings"):
        run(["day 4"], tmp_path / "out.jsonl", settings_of(tmp_path), render_json_line, Here())


def test_a_worker_with_other_code_is_refused():
    """Its numbers might be others."""
    job = Job(settings_of(Path()), render_json_line, MadeBy("0" * 16, "0" * 16), os.getcwd())
    with pytest.raises(OtherCodeError):
        survey_file("day 1/takes/01_river_t10.wav", job)


class _Invented:
    """Tells of recordings that nobody opens."""

    def measured(
        self, missing: Iterator[tuple[str, int]], job: Job
    ) -> Iterator[tuple[str, int, str]]:
        for path, size in missing:
            yield path, size, job.render(Failure(path=path, error="x" * 5000), {"survey": STATE})


STATE = {"size_bytes": 0, "modified_ns": 0, "measured_by": "", "judged_by": ""}


def _peak_bytes(folder: Path, count: int) -> int:
    place = folder / f"{count}"
    place.mkdir()
    for k in range(count):
        (place / f"{k:06d}.wav").touch()
    settings = settings_of(place)
    tracemalloc.start()
    try:
        run([place], folder / f"{count}.jsonl", settings, render_json_line, _Invented())
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_does_not_grow_with_the_archive(tmp_path: Path):
    """Ten times the recordings, the same memory: 2000 lines of 5 kB are 10 MB."""
    _peak_bytes(tmp_path, 10)  # imports
    few, many = _peak_bytes(tmp_path, 200), _peak_bytes(tmp_path, 2000)
    assert many < few + 1_000_000


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    """Status 2 for bad files, a summary on stdout; a summary alone measures nothing."""
    output = tmp_path / "out.jsonl"
    assert run_command(["survey", ".", "-o", str(output), "--workers", "1"]) == 2
    told = capsys.readouterr()
    assert told.err == ""
    assert told.out.startswith(f"{EVERY} recordings, ")
    assert "./day 1/broken.flac: " in told.out
    assert run_command(["survey", "--summary-only", str(output)]) == 2
    assert capsys.readouterr().out == told.out
    for wrong in (["survey"], ["survey", "."], ["survey", ".", "--summary-only", str(output)]):
        assert run_command(wrong) == 2
        assert "Usage" in capsys.readouterr().err


def test_a_line_is_on_the_disk_before_the_next_is_asked_for(tmp_path: Path):
    """The journal's log grows with each."""
    output = tmp_path / "out.jsonl"
    sizes = []

    class Looking(Here):
        def measured(self, missing, job):
            for done in super().measured(missing, job):
                yield done
                sizes.append(Path(f"{output}.journal-wal").stat().st_size)

    survey(output, Looking())
    assert len(sizes) == EVERY
    assert all(one < next for one, next in zip(sizes, sizes[1:], strict=False))
