"""Workers that die, hang or run out of memory: each costs the work it had, and nothing else."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from concurrent.futures import Future
from pathlib import Path

import pytest

from tests.session.misfortunes import (
    crash,
    double,
    pid,
    raise_what_cannot_be_pickled,
    sleep,
    spin_past_a_limit,
    take_all_memory,
)
from vocheck.session.workers import WorkerDied, WorkerPool

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals end processes on POSIX only")


def test_work_is_done_in_other_processes():
    """Results come back in order; the same worker does one after another."""
    with WorkerPool(2) as pool:
        assert list(pool.map(double, range(20))) == [2 * k for k in range(20)]
        pids = set(pool.map(pid, range(20)))
    assert os.getpid() not in pids
    assert 1 <= len(pids) <= 2


@pytest.mark.parametrize(
    ("misfortune", "wall_s", "told"),
    [
        (crash, 100.0, "crashed (SIGSEGV)"),
        (spin_past_a_limit, 100.0, "took too much time"),
        (sleep, 3.0, "no answer within 3 s"),
    ],
)
def test_what_ends_a_worker_costs_its_own_work_only(misfortune, wall_s: float, told: str):
    """The rest is done by the other worker and by the one started anew."""
    with WorkerPool(2, wall_s=wall_s) as pool:
        futures = [pool.submit(double, k) for k in range(5)]
        unlucky = pool.submit(misfortune)
        futures += [pool.submit(double, k) for k in range(5, 10)]
        with pytest.raises(WorkerDied, match=told.replace("(", r"\(").replace(")", r"\)")):
            unlucky.result()
        assert [future.result() for future in futures] == [2 * k for k in range(10)]


def test_a_worker_that_is_killed_from_outside_is_started_anew():
    """As the system does when memory runs out."""
    with WorkerPool(1) as pool:
        first = pool.submit(pid).result()
        os.kill(first, signal.SIGKILL)
        with pytest.raises(WorkerDied, match="killed"):
            pool.submit(pid).result()
        assert pool.submit(pid).result() != first


def test_errors_come_back():
    """Too little memory is an error as any other; one that cannot be pickled is told in words."""
    with WorkerPool(1) as pool:
        worker = pool.submit(pid).result()
        with pytest.raises(MemoryError):
            pool.submit(take_all_memory).result()
        with pytest.raises(RuntimeError, match="_OfItsOwn: 1 and"):
            pool.submit(raise_what_cannot_be_pickled).result()
        with pytest.raises(AttributeError):  # of this process: cannot be sent at all
            pool.submit(lambda: 1).result()
        assert pool.submit(pid).result() == worker


def test_nothing_is_started_before_there_is_work():
    """A pool for takes that are all known costs nothing."""
    with WorkerPool(4) as pool:
        assert not pool._threads
        pool.submit(double, 1).result()
        assert len(pool._threads) == 1


def test_a_closed_pool_takes_no_work():
    """As every executor."""
    pool = WorkerPool(1)
    pool.shutdown()
    with pytest.raises(RuntimeError):
        pool.submit(double, 1)


def test_an_error_in_the_block_does_not_wait_for_work():
    """Ctrl-C ends what hangs."""
    start = time.monotonic()
    futures: list[Future[None]] = []

    def interrupted() -> None:
        with WorkerPool(2) as pool:
            futures.extend(pool.submit(sleep) for _ in range(6))
            time.sleep(0.5)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert time.monotonic() - start < 60  # of 600
    assert all(future.done() for future in futures)


def test_a_program_without_a_guard_is_not_run_again(tmp_path: Path):
    """Workers do not import the program that asks."""
    program = tmp_path / "program.py"
    program.write_text(
        "print('once')\n"
        "import math\n"
        "from vocheck.session.workers import WorkerPool\n"
        "with WorkerPool(2) as pool:\n"
        "    print(list(pool.map(math.sqrt, [4.0, 9.0])))\n"
    )
    done = subprocess.run([sys.executable, program], capture_output=True, text=True, check=True)
    assert done.stdout == "once\n[2.0, 3.0]\n"
