"""The limit on threads of matrix products holds inside, and nowhere else."""

from __future__ import annotations

import os
import subprocess
import sys
import threading

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from vocheck.dsp.threads import one_thread
from vocheck.measurements import measure
from vocheck.recording import Recording


def most_threads() -> int:
    """Return how many threads the BLAS libraries of this process may use."""
    return max(one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas")


@pytest.fixture(autouse=True)
def _two_threads(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    np.ones((2, 2)) @ np.ones((2, 2))
    with threadpool_limits(2, user_api="blas"):
        yield


def test_one_thread_inside_and_what_was_there_after():
    """It may be nested."""
    with one_thread():
        assert most_threads() == 1
        with one_thread():
            assert most_threads() == 1
    assert most_threads() == 2


@pytest.mark.parametrize("main_leaves_first", [True, False])
def test_whoever_leaves_last_the_process_is_as_before(main_leaves_first: bool):
    """Two threads that overlap leave no limit behind."""
    entered, leave = threading.Event(), threading.Event()

    def other() -> None:
        with one_thread():
            entered.set()
            leave.wait(10)

    thread = threading.Thread(target=other)
    with one_thread():
        thread.start()
        assert entered.wait(10)
        if not main_leaves_first:
            leave.set()
            thread.join()
    leave.set()
    thread.join()
    assert most_threads() == 2


def test_an_error_restores_what_was_there():
    """No call leaves the caller's process slower."""
    with pytest.raises(ValueError, match="no"), one_thread():
        raise ValueError("no")
    assert most_threads() == 2


def test_the_library_call_is_limited(monkeypatch: pytest.MonkeyPatch):
    """A measurement sees one thread, though nothing was set from outside."""
    from vocheck.measurements import level

    seen = []
    inner = level.measure
    monkeypatch.setattr(level, "measure", lambda r: seen.append(most_threads()) or inner(r))
    measure(Recording(np.zeros(4_800, np.float32), 48_000))
    assert seen == [1]
    assert most_threads() == 2


@pytest.mark.parametrize(("threads", "loaded"), [("1", False), ("2", True)])
def test_the_commands_do_not_pay_for_it(threads: str, loaded: bool):
    """Where the environment limits the threads already, nothing is imported."""
    code = (
        "import sys; from vocheck.dsp.threads import one_thread\n"
        "with one_thread(): pass\n"
        "print('threadpoolctl' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | {"OPENBLAS_NUM_THREADS": threads},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == str(loaded)
