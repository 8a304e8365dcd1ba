"""Alignment of two sequences of feature frames, each of which may hold stretches the other lacks.

Method: dynamic programming as for biological sequences (Gotoh, "An improved algorithm for matching
biological sequences", J. Mol. Biol. 162, 1982): frames are matched, along slopes between one half
and two as in dynamic time warping (Sakoe and Chiba 1978), or left out on either side at a price for
opening a gap and a price per frame. Both sequences are aligned from end to end. The cells of one
anti-diagonal do not depend on each other, so each diagonal is a handful of vector operations.
"""

from __future__ import annotations

from collections.abc import Sequence
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
    along = width - 1  # from a cell of an anti-diagonal to the next, one row down
    skip_a = np.concatenate((skip_a[:1], skip_a)).astype(np.float32)
    skip_b = np.concatenate((skip_b[:1], skip_b)).astype(np.float32)
    back = np.zeros((3, n + m + 1, n + 1), np.int8)
    # The scores of four diagonals; row i (frames of a used up) stands at i + _PAD.
    rings = [np.full((3, n + 1 + _PAD), _FAR, np.float32) for _ in range(4)]
    rings[0][_MATCH, _PAD] = 0.0
    last, last_but_one, last_but_two, scores = rings
    gap = np.float32(open_gap)
    for k in range(1, n + m + 1):
        low, high = max(0, k - m), min(n, k)
        if corridor is not None:
            low, high = max(low, int(corridor[k, 0])), min(high, int(corridor[k, 1]))
        count = high - low + 1
        here, above = slice(low + _PAD, high + 1 + _PAD), slice(low + 1, high + 2)
        two_above = slice(low, high + 1)
        codes = back[:, k, low : high + 1]
        scores.fill(_FAR)

        options = last[:, above]
        best, codes[_WITHOUT_A] = _cheapest(
            (options[_MATCH] + gap, options[_WITHOUT_A], options[_WITHOUT_B] + gap)
        )
        scores[_WITHOUT_A, here] = best + skip_a[low : high + 1]

        options = last[:, here]
        best, codes[_WITHOUT_B] = _cheapest(
            (options[_MATCH] + gap, options[_WITHOUT_A] + gap, options[_WITHOUT_B])
        )
        # Rows down, frames of b used up get fewer.
        scores[_WITHOUT_B, here] = best + skip_b[k - high : k - low + 1][::-1]
        if high == k:  # no frame of b is used up: none can be left out
            scores[_WITHOUT_B, high + _PAD] = _FAR

        # The cell of the frames i - 1 and j - 1, of the row low and of those below it.
        cell = (low + 1) * width + (k - low) + 1
        own, left, upper = (
            flat[first : first + (count - 1) * along + 1 : along]
            for first in (cell, cell - 1, cell - width)
        )
        # Both frames of a double step are paid for, or stretching would be cheaper than matching.
        options = last_but_one[:, above]
        best, codes[_MATCH] = _cheapest(
            (
                *options,
                last_but_two[_MATCH, above] + left,
                last_but_two[_MATCH, two_above] + upper,
            )
        )
        scores[_MATCH, here] = np.minimum(best + own, _FAR)
        last, last_but_one, last_but_two, scores = scores, last, last_but_one, last_but_two
    return _trace(back, n, m, int(last[:, n + _PAD].argmin()))


def _cheapest(
    options: Sequence[npt.NDArray[np.float32]],
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.int8]]:
    """Return the least of some options in each place, and which it is: the first of equals."""
    least = options[0]
    code = np.zeros(len(least), np.int8)
    for number, option in enumerate(options[1:], start=1):
        code[option < least] = number
        least = np.minimum(least, option)
    return least, code


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
