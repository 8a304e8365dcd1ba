"""Matrix products on the calling thread alone.

The products of this package are short. On a busy machine the other threads of a BLAS only wait for
each other, and waiting costs CPU time: many times that of the work.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

__all__ = ["one_thread"]

_lock = threading.Lock()
_users = 0
_before: Any = None  # remembers the limits that the first to enter found


@contextmanager
def one_thread() -> Iterator[None]:
    """Keep matrix products to the calling thread, in a ``with`` block or as a decorator.

    The limit belongs to the process. Whoever leaves restores what was there before the first one
    entered, so that the process is left as it was; the next to enter sets the limit again. Some
    BLAS libraries let no thread but the main one change it: on other threads the limit may have no
    effect. Where ``OPENBLAS_NUM_THREADS`` is 1, as in the commands, nothing is to be done.
    """
    if os.environ.get("OPENBLAS_NUM_THREADS") == "1":
        yield
        return
    _enter()
    try:
        yield
    finally:
        _leave()


def _enter() -> None:
    global _users, _before
    from threadpoolctl import threadpool_limits

    with _lock:
        limit = threadpool_limits(1, user_api="blas")
        if _users == 0:
            _before = limit
        _users += 1


def _leave() -> None:
    global _users
    with _lock:
        _users -= 1
        _before.restore_original_limits()
