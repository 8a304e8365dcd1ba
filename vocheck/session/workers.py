"""Worker processes for takes: a file that crashes, hangs or eats memory costs itself only.

Decoders are C code fed with files from anywhere. One that crashes takes its process along, so takes
are measured in other processes. `WorkerPool` is an executor (`concurrent.futures.Executor`) like
those of the standard library, but for what happens when a worker dies: the work it had is told as
`WorkerDied`, the worker is started anew, and the rest of the work goes on.
(`concurrent.futures.ProcessPoolExecutor` gives all of its work up.) Each worker has a pipe of its
own and a thread here that waits at it, so that a dead worker holds nothing that another needs.

Workers are forked from a server that has imported what measuring needs (``forkserver``), so that a
new one costs milliseconds and no thread of this process is forked; where that is not offered, they
are spawned. Nothing is started before there is work. What a pool does takes longer than a thread
would for the first take (the imports) and less from the second on: Python's lock lets threads use
one core and a half (docs/performance.md).

A worker may use so much memory, and so much CPU time for one piece of work; the work itself asks
for more with `allow_cpu_s` once it knows how long its recording is.
"""

from __future__ import annotations

import os
import pickle
import queue
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from types import ModuleType
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

T = TypeVar("T")

START_CPU_S = 60.0
"""CPU time for work that has not said how long its recording is: opening takes well under 1 s."""
CPU_S_PER_S = 2.0
"""CPU time for each second of a recording: measuring it takes 0.02 s, hearing its words 0.3 s."""
WALL_S = 1800.0
"""A worker that has not answered by then waits for what will not come (a disk in the network)."""
_LEAST_BYTES = 2 * 1024**3  # our choice: no worker is held to less
_PRELOADED = ("vocheck.session.warm",)


class WorkerDied(Exception):
    """A worker ended before its work was done; the message says how, in a few words."""


class WorkerPool(Executor):
    """An executor of supervised processes.

    Parameters
    ----------
    workers : int
        How many there are at most.
    initializer : callable, optional
        A module-level function that each worker calls first.
    wall_s : float
        After so many seconds a piece of work is given up.

    Notes
    -----
    Functions, arguments and results must be picklable, and none may be of the program's main
    module, which workers do not know.
    """

    def __init__(
        self,
        workers: int,
        initializer: Callable[[], None] | None = None,
        wall_s: float = WALL_S,
    ) -> None:
        self._most = workers
        self._initializer = initializer
        self._wall_s = wall_s
        self._memory_bytes = max(_LEAST_BYTES, _physical_bytes() // max(1, workers))
        self._tasks: queue.SimpleQueue[_Task | None] = queue.SimpleQueue()
        self._threads: list[threading.Thread] = []
        self._workers: set[_Worker] = set()
        self._lock = threading.Lock()
        self._closed = False

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Have `fn` called with these arguments in a worker; see `concurrent.futures.Executor`."""
        future: Future[T] = Future()
        with self._lock:
            if self._closed:
                raise RuntimeError("the pool was shut down")
            self._tasks.put(_Task(future, fn, args, kwargs))
            if len(self._threads) < self._most:
                thread = threading.Thread(target=self._supervise, daemon=True)
                self._threads.append(thread)
                thread.start()
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the workers once their work is done; what waits is cancelled if so asked."""
        with self._lock:
            if not self._closed:
                self._closed = True
                if cancel_futures:
                    self._cancel_waiting()
                for _ in self._threads:
                    self._tasks.put(None)
        if wait:
            for thread in self._threads:
                thread.join()

    def __exit__(self, kind: object, *_: object) -> None:
        """Shut down; where an error or Ctrl-C ended the block, wait for no work."""
        if kind is not None:
            self.shutdown(wait=False, cancel_futures=True)
            with self._lock:
                for worker in self._workers:
                    worker.kill()
        self.shutdown(wait=True)

    def _cancel_waiting(self) -> None:
        while True:
            try:
                task = self._tasks.get_nowait()
            except queue.Empty:
                return
            if task is not None:
                task.future.cancel()

    def _supervise(self) -> None:
        """Give work to one worker, as long as there is any; start it anew when it has died."""
        worker: _Worker | None = None
        while (task := self._tasks.get()) is not None:
            if not task.future.set_running_or_notify_cancel():
                continue
            try:
                if worker is None:
                    worker = _Worker(self._memory_bytes, self._initializer)
                    with self._lock:
                        self._workers.add(worker)
                task.future.set_result(worker.do(task, self._wall_s))
            except BaseException as error:
                task.future.set_exception(error)
                if worker is not None and worker.is_dead:
                    self._forget(worker)
                    worker = None
        if worker is not None:
            worker.stop()
            self._forget(worker)

    def _forget(self, worker: _Worker) -> None:
        with self._lock:
            self._workers.discard(worker)


class _Task:
    """A call, and where its result goes."""

    def __init__(
        self,
        future: Future[Any],
        fn: Callable[..., Any],
        args: tuple[Any, ...],
        kwargs: dict[str, Any],
    ) -> None:
        self.future = future
        self.call = fn, args, kwargs


class _Worker:
    """One process and the pipe to it, as the supervising thread sees them."""

    def __init__(self, memory_bytes: int, initializer: Callable[[], None] | None) -> None:
        context = _context()
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(
            target=_work, args=(theirs, memory_bytes, initializer), daemon=True
        )
        with _one_start_at_a_time, _bare_main():
            self._process.start()
        theirs.close()  # so that the pipe ends when the worker does
        self.is_dead = False

    def do(self, task: _Task, wall_s: float) -> Any:
        """Have a call done; return what it returns, raise what it raises.

        Raises
        ------
        WorkerDied
            If the worker ended meanwhile, or was ended because it did not answer.
        """
        call = pickle.dumps(task.call)
        try:
            self._pipe.send_bytes(call)
            if not self._pipe.poll(wall_s):
                self._end()
                raise WorkerDied(f"no answer within {wall_s:.0f} s")
            answer = self._pipe.recv_bytes()
        except (EOFError, OSError):
            raise WorkerDied(self._end()) from None
        done, value = pickle.loads(answer)
        if not done:
            raise value
        return value

    def stop(self) -> None:
        """Let the worker end: it does when the pipe is closed."""
        self._pipe.close()
        self._process.join()

    def kill(self) -> None:
        """End the process now; the thread that waits for it sees the pipe end."""
        self._process.kill()

    def _end(self) -> str:
        """Make sure that the process has ended, and return how it did."""
        self.is_dead = True
        self._process.join(1.0)
        self._process.kill()  # no harm where it has ended
        self._process.join()
        self._pipe.close()
        code = self._process.exitcode or 0
        return f"the process ended with status {code}" if code >= 0 else how_it_died(-code)


_DEATHS = {
    "SIGPROF": "took too much time",
    "SIGKILL": "the process was killed (the machine may be out of memory)",
    "SIGSEGV": "the decoder crashed (SIGSEGV)",
    "SIGABRT": "the decoder crashed (SIGABRT)",
}


def how_it_died(number: int) -> str:
    """Return in a few words what it means that a signal ended a process."""
    name = signal.Signals(number).name if number in set(signal.Signals) else f"signal {number}"
    return _DEATHS.get(name, f"the process was ended by {name}")


_one_start_at_a_time = threading.Lock()
_in_worker = False


def _context() -> Any:
    import multiprocessing  # only where there is a pool: a single take need not wait for it

    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(_PRELOADED))
    return context


@contextmanager
def _bare_main() -> Iterator[None]:
    """Hide the main module from a process that starts, or it would run the program once more.

    `multiprocessing` has each new process import it, which is why it asks programs for an
    ``if __name__ == "__main__":``. Our work is in modules of its own.
    """
    main = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main


def _physical_bytes() -> int:
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return 0  # not told on this system


# -- In the worker -------------------------------------------------------------------------------


def _work(pipe: Connection, memory_bytes: int, initializer: Callable[[], None] | None) -> None:
    """Do what comes through the pipe until it ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that asks
    limit_this_process(memory_bytes)
    if not os.environ.get("VOCHECK_DEBUG"):
        # What a C library says on its way down is no line for the user.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    if initializer is not None:
        initializer()
    while True:
        try:
            call = pipe.recv_bytes()
        except (EOFError, OSError):
            return
        pipe.send_bytes(_answer(call))


def limit_this_process(memory_bytes: int | None = None) -> None:
    """Let this process, which may be lost, use only so much memory and time.

    Parameters
    ----------
    memory_bytes : int, optional
        All that this machine has where omitted.
    """
    global _in_worker
    _in_worker = True
    _limit_memory(max(_LEAST_BYTES, _physical_bytes()) if memory_bytes is None else memory_bytes)
    allow_cpu_s(START_CPU_S)


def _answer(call: bytes) -> bytes:
    allow_cpu_s(START_CPU_S)
    try:
        fn, args, kwargs = pickle.loads(call)
        return pickle.dumps((True, fn(*args, **kwargs)))
    except Exception as error:
        try:
            told = pickle.dumps((False, error))
            pickle.loads(told)  # some errors are pickled but cannot be read again
            return told
        except Exception:
            return pickle.dumps((False, RuntimeError(f"{type(error).__name__}: {error}")))
    finally:
        allow_cpu_s(0.0)


def allow_length(length_s: float) -> None:
    """Allow this worker the CPU time that a recording of so many seconds may take from now on."""
    allow_cpu_s(START_CPU_S + CPU_S_PER_S * length_s)


def allow_cpu_s(seconds: float) -> None:
    """End this worker once it has used so much more CPU time; 0 for no end.

    The clock is the kernel's: code that never comes back to Python is ended as well. Without effect
    outside a worker, and where the system has no such clock.
    """
    if _in_worker and hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_PROF, seconds)  # its signal ends a process


def _limit_memory(memory_bytes: int) -> None:
    if sys.platform == "win32":
        return
    import resource

    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    most = memory_bytes if hard == resource.RLIM_INFINITY else min(memory_bytes, hard)
    try:
        resource.setrlimit(resource.RLIMIT_AS, (most, hard))
    except (ValueError, OSError):
        return  # the system does not limit that; the machine's own end remains
