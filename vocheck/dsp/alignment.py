"""Alignment of two sequences of feature frames, each of which may hold stretches the other lacks.

Method: dynamic programming as for biological sequences (Gotoh, "An improved algorithm for matching
biological sequences", J. Mol. Biol. 162, 1982): frames are matched, along slopes between one half
and two as in dynamic time warping (Sakoe and Chiba 1978), or left out on either side at a price for
opening a gap and a price per frame. Both sequences are aligned from end to end. The cells of one
anti-diagonal do not depend on each other, so each diagonal is a handful of vector operations.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

_MATCH, _WITHOUT_A, _WITHOUT_B = range(3)
_ONE_TWO, _TWO_ONE = 3, 4  # codes of the double steps, beside the three states a single one is from
_FAR = np.float32(1e9)
_PAD = 2  # a step looks back at most two rows


def align(
    cost: npt.NDArray[np.float32],
    skip_a: npt.NDArray[np.float32],
    skip_b: npt.NDArray[np.float32],
    open_gap: float,
) -> npt.NDArray[np.intp]:
    """Align two sequences, given what it costs to match their frames.

    Parameters
    ----------
    cost : ndarray, shape (frames of a, frames of b)
        Price of matching two frames: negative where they are alike, positive where they are not.
    skip_a, skip_b : ndarray, shape (frames of a,) and (frames of b,)
        Price of leaving a frame out.
    open_gap : float
        Price of starting to leave frames out, on top.

    Returns
    -------
    pairs : ndarray of int, shape (matches, 2)
        The matched frames of a and of b on the cheapest way from both starts to both ends.
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
        i = np.arange(max(0, k - m), min(n, k) + 1)
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


def _trace(back: npt.NDArray[np.int8], i: int, j: int, state: int) -> npt.NDArray[np.intp]:
    pairs = []
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
    return np.array(pairs[::-1], np.intp).reshape(-1, 2)
