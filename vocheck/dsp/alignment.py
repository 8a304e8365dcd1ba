"""Alignment of two sequences of feature frames; each may hold stretches that the other lacks.

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

_MATCH, _WITHOUT_A, _WITHOUT_B = range(3)  # codes of the three states a cell is reached in
_ONE_TWO, _TWO_ONE = 3, 4  # codes of the double steps, beside the three states a single one is from
_FAR = np.float32(1e9)  # dearer than any way through: costs are of the order of 1
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
        Price of starting to leave frames out, on top; 0 or more.
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
    match, without_a, without_b = table.match, table.without_a, table.without_b
    least, base, gap, minimum = table.least, table.base, table.gap, np.minimum
    for k, low, high in zip(
        range(_BACK + 1, _BACK + n + m + 1),
        table.low[1:].tolist(),
        table.high[1:].tolist(),
        strict=True,
    ):
        row, last = low - base[k], high - base[k] + 1
        own, left, upper = table.costs(k - _BACK, low, high)

        # To leave the next frame out as well is never dearer than to open a gap anew, so the
        # least of all states may stand for the two others.
        at = low - base[k - 1]
        end = at + last - row
        opened = least[k - 1][at - 1 : end] + gap
        skipped = minimum(opened[:-1], without_a[k - 1][at - 1 : end - 1])
        np.add(skipped, skip_a[low : high + 1], out=without_a[k][row:last])
        minimum(opened[1:], without_b[k - 1][at:end], out=skipped)
        skips = skip_b[m + _BACK - k + low : m + _BACK - k + high + 1]
        np.add(skipped, skips, out=without_b[k][row:last])
        if high == k - _BACK:  # no frame of b is used up: none can be left out
            without_b[k][last - 1] = _FAR

        # Both frames of a double step are paid for, or stretching would be cheaper than matching.
        at = low - base[k - 3]
        double = match[k - 3][at - 2 : at + last - row - 1]
        np.add(double[1:], left, out=skipped)
        at = low - base[k - 2]
        best = minimum(least[k - 2][at - 1 : at + last - row - 1], skipped)
        np.add(double[:-1], upper, out=skipped)
        minimum(best, skipped, out=best)
        best += own
        minimum(best, _FAR, out=best)
        match[k][row:last] = best
        minimum(best, without_a[k][row:last], out=best)
        minimum(best, without_b[k][row:last], out=least[k][row:last])
    return _trace(table, n, m)


class _Table:
    """The scores of all diagonals, as wide as the corridor.

    Row i (frames of a used up) of diagonal k stands in the array ``k + _BACK`` of each state, at
    ``i - base[k + _BACK]``; what lies out of the corridor, or before the start, is far.
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
        self.base: list[int] = base.tolist()
        # One array per diagonal: to take a row out of a list is quicker than to slice a table.
        self.match, self.without_a, self.without_b, self.least = (
            list(np.full((len(base), reach + 1), _FAR, np.float32)) for _ in range(4)
        )
        self.match[_BACK][_PAD] = self.least[_BACK][_PAD] = 0.0
        self.gap = np.float32(open_gap)
        padded = np.full((n + _PAD, m + _PAD), _FAR, np.float32)
        padded[_PAD:, _PAD:] = cost
        self._flat, self._width = padded.ravel(), m + _PAD

    def states(self, k: int, row: int) -> npt.NDArray[np.float32]:
        """Return the scores of one row of a diagonal, shape (states,)."""
        at = row - self.base[k + _BACK]
        tables = (self.match, self.without_a, self.without_b)
        return np.array([table[k + _BACK][at] for table in tables])

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
    state = int(table.states(i + j, i).argmin())
    cells, pairs = [(i, j)], []
    while i > 0 or j > 0:
        if state == _WITHOUT_A:
            options = table.states(i + j - 1, i - 1)
            options[[_MATCH, _WITHOUT_B]] += table.gap
            i, state = i - 1, int(options.argmin())
        elif state == _WITHOUT_B:
            options = table.states(i + j - 1, i)
            options[[_MATCH, _WITHOUT_A]] += table.gap
            j, state = j - 1, int(options.argmin())
        else:
            _, left, upper = table.costs(i + j, i, i)
            one_two = table.states(i + j - 3, i - 1)[_MATCH] + left
            two_one = table.states(i + j - 3, i - 2)[_MATCH] + upper
            options = table.states(i + j - 2, i - 1)
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
