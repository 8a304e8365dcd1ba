"""An archive on many machines: what handing out costs here, and a simulation of a thousand workers.

A scheduler and two workers of dask are started on the loopback address. Tasks that measure nothing
but answer with as many lines go through `vocheck survey`'s own loop; the CPU time that scheduler
and client spend on each is put into a model of a large cluster::

    python -m tests.benchmarks.scale --write
"""

from __future__ import annotations

import argparse
import heapq
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.sections import load, write_section

PAGE = Path(__file__).parents[2] / "docs" / "scale.md"
LINE_BYTES = 6200
TICKS = os.sysconf("SC_CLK_TCK")
FILES, WORKERS = 1_000_000, 1000
MEAN_S, SPREAD = 20.0, 0.8
"""Recordings: lognormal, of 20 s on average; the longest of a million lasts some 11 minutes."""
FULL_S = 22.0
"""A task is also full with so many seconds a recording: 50 MB for 16, at 48 kHz and 24 bits."""
S_PER_S, S_PER_FILE = 0.72 / 60, 0.01
"""CPU time of a recording: see the table "A take" of docs/performance.md; opening and writing."""
QUEUED, HELD = 2000, 2
"""Tasks handed out at a time; tasks that a worker with one thread holds (dask's saturation 1.1)."""
STRAGGLING, SLOWER = 0.01, 5.0
"""One task in a hundred takes five times as long: a cold disk, a neighbor on the machine."""
LIFE_S, RESTART_S = 24 * 3600.0, 300.0
"""A worker is lost once a day, and is back after five minutes."""


def answer(count: int) -> list[str]:
    """Return as many lines as a task gives, without measuring anything."""
    return ["x" * LINE_BYTES] * count


def cpu_s(pid: int) -> float:
    """Return the CPU time that a process has used (Linux)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def dask(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "dask", *words, "--no-dashboard"],
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def overhead_s(tasks: int, per_task: int) -> tuple[float, float]:
    """Return the CPU time of a task at the scheduler, and in the process that hands it out."""
    import distributed

    from vocheck.survey.work import as_done

    scheduler = dask("scheduler", "--host", "127.0.0.1", "--port", "0")
    started = [scheduler]
    try:
        assert scheduler.stderr is not None
        line = next(line for line in scheduler.stderr if "Scheduler at:" in line)
        address = line.split()[-1]
        started += [dask("worker", address, "--nthreads", "1", "--no-nanny") for _ in range(2)]
        client = distributed.Client(address, timeout=120, set_as_default=False)
        client.wait_for_workers(2, timeout=240)
        executor = client.get_executor(pure=False)
        before = cpu_s(scheduler.pid), time.process_time()
        counts = iter([per_task] * tasks)
        # The module is named, as it is `__main__` here and unknown to the workers.
        from tests.benchmarks.scale import answer as work

        for _, future in as_done(lambda n: executor.submit(work, n), counts, QUEUED):
            future.result()
        spent = cpu_s(scheduler.pid) - before[0], time.process_time() - before[1]
        client.close()
    finally:
        for process in started:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
    return spent[0] / tasks, spent[1] / tasks


@dataclass
class Server:
    """Does one thing after another."""

    free_s: float = 0.0
    busy_s: float = 0.0

    def serve(self, at_s: float, for_s: float) -> float:
        """Return when something that comes at a time is done."""
        self.free_s = max(self.free_s, at_s) + for_s
        self.busy_s += for_s
        return self.free_s


class Simulation:
    """A cluster that measures an archive.

    Parameters
    ----------
    files, workers, per_task : int
    scheduler_s, client_s : float
        What a task costs each of them.
    troubled : bool
        Whether there are stragglers and lost workers.
    """

    def __init__(
        self,
        files: int,
        workers: int,
        per_task: int,
        scheduler_s: float,
        client_s: float,
        *,
        troubled: bool = True,
        seed: int = 1,
    ) -> None:
        self.rng = random.Random(seed)
        mu = -0.5 * SPREAD**2
        lengths = sorted(
            (MEAN_S * self.rng.lognormvariate(mu, SPREAD) for _ in range(files)), reverse=True
        )
        costs = [S_PER_FILE + S_PER_S * length for length in lengths]
        parts, part, seconds = [], [], 0.0
        for length, cost in zip(lengths, costs, strict=True):
            part.append(cost)
            seconds += length
            if len(part) == per_task or seconds >= per_task * FULL_S:
                parts.append(sum(part))
                part, seconds = [], 0.0
        parts.append(sum(part))
        self.ideal_s = sum(costs) / workers
        self.todo = deque(parts)
        self.scheduler, self.client = Server(), Server()
        self.costs_s = scheduler_s, client_s
        self.troubled = troubled
        self.held: list[deque[float]] = [deque() for _ in range(workers)]
        self.epochs = [0] * workers
        self.down = [False] * workers
        self.ready: deque[float] = deque()
        self.lost = 0
        self.outstanding = 0
        self.events: list[tuple[float, int, str, int, int]] = []
        self.count = 0

    def push(self, at_s: float, kind: str, worker: int = 0) -> None:
        """Let something happen at a time."""
        self.count += 1
        heapq.heappush(self.events, (at_s, self.count, kind, worker, self.epochs[worker]))

    def submit(self, at_s: float) -> None:
        """Hand out the next task."""
        if self.todo:
            self.outstanding += 1
            self.ready.append(self.todo.popleft())
            self.push(self.scheduler.serve(at_s, self.costs_s[0] / 2), "ready")

    def give(self, at_s: float, worker: int) -> None:
        """Let a worker hold as many tasks as it may."""
        held = self.held[worker]
        while self.ready and len(held) < HELD and not self.down[worker]:
            held.append(self.ready.popleft())
            if len(held) == 1:
                self.begin(at_s, worker)

    def begin(self, at_s: float, worker: int) -> None:
        """Let a worker begin what it holds first."""
        slow = self.troubled and self.rng.random() < STRAGGLING
        self.push(at_s + self.held[worker][0] * (SLOWER if slow else 1.0), "done", worker)

    def run(self) -> float:
        """Return how long it takes, in seconds."""
        everybody = range(len(self.held))
        for _ in range(QUEUED):
            self.submit(0.0)
        if self.troubled:
            for worker in everybody:
                self.push(self.rng.expovariate(1 / LIFE_S), "lost", worker)
        hungry = deque(everybody)
        end = 0.0
        while self.outstanding:
            at_s, _, kind, worker, epoch = heapq.heappop(self.events)
            if kind == "ready" and hungry:
                self.give(at_s, hungry.popleft())
            elif kind == "done" and epoch == self.epochs[worker]:
                self.held[worker].popleft()
                if self.held[worker]:
                    self.begin(at_s, worker)
                told = self.scheduler.serve(at_s, self.costs_s[0] / 2)
                end = self.client.serve(told, self.costs_s[1])
                self.outstanding -= 1
                self.submit(end)
                self.give(told, worker)
                if len(self.held[worker]) < HELD:
                    hungry.append(worker)
            elif kind == "lost":
                self.lose(at_s, worker)
            elif kind == "back":
                self.down[worker] = False
                self.push(at_s + self.rng.expovariate(1 / LIFE_S), "lost", worker)
                self.give(at_s, worker)
                hungry.append(worker)
        return end

    def lose(self, at_s: float, worker: int) -> None:
        """Give the tasks of a worker back; what it had done of them is lost."""
        self.lost += len(self.held[worker])
        self.ready.extendleft(self.held[worker])
        self.held[worker].clear()
        self.epochs[worker] += 1
        self.down[worker] = True
        self.push(at_s + RESTART_S, "back", worker)
        for other in range(len(self.held)):
            if not self.ready:
                break
            self.give(at_s, other)


def rows(scheduler_s: float, client_s: dict[int, float], files: int) -> Iterator[str]:
    """Yield a row of the table for each number of recordings in a task."""
    yield "| recordings a task | troubles | hours | efficiency | scheduler busy | tasks lost |"
    yield "|---|---|---|---|---|---|"
    for per_task, troubled in ((1, False), (16, False), (16, True), (64, True)):
        known = client_s[min(client_s, key=lambda n: abs(n - per_task))]
        one = Simulation(files, WORKERS, per_task, scheduler_s, known, troubled=troubled)
        took = one.run()
        yield (
            f"| {per_task} | {'yes' if troubled else 'no'} | {took / 3600:.2f} | "
            f"{100 * one.ideal_s / took:.0f} % | {100 * one.scheduler.busy_s / took:.0f} % | "
            f"{one.lost} |"
        )


def main() -> None:
    """Measure, simulate, print, and write the section when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=FILES)
    parser.add_argument("--tasks", type=int, default=400, help="for the overhead")
    parser.add_argument("--costs", help="scheduler and client, in ms a task: do not measure")
    parser.add_argument("--write", action="store_true", help="into docs/scale.md")
    asked = parser.parse_args()
    if asked.costs:
        scheduler_s, alone_s, full_s = (float(ms) / 1000 for ms in json.loads(asked.costs))
    else:
        _, alone_s = overhead_s(asked.tasks, 1)
        scheduler_s, full_s = overhead_s(asked.tasks, 16)
    print(f"scheduler {1e3 * scheduler_s:.2f}, client {1e3 * alone_s:.2f}, {1e3 * full_s:.2f} ms")
    table = "\n".join(rows(scheduler_s, {1: alone_s, 16: full_s}, asked.files))
    print(table)
    if asked.write:
        measuring = 16 * (S_PER_FILE + S_PER_S * MEAN_S)
        how = (
            f"A task costs the scheduler {1e3 * scheduler_s:.1f} ms of CPU time, and the process "
            f"that hands it out {1e3 * alone_s:.1f} ms with one recording and {1e3 * full_s:.1f} "
            f"ms with sixteen; measuring sixteen recordings of 20 s takes {measuring:.1f} s. "
            f"{load()}\n\nThe model: {asked.files} recordings (lognormal, 20 s on average) on "
            f"{WORKERS} workers. With troubles, one task in a hundred takes five times as long, "
            "and each worker is lost once a day and back after five minutes; what it held is done "
            "again. Efficiency is the CPU time of measuring over that of all workers until the "
            "end. Reading from the network is not in it."
        )
        write_section("scale", "A thousand workers", f"{how}\n\n{table}", PAGE)


if __name__ == "__main__":
    main()
