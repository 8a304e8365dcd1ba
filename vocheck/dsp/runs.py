"""Runs: where a mask holds without a break."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

__all__ = ["joined", "runs_of"]


def runs_of(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Return the runs of a mask.

    Parameters
    ----------
    mask : ndarray of bool, shape (frames,)

    Returns
    -------
    ndarray of int, shape (runs, 2)
        First frame of each run, and the first after it.
    """
    change = np.diff(mask.view(np.int8), prepend=np.int8(0), append=np.int8(0))
    return np.flatnonzero(change).reshape(-1, 2)


def joined(runs: Iterable[tuple[int, int]], gap: int) -> list[tuple[int, int]]:
    """Return runs with those joined that fewer than `gap` frames part.

    Parameters
    ----------
    runs : iterable of (int, int)
        First frame, and the first after the run; in the order of their starts.
    gap : int
    """
    result: list[tuple[int, int]] = []
    for start, end in runs:
        if result and start - result[-1][1] < gap:
            result[-1] = (result[-1][0], max(end, result[-1][1]))
        else:
            result.append((start, end))
    return result
