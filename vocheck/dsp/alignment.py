"""Alignment of two sequences of feature frames, each of which may hold stretches the other lacks.

Method: dynamic programming as for biological sequences (Gotoh, "An improved algorithm for matching
biological sequences", J. Mol. Biol. 162, 1982): frames are matched, along slopes between one half
and two as in dynamic time warping (Sakoe and Chiba 1978), or left out on either side at a price for
opening a gap and a price per frame. Both sequences are aligned from end to end. The cells of one
anti-diagonal do not depend on each other, so each diagonal is a handful of vector operations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

_MATCH, _WITHOUT_A, _WITHOUT_B = range(3)
_ONE_TWO, _TWO_ONE = 3, 4  # codes of the double steps, beside the three states a single one is from
_FAR = np.float32(1e9)
_PAD = 2  # a step looks back at most two rows

Corridor = npt.NDArray[np.intp]
"""First and last row (frames of a used up) to look at on each anti-diagonal, shape
(frames of a + frames of b + 1, 2)."""


@dataclass(frozen=True, eq=False)
class Path:
    """The way through two sequences.

    Attributes
    ----------
    cells : ndarray of int, shape (steps, 2)
        How many frames of a and of b are used up after each step, from (0, 0) on.
    pairs : ndarray of int, shape (matches, 2)
        The frames of a and of b that were matched.
    """

    cells: npt.NDArray[np.intp]
    pairs: npt.NDArray[np.intp]


def align(
    cost: npt.NDArray[np.float32],
    skip_a: npt.NDArray[np.float32],
    skip_b: npt.NDArray[np.float32],
    open_gap: float,
    corridor: Corridor | None = None,
) -> Path:
    """Align two sequences, given what it costs to match their frames.

    Parameters
    ----------
    cost : ndarray, shape (frames of a, frames of b)
        Price of matching two frames: negative where they are alike, positive where they are not.
    skip_a, skip_b : ndarray, shape (frames of a,) and (frames of b,)
        Price of leaving a frame out.
    open_gap : float
        Price of starting to leave frames out, on top.
    corridor : Corridor, optional
        Where to look; everywhere where omitted.

    Returns
    -------
    Path
        The cheapest way from both starts to both ends.
    """
    n, m = cost.shape
    padded = np.full((n + _PAD, m + _PAD), _FAR, np.float32)
    padded[_PAD:, _PAD:] = cost
    flat, width = padded.ravel(), m + _PAD
    opening = np.float32(open_gap) * (1 - np.eye(3, dtype=np.float32))
    back = np.zeros((3, n + m + 1, n + 1), np.int8)
    start = np.full((3, n + 1 + _PAD), _FAR, np.float32)
    start[_MATCH, _PAD] = 0.0
    # The scores of the last three diagonals; row i (frames of a used up) stands at i + _PAD.
    last, last_but_one, last_but_two = start, np.full_like(start, _FAR), np.full_like(start, _FAR)
    for k in range(1, n + m + 1):
        low, high = max(0, k - m), min(n, k)
        if corridor is not None:
            low, high = max(low, int(corridor[k, 0])), min(high, int(corridor[k, 1]))
        i = np.arange(low, high + 1)
        j = k - i
        row, cell = i + _PAD, (i + 1) * width + j + 1  # cell of the frames i - 1 and j - 1
        scores = np.full_like(start, _FAR)

        options = last[:, row - 1] + opening[_WITHOUT_A][:, np.newaxis]
        back[_WITHOUT_A, k, i] = options.argmin(axis=0)
        scores[_WITHOUT_A, row] = options.min(axis=0) + skip_a[np.maximum(i - 1, 0)]

        options = last[:, row] + opening[_WITHOUT_B][:, np.newaxis]
        back[_WITHOUT_B, k, i] = options.argmin(axis=0)
        scores[_WITHOUT_B, row] = np.where(
            j > 0, options.min(axis=0) + skip_b[np.maximum(j - 1, 0)], _FAR
        )

        # Both frames of a double step are paid for, or stretching would be cheaper than matching.
        options = np.concatenate(
            (
                last_but_one[:, row - 1],
                (last_but_two[_MATCH, row - 1] + flat[cell - 1])[np.newaxis],
                (last_but_two[_MATCH, row - 2] + flat[cell - width])[np.newaxis],
            )
        )
        back[_MATCH, k, i] = options.argmin(axis=0)
        scores[_MATCH, row] = np.minimum(options.min(axis=0) + flat[cell], _FAR)
        last, last_but_one, last_but_two = scores, last, last_but_one
    return _trace(back, n, m, int(last[:, n + _PAD].argmin()))


def corridor_along(path: Path, scale: int, shape: tuple[int, int], half_width: int) -> Corridor:
    """Return a corridor around the path of a coarser alignment.

    Parameters
    ----------
    path : Path
        Of the same sequences, `scale` frames in one.
    scale : int
    shape : (int, int)
        Frames of a and of b at full resolution.
    half_width : int
        Frames to either side.
    """
    n, m = shape
    diagonals = np.concatenate(([0], path.cells.sum(axis=1) * scale, [n + m]))
    rows = np.concatenate(([0], path.cells[:, 0] * scale, [n]))
    along = np.interp(np.arange(n + m + 1), diagonals, rows).round().astype(np.intp)
    return np.column_stack((along - half_width, along + half_width))


def _trace(back: npt.NDArray[np.int8], i: int, j: int, state: int) -> Path:
    cells, pairs = [(i, j)], []
    while i > 0 or j > 0:
        code = int(back[state, i + j, i])
        if state == _WITHOUT_A:
            i, state = i - 1, code
        elif state == _WITHOUT_B:
            j, state = j - 1, code
        else:
            pairs.append((i - 1, j - 1))
            if code == _ONE_TWO:
                pairs.append((i - 1, j - 2))
                i, j, state = i - 1, j - 2, _MATCH
            elif code == _TWO_ONE:
                pairs.append((i - 2, j - 1))
                i, j, state = i - 2, j - 1, _MATCH
            else:
                i, j, state = i - 1, j - 1, code
        cells.append((i, j))
    return Path(
        cells=np.array(cells[::-1], np.intp),
        pairs=np.array(pairs[::-1], np.intp).reshape(-1, 2),
    )
