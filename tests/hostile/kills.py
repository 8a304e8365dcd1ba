"""Runs that are killed at any moment, and gone on with: ``python -m tests.hostile.kills``.

Each case lets a child of this process measure six short takes (`survey`, `rank` or `watch`) and
kills it: after some CPU time, or right before one of its touches of the disk. The child tells
through a pipe which takes are finished. Then the same is run again to its end. It must be told that

- no finished take was read again: all that was finished is kept;
- the result is, byte for byte, that of a run which nobody killed;
- no take was changed, and nothing is left over beside the result.

`--commands` also kills ``vocheck survey`` with its worker processes (slower: each case starts
Python anew).
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import soundfile

import vocheck.session.takefile as takefile
from tests.material.demo_session import FOLDER
from vocheck.booth import Booth
from vocheck.booth.folder import Watcher
from vocheck.booth.linelog import LineLog
from vocheck.commands.options import deliver
from vocheck.desk.standby import Standby
from vocheck.report.json import render_json, render_json_line
from vocheck.session.cache import Cache
from vocheck.session.settings import Settings, make_settings
from vocheck.survey.run import run
from vocheck.survey.work import Job, survey_file
from vocheck.takes.rank import rank_takes

TAKES = tuple(f"{line}_t{take}" for line in ("01_river", "02_kiln") for take in (1, 2, 3))
LENGTH_S = 0.6
OUTPUT = "out"
Report = Callable[[str], None]
TOUCHES = frozenset({"open", "os.rename", "os.remove", "os.utime", "os.mkdir", "sqlite3.connect"})


class InTurn:
    """A crew of a survey that measures in this process."""

    def measured(
        self, missing: Iterator[tuple[str, int]], job: Job
    ) -> Iterator[tuple[str, int, str]]:
        """Yield path, size and line of each recording."""
        for path, size in missing:
            yield path, size, survey_file(path, job)


def do_survey(folder: Path, settings: Settings, report: Report) -> None:
    """Measure the takes of a folder into one file."""

    class Telling(InTurn):
        def measured(
            self, missing: Iterator[tuple[str, int]], job: Job
        ) -> Iterator[tuple[str, int, str]]:
            for path, *done in super().measured(missing, job):
                yield path, *done
                report(path)  # it is asked for the next one: the last is kept

    run([folder / "takes"], folder / f"{OUTPUT}.jsonl", settings, render_json_line, Telling())


def do_rank(folder: Path, settings: Settings, report: Report) -> None:
    """Rank the takes of a folder."""

    def telling(results: Any, _total: int) -> Iterator[Any]:
        for result in results:
            if settings.cache is not None:
                report(result.path)
            yield result

    ranking = rank_takes([folder / "takes"], settings, progress=telling)
    deliver(render_json(ranking), folder / f"{OUTPUT}.json")


def do_watch(folder: Path, settings: Settings, report: Report) -> None:
    """Write down what `watch` does of the takes that it finds."""

    class Telling(LineLog):
        def append(self, line: str) -> None:
            super().append(line)
            if line != "\n":
                report(json.loads(line)["path"])

    clock = iter(range(1000))
    watcher = Watcher(folder / "takes")
    with Telling(folder / f"{OUTPUT}.jsonl") as log:
        standby = Standby(watcher, Booth([], 1, settings.policy), settings, log, [])
        for _ in range(4):
            standby.catch_up(watcher.poll(float(next(clock))))


WORK: dict[str, Callable[[Path, Settings, Report], None]] = {
    "survey": do_survey,
    "rank": do_rank,
    "watch": do_watch,
}


CACHES = {"rank": ("empty", "known"), "survey": ("none", "known"), "watch": ("empty", "known")}
"""With which caches each is killed. Without one, what is finished is kept by the output alone."""


class Kit:
    """Takes, references, and cases made of them.

    Parameters
    ----------
    root : Path
        An empty folder.
    """

    def __init__(self, root: Path) -> None:
        self.root, self.place = root, root / "place"
        self._takes = root / "takes"
        self._takes.mkdir()
        for name in TAKES:
            samples, rate = soundfile.read(FOLDER / f"{name}.flac", dtype="int32")
            cut = samples[rate : rate + int(LENGTH_S * rate)]
            soundfile.write(self._takes / f"{name}.wav", cut, rate, "PCM_24")
        self._content = {file.name: file.read_bytes() for file in self._takes.iterdir()}
        self.killed = 0
        self.results: dict[str, bytes] = {}
        self._cpu_s: dict[tuple[str, str], float] = {}
        for work, caches in CACHES.items():
            for cache in caches:
                settings = self._set_up(cache)
                start = time.process_time()
                WORK[work](self.place, settings, lambda _: None)
                self._cpu_s[work, cache] = time.process_time() - start
                self.results[work] = self._result()
                if cache == "empty" and not (root / "known").exists():
                    shutil.copytree(self.place / "cache", root / "known")

    def _set_up(self, cache: str) -> Settings:
        """Make the place anew, and return the settings for it."""
        shutil.rmtree(self.place, ignore_errors=True)
        self.place.mkdir()
        shutil.copytree(self._takes, self.place / "takes")
        if cache == "known":
            shutil.copytree(self.root / "known", self.place / "cache")
        settings = make_settings([self.place])
        return settings if cache == "none" else replace(settings, cache=self._cache())

    def _cache(self) -> Cache:
        return Cache(self.place / "cache")

    def _result(self) -> bytes:
        (file,) = self.place.glob(f"{OUTPUT}*")
        return file.read_bytes()

    def try_case(self, number: int) -> str:
        """Kill a run and go on with it; return what went wrong, if anything.

        Parameters
        ----------
        number : int
            Of the case; the same number is the same work, killed at about the same moment.
        """
        rng = random.Random(number)
        work = sorted(WORK)[number % len(WORK)]
        cache = rng.choice(CACHES[work])
        settings = self._set_up(cache)
        finished = self._killed(work, settings, cache, rng)
        before = self._lines()
        read: list[str] = []
        real = takefile.read

        def counting(path: str) -> Any:
            read.append(path)
            return real(path)

        takefile.read = counting
        try:
            WORK[work](self.place, settings, lambda _: None)
        except Exception as error:
            return f"{work}, cache {cache}: cannot go on: {type(error).__name__}: {error}"
        finally:
            takefile.read = real
        wrong = [*self._lost(finished, read), *self._changed(work, before)]
        return f"{work}, cache {cache}: {'; '.join(wrong)}" if wrong else ""

    def _killed(self, work: str, settings: Settings, cache: str, rng: random.Random) -> list[str]:
        """Run in a child that is killed; return which takes it had finished."""
        after_s = rng.uniform(0.0, 1.2 * self._cpu_s[work, cache])
        touch = rng.randrange(1, 80) if rng.random() < 0.5 else 0
        reads, writes = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reads)
            self._die(work, settings, writes, after_s, touch)
        os.close(writes)
        with open(reads, "rb") as told:
            finished = told.read().split(b"\0")[:-1]
        _, status = os.waitpid(child, 0)
        self.killed += os.WIFSIGNALED(status)
        if os.WIFEXITED(status) and os.WEXITSTATUS(status):
            raise RuntimeError(f"{work}, cache {cache}: ended by itself")
        return [os.fsdecode(path) for path in finished]

    def _die(self, work: str, settings: Settings, pipe: int, after_s: float, touch: int) -> None:
        place, count = str(self.place), 0

        def watch(event: str, arguments: tuple[object, ...]) -> None:
            # Python tells its audit hooks of each touch of a file before it happens.
            nonlocal count
            if event in TOUCHES and any(
                isinstance(word, str | bytes) and os.fsdecode(word).startswith(place)
                for word in arguments
            ):
                count += 1
                if count == touch:
                    os.kill(os.getpid(), signal.SIGKILL)

        try:
            if touch:
                sys.addaudithook(watch)
            else:
                signal.signal(signal.SIGPROF, signal.SIG_DFL)  # which ends a process at once
                signal.setitimer(signal.ITIMER_PROF, max(after_s, 1e-4))
            WORK[work](self.place, settings, lambda path: _tell(pipe, path))
            os._exit(0)
        except BaseException:
            os._exit(1)

    def _lines(self) -> bytes:
        """Return what stands in the output, torn or not."""
        return b"".join(file.read_bytes() for file in sorted(self.place.glob(f"{OUTPUT}*.jsonl")))

    @staticmethod
    def _lost(finished: list[str], read: list[str]) -> Iterator[str]:
        again = sorted({*finished} & {*read})
        if again:
            yield f"{len(again)} finished takes were measured again"

    def _changed(self, work: str, before: bytes) -> Iterator[str]:
        takes = {file.name: file.read_bytes() for file in (self.place / "takes").iterdir()}
        if takes != self._content:
            yield "a take was changed"
        left = {file.name for file in self.place.iterdir()} - {"takes", "cache"}
        temporary = {name for name in left if name.startswith(".vocheck-")}
        if len(left - temporary) != 1:
            yield f"left over: {sorted(left)}"
            return
        result = self._result()
        if work == "watch":  # added to: what stood there first stays there
            if not result.startswith(before[: before.rfind(b"\n") + 1]):
                yield "a line that was written is gone"
            result = b"".join(sorted(_whole_lines(result)))
            if result != b"".join(sorted(_whole_lines(self.results[work]))):
                yield "the lines are not those of a run that went through"
        elif result != self.results[work]:
            yield "the result is not that of a run that went through"


def _tell(pipe: int, path: str) -> None:
    os.write(pipe, os.fsencode(path) + b"\0")


def _whole_lines(content: bytes) -> Iterator[bytes]:
    for line in content.splitlines(keepends=True):
        try:
            json.loads(line)
        except ValueError:
            continue  # torn, and closed off
        yield line


def kill_command(root: Path, number: int, expected: bytes | None) -> tuple[bytes, str]:
    """Kill ``vocheck survey`` with its workers, go on, and compare.

    Parameters
    ----------
    root : Path
        Holds ``takes``.
    number : int
        Of the case.
    expected : bytes or None
        The right result; ``None`` to run without killing.

    Returns
    -------
    result : bytes
    wrong : str
    """
    output = root / "command.jsonl"
    output.unlink(missing_ok=True)
    words = [sys.executable, "-m", "vocheck", "survey", "takes", "-o", output.name, "-q"]
    rng = random.Random(number)
    env = {**os.environ, "VOCHECK_CACHE": os.path.join(os.devnull, "none")}

    def start() -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [*words, "--no-cache"],
            cwd=root,
            env=env,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )

    kills = 0
    while True:
        child = start()
        try:
            _, told = child.communicate(timeout=None if expected is None else rng.uniform(0.5, 9.0))
        except subprocess.TimeoutExpired:
            if kills >= 5:
                _, told = child.communicate()
            else:
                kills += 1
                if rng.random() < 0.5:
                    child.kill()  # its workers find their pipes closed
                else:
                    os.killpg(child.pid, signal.SIGKILL)
                child.communicate()
                continue
        break
    result = output.read_bytes() if output.exists() else b""
    if child.returncode:
        return result, f"case {number}: status {child.returncode}: {told.decode(errors='replace')}"
    wrong = "" if expected in (None, result) else "the result is another"
    return result, f"case {number}, after {kills} kills: {wrong}" if wrong else ""


def main() -> int:
    """Try cases and print what went wrong."""
    parser = argparse.ArgumentParser(prog="python -m tests.hostile.kills", description=__doc__)
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--commands", type=int, default=0, help="cases of the whole command")
    asked = parser.parse_args()
    failed = 0
    with tempfile.TemporaryDirectory() as folder:
        kit = Kit(Path(folder))
        for number in range(asked.first, asked.first + asked.cases):
            if wrong := kit.try_case(number):
                failed += 1
                print(f"case {number}: {wrong}", flush=True)
        print(f"{asked.cases} cases, {kit.killed} killed, {failed} failed", flush=True)
        expected: bytes | None = None
        for number in range(asked.commands + 1 if asked.commands else 0):
            result, wrong = kill_command(Path(folder), number, expected)
            expected = expected or result
            if wrong:
                failed += 1
                print(wrong, flush=True)
        print(f"{asked.commands} cases of the command; {failed} failed in all", flush=True)
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
