"""Damaged files: read or refused in one line; no crash, no hang, no other exception.

``python -m tests.hostile --minutes 60`` tries ever new ones.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.hostile.mutants import run

CASES, WORKERS = 500, 2

FOUND: tuple[int, ...] = ()
"""Cases that a long run found to fail once, kept so that they never do again."""


@pytest.mark.parametrize("numbers", [range(CASES)])
def test_damaged_files(numbers: range) -> None:
    """Five hundred fixed cases, in workers whose memory and time are limited."""
    parts = [range(numbers.start + k, numbers.stop, WORKERS) for k in range(WORKERS)]
    parts += [range(number, number + 1) for number in FOUND]
    with ThreadPoolExecutor(WORKERS) as pool:
        results = list(pool.map(run, parts))
    failures = [failure for _, found in results for failure in found]
    assert not failures
    # Not all are refused: a good part is damaged in the middle only, and is read.
    assert sum(count for count, _ in results) > CASES // 5
