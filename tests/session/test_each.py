"""One bad file is one line, whatever is wrong with it; the rest goes on."""

from __future__ import annotations

import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.material.demo_session import FOLDER
from tests.session.misfortunes import break_the_reader, by_name
from vocheck.cli import run
from vocheck.errors import TargetError
from vocheck.session.each import AT_ONCE, Failure, each
from vocheck.session.settings import make_settings
from vocheck.session.take import check_all
from vocheck.session.workers import WorkerPool
from vocheck.takes.comp import comp_takes
from vocheck.takes.overview import make_overview
from vocheck.takes.rank import rank_takes

SETTINGS = make_settings([])
BAD = {
    "memory": "memory.wav: does not fit into memory",
    "not_audio": "not_audio.wav: is not an audio file",
    "latin": "latin.wav: cannot be measured: internal error: UnicodeDecodeError: 'utf-8' codec "
    "can't decode byte 0xe9 in position 0: unexpected end of data",
    "disk": "disk.wav: Input/output error",
    "strange": "strange.wav: cannot be measured: internal error: _OfItsOwn: 1 and 2",
}


@pytest.mark.parametrize("executor", ["none", "threads", "processes"])
def test_each_bad_file_is_one_line(executor: str):
    """The same whoever does the work; what is good stands in its place between."""
    paths = [name for bad in BAD for name in (f"{bad}.wav", "good.wav")]
    if executor == "none":
        done = list(each(by_name, paths, SETTINGS))
    else:
        pool = ThreadPoolExecutor(2) if executor == "threads" else WorkerPool(2)
        with pool:
            done = list(each(by_name, paths, replace(SETTINGS, executor=pool)))
    assert done[1::2] == ["GOOD.WAV"] * len(BAD)
    assert done[::2] == [Failure(path=f"{bad}.wav", error=told) for bad, told in BAD.items()]


def test_a_crash_is_one_line():
    """In a worker; the work after it is done by a new one."""
    with WorkerPool(1) as pool:
        settings = replace(SETTINGS, executor=pool)
        first, crashed, last = each(by_name, ["a.wav", "crash.wav", "b.wav"], settings)
    assert (first, last) == ("A.WAV", "B.WAV")
    assert crashed == Failure(
        path="crash.wav",
        error="crash.wav: cannot be measured: the decoder crashed (SIGSEGV)",
    )


def test_what_concerns_every_file_is_raised(session: Path):
    """Malformed settings are no fault of one file: they are told before the first is opened."""
    (session / "vocheck.toml").write_text("[limits.noise_flor]\nfixable = -58.0\n")
    with pytest.raises(TargetError, match="noise_flor"):
        check_all([session / "02_kiln_t1.flac"])


def test_only_so_much_waits_in_an_executor():
    """A million paths are not handed over before the first result is read."""
    handed = 0

    def paths():
        nonlocal handed
        for k in range(10 * AT_ONCE):
            handed += 1
            yield f"{k}.wav"

    with ThreadPoolExecutor(1) as pool:
        done = each(by_name, paths(), replace(SETTINGS, executor=pool))
        assert next(done) == "0.WAV"
        assert handed == AT_ONCE
        assert len(list(done)) == 10 * AT_ONCE - 1


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """Return a folder of two good takes of a line, one that crashes and two that fail."""
    for good in ("02_kiln_t1.flac", "02_kiln_t3.flac"):
        shutil.copyfile(FOLDER / good, tmp_path / good)
    for bad in ("crash", "latin"):
        shutil.copyfile(FOLDER / "02_kiln_t2.flac", tmp_path / f"{bad}_t1.flac")
    (tmp_path / "02_kiln_t9.flac").write_bytes(b"fLaC, it says")
    return tmp_path


def test_a_session_goes_on_when_a_take_crashes(session: Path):
    """Rank, comp and overview give the good takes and name the bad ones."""
    with WorkerPool(2, break_the_reader) as pool:
        ranking = rank_takes([session], executor=pool)
        comp = comp_takes([session], executor=pool)
        overview = make_overview([session], executor=pool)
    (line,) = ranking.lines
    ranked = sorted(Path(take.path or "").name for take in line.order)
    assert ranked == ["02_kiln_t1.flac", "02_kiln_t3.flac"]
    failed = {Path(failure.path).name for failure in ranking.failures}
    assert failed == {"crash_t1.flac", "latin_t1.flac", "02_kiln_t9.flac"}
    assert overview.failures == comp.failures == ranking.failures
    assert overview.comp == comp
    assert overview.ranking == ranking


@pytest.mark.parametrize(
    ("command", "page"),
    [("take", 0), ("rank", 0), ("rank", 1), ("comp", 0), ("comp", 1), ("match", 0)],
)
def test_a_command_does_the_rest_and_exits_with_2(
    session: Path, command: str, page: int, tmp_path: Path, capsys, monkeypatch
):
    """The good takes are reported, each bad one is one line on stderr."""
    monkeypatch.setenv("VOCHECK_CACHE", str(tmp_path / "cache"))
    first = [str(session / "02_kiln_t1.flac")] if command == "match" else []
    options = ["--html", str(tmp_path / "page.html")] if page else []
    files = [str(session / name) for name in ("02_kiln_t3.flac", "02_kiln_t9.flac")]
    assert run([command, *first, *files, *options]) == 2
    told = capsys.readouterr()
    assert "02_kiln" in told.out
    lines = told.err.splitlines()
    assert len(lines) == 1
    assert "02_kiln_t9.flac" in lines[0]


def test_what_is_too_long_for_a_take_is_told_by_its_head(tmp_path: Path):
    """One line that names the command for it; a file of six hours is not read into memory."""
    file = tmp_path / "all_day.wav"
    soundfile.write(file, np.zeros(1801 * 8000, np.int16), 8000, "PCM_16")
    (failure,) = check_all([file])
    assert isinstance(failure, Failure)
    assert failure.error == (
        f"{file}: 30 minutes are too long for a take (30 at most): cut it into takes, or check it "
        "whole with 'vocheck mix'"
    )


SITE = """
import ctypes, os
import vocheck.session.takefile as takefile
def read(path):
    {}
takefile.read = read
from vocheck.cli import main
main()
"""


@pytest.mark.skipif(sys.platform != "linux", reason="a copy of the process is made on Linux only")
@pytest.mark.parametrize(
    ("misfortune", "told"),
    [
        ("ctypes.string_at(0)", "cannot be measured: the decoder crashed (SIGSEGV)"),
        ("bytes(1 << 50)", "does not fit into memory"),
        ("import time; time.sleep = 0; b'\\xe9'.decode()", "UnicodeDecodeError"),
        (
            "from vocheck.session.workers import allow_cpu_s; allow_cpu_s(0.1)\n    while 1: pass",
            "cannot be measured: took too much time",
        ),
    ],
)
def test_a_single_take_that_ends_the_process_is_one_line(
    tmp_path: Path, misfortune: str, told: str
):
    """The program goes on in a copy of itself, and says what became of that."""
    program = tmp_path / "program.py"
    program.write_text(SITE.format(misfortune))
    take = str(FOLDER / "02_kiln_t1.flac")
    done = subprocess.run(
        [sys.executable, program, "take", "--no-cache", take], capture_output=True, text=True
    )
    assert done.returncode == 2
    assert (done.stdout, done.stderr.count("\n")) == ("", 1)
    assert take in done.stderr
    assert told in done.stderr
