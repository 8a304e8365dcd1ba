"""The workers of a dask cluster, one of which is killed: the same bytes as on one machine.

The cluster is a scheduler and two workers on the loopback address, started as dask's documentation
says.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import CancelledError, Future
from pathlib import Path
from typing import Any

import pytest

import vocheck.survey.cluster as cluster
from tests.survey.archive import Here, make_archive, settings_of
from vocheck.cli import run as run_command
from vocheck.errors import VocheckError
from vocheck.report.json import render_json_line
from vocheck.survey.cluster import Cluster
from vocheck.survey.run import Outcome, run
from vocheck.survey.work import Job, MadeBy, OtherCodeError

RECORDINGS = 8

pytestmark = pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_archive(tmp_path_factory.mktemp("archive"))


class Started:
    """A program of dask, with every process that it starts."""

    def __init__(self, *words: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "dask", *words, "--no-dashboard"],
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def wait_for(self, words: str) -> str:
        """Return the first line of its log with these words."""
        assert self.process.stderr is not None
        for line in self.process.stderr:
            if words in line:
                return line
        raise AssertionError(f"ended without {words!r}")

    def kill(self) -> None:
        """End it and all its processes without a word."""
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        assert self.process.stderr is not None
        self.process.stderr.close()


@pytest.fixture
def scheduler() -> Iterator[tuple[str, Started]]:
    """Start a scheduler; yield its address."""
    started = Started("scheduler", "--host", "127.0.0.1", "--port", "0")
    try:
        address = started.wait_for("Scheduler at:").split()[-1]
        yield address, started
    finally:
        started.kill()


def test_a_worker_is_killed_and_nothing_is_lost(
    scheduler: tuple[str, Started],
    archive: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
):
    """Its work goes to the other; afterwards the scheduler dies, and what is measured is kept."""
    address, scheduling = scheduler
    monkeypatch.chdir(archive)
    monkeypatch.setattr(cluster, "TASK_RECORDINGS", 1)
    here, there = tmp_path / "here.jsonl", tmp_path / "there.jsonl"
    # Seen from another folder, the workers still find the paths.
    workers = [Started("worker", address, "--nthreads", "1") for _ in range(2)]
    killed = []

    def kill_one(progress: Any) -> None:
        if not killed and progress.done.recordings >= 2:
            killed.append(progress.done.recordings)
            workers[0].kill()

    try:
        settings = settings_of(archive)
        run(["."], here, settings, render_json_line, Here())
        with Cluster(address) as crew:
            crew._client.wait_for_workers(2, timeout=60)
            outcome = run(["."], there, settings, render_json_line, crew, progress=kill_one)
        assert killed
        assert outcome == Outcome(recordings=RECORDINGS, measured=RECORDINGS, failed=2, unread=())
        assert there.read_bytes() == here.read_bytes()
        with Cluster(address) as crew:
            lost = tmp_path / "lost.jsonl"
            with pytest.raises(VocheckError, match="the scheduler is gone"):
                run(
                    *(["."], lost, settings, render_json_line, crew),
                    progress=lambda _: scheduling.kill(),
                )
        crew_of_the_rest = Here()
        run(["."], lost, settings, render_json_line, crew_of_the_rest)
        assert len(crew_of_the_rest.paths) < RECORDINGS
        assert lost.read_bytes() == here.read_bytes()
    finally:
        for worker in workers:
            worker.kill()


def test_no_scheduler_is_one_line(archive: Path, tmp_path: Path, capsys, monkeypatch):
    """Nobody listens there, or that is no address."""
    monkeypatch.setattr(cluster, "ANSWER_S", 0.5)
    for address in ("tcp://127.0.0.1:1", "nonsense://x", "nonsense"):
        output = tmp_path / "out.jsonl"
        assert run_command(["survey", str(archive), "-o", str(output), "--scheduler", address]) == 2
        (line,) = capsys.readouterr().err.splitlines()
        assert line.startswith(f"vocheck: {address}: no scheduler answers")
        assert not output.exists()


class Scripted(Cluster):
    """A cluster whose tasks end as a table says, by the number of recordings in the task."""

    def __init__(self, ends: dict[int, BaseException]) -> None:
        self.address, self.ends, self.handed = "tcp://cluster", ends, []
        self._executor = self

    def submit(self, _work: Any, paths: list[str], _job: Job) -> Future[list[str]]:
        future: Future[list[str]] = Future()
        self.handed.append(paths)
        if len(paths) in self.ends:
            future.set_exception(self.ends[len(paths)])
        else:
            future.set_result([f"line of {path}\n" for path in paths])
        return future


@pytest.fixture
def job(archive: Path) -> Job:
    settings = settings_of(archive)
    return Job(settings, render_json_line, MadeBy.of(settings), str(archive))


def test_a_task_that_ends_workers_is_parted(job: Job):
    """A recording of it that ends them alone as well is a line with its error; the rest is done."""
    recordings = [(f"{k}.wav", 10) for k in range(20)]
    crew = Scripted({16: RuntimeError("KilledWorker")})
    lines = {path: line for path, _, line in crew.measured(iter(recordings), job)}
    assert lines == {path: f"line of {path}\n" for path, _ in recordings}
    assert [len(paths) for paths in crew.handed] == [16, 4, *[1] * 16]
    crew = Scripted({16: RuntimeError("KilledWorker"), 1: RuntimeError("KilledWorker")})
    lines = {path: line for path, _, line in crew.measured(iter(recordings), job)}
    assert len(lines) == 20
    assert '"error": "3.wav: cannot be measured' in lines["3.wav"]


def test_a_task_holds_so_much_and_no_more(job: Job):
    """Many small recordings or a few large ones."""
    crew = Scripted({})
    small, large = cluster.TASK_BYTES // 1000, cluster.TASK_BYTES // 2
    list(crew.measured(iter([(f"{k}", large) for k in range(4)]), job))
    list(crew.measured(iter([(f"{k}", small) for k in range(40)]), job))
    assert [len(paths) for paths in crew.handed] == [2, 2, 16, 16, 8]


@pytest.mark.parametrize(
    ("error", "told"),
    [(OtherCodeError(), "another version"), (CancelledError(), "scheduler is gone")],
)
def test_what_concerns_every_recording_ends_the_run(job: Job, error: BaseException, told: str):
    """No line is believed, or none will come."""
    with pytest.raises(VocheckError, match=told):
        list(Scripted({1: error}).measured(iter([("a.wav", 1)]), job))


def test_only_so_many_tasks_wait(job: Job):
    """A million recordings are not handed over before the first result is read."""
    seen = 0

    def recordings() -> Iterator[tuple[str, int]]:
        nonlocal seen
        for seen in range(1, 100_000):
            yield f"{seen}.wav", 10

    done = Scripted({}).measured(recordings(), job)
    next(done)
    assert seen <= cluster.QUEUED * cluster.TASK_RECORDINGS
    assert cluster.QUEUED <= 3000
