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
_BACK = 3  # and three diagonals

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
    table = _Table(cost, open_gap, corridor)
    skip_a = np.concatenate((skip_a[:1], skip_a)).astype(np.float32)
    # Rows down, frames of b used up get fewer.
    skip_b = np.concatenate((skip_b[:1], skip_b)).astype(np.float32)[::-1]
    minimum, gap = np.minimum, table.gap
    for k, low, high in zip(
        range(1, n + m + 1), table.low[1:].tolist(), table.high[1:].tolist(), strict=True
    ):
        above, here = table.rows(k - 1, low - 1, high - 1), table.rows(k - 1, low, high)
        scores, least = table.rows(k, low, high), table.least(k, low, high)
        match, without_a, without_b = scores

        opened = minimum(above[_MATCH], above[_WITHOUT_B])
        opened += gap
        minimum(opened, above[_WITHOUT_A], out=opened)
        np.add(opened, skip_a[low : high + 1], out=without_a)

        minimum(here[_MATCH], here[_WITHOUT_A], out=opened)
        opened += gap
        minimum(opened, here[_WITHOUT_B], out=opened)
        np.add(opened, skip_b[m - k + low : m - k + high + 1], out=without_b)
        if high == k:  # no frame of b is used up: none can be left out
            without_b[-1] = _FAR

        # Both frames of a double step are paid for, or stretching would be cheaper than matching.
        own, left, upper = table.costs(k, low, high)
        np.add(table.rows(k - 3, low - 1, high - 1)[_MATCH], left, out=opened)
        best = minimum(table.least(k - 2, low - 1, high - 1), opened)
        np.add(table.rows(k - 3, low - 2, high - 2)[_MATCH], upper, out=opened)
        minimum(best, opened, out=best)
        best += own
        minimum(best, _FAR, out=match)
        minimum(match, without_a, out=least)
        minimum(least, without_b, out=least)
    return _trace(table, n, m)


class _Table:
    """The scores of all diagonals, as wide as the corridor.

    Row i (frames of a used up) of diagonal k stands at ``i - base[k + _BACK]``; what lies out of
    the corridor, or before the start, is far.
    """

    def __init__(
        self, cost: npt.NDArray[np.float32], open_gap: float, corridor: Corridor | None
    ) -> None:
        n, m = cost.shape
        diagonals = np.arange(n + m + 1)
        low, high = np.maximum(0, diagonals - m), np.minimum(n, diagonals)
        if corridor is not None:
            low, high = np.maximum(low, corridor[:, 0]), np.minimum(high, corridor[:, 1])
        # A corridor that never goes back, so that no step comes from before its first column.
        self.low: npt.NDArray[np.intp] = np.minimum.accumulate(low[::-1])[::-1]
        self.high: npt.NDArray[np.intp] = high
        base = np.concatenate((np.full(_BACK, -_PAD), self.low - _PAD))
        reach = max(int((high - base[b : b + len(high)]).max()) for b in range(_BACK + 1))
        self._base: list[int] = base.tolist()
        self._scores = list(np.full((len(base), 3, reach + 1), _FAR, np.float32))
        self._least = list(np.full((len(base), reach + 1), _FAR, np.float32))
        self.rows(0, 0, 0)[_MATCH] = self.least(0, 0, 0)[:] = 0.0
        self.gap = np.float32(open_gap)
        padded = np.full((n + _PAD, m + _PAD), _FAR, np.float32)
        padded[_PAD:, _PAD:] = cost
        self._flat, self._width = padded.ravel(), m + _PAD

    def rows(self, k: int, low: int, high: int) -> npt.NDArray[np.float32]:
        """Return the scores of some rows of a diagonal, shape (states, rows)."""
        base = self._base[k + _BACK]
        return self._scores[k + _BACK][:, low - base : high - base + 1]

    def least(self, k: int, low: int, high: int) -> npt.NDArray[np.float32]:
        """Return the least score of each row, whatever the state, shape (rows,)."""
        base = self._base[k + _BACK]
        return self._least[k + _BACK][low - base : high - base + 1]

    def costs(self, k: int, low: int, high: int) -> list[npt.NDArray[np.float32]]:
        """Return what matching costs in some rows: the frames, the pair left of and above them."""
        along = self._width - 1  # from a cell of a diagonal to the next, one row down
        cell = (low + 1) * self._width + k - low + 1
        count = (high - low) * along + 1
        return [self._flat[c : c + count : along] for c in (cell, cell - 1, cell - self._width)]


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


def _trace(table: _Table, i: int, j: int) -> Path:
    """Follow the scores back from the end: of equals, the first."""
    state = int(table.rows(i + j, i, i)[:, 0].argmin())
    cells, pairs = [(i, j)], []
    while i > 0 or j > 0:
        if state == _WITHOUT_A:
            options = table.rows(i + j - 1, i - 1, i - 1)[:, 0] + table.gap
            options[_WITHOUT_A] = table.rows(i + j - 1, i - 1, i - 1)[_WITHOUT_A, 0]
            i, state = i - 1, int(options.argmin())
        elif state == _WITHOUT_B:
            options = table.rows(i + j - 1, i, i)[:, 0] + table.gap
            options[_WITHOUT_B] = table.rows(i + j - 1, i, i)[_WITHOUT_B, 0]
            j, state = j - 1, int(options.argmin())
        else:
            _, left, upper = table.costs(i + j, i, i)
            one_two = table.rows(i + j - 3, i - 1, i - 1)[_MATCH] + left
            two_one = table.rows(i + j - 3, i - 2, i - 2)[_MATCH] + upper
            options = table.rows(i + j - 2, i - 1, i - 1)[:, 0]
            code = int(np.concatenate((options, one_two, two_one)).argmin())
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
