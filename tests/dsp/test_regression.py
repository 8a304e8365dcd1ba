"""Trees and networks from plain arrays, against values worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from vocheck.dsp.regression import Networks, Trees

# Tree 0: input 1 at or below 2.5 gives 10, above it 20; missing goes right.
# Tree 1: a leaf of 1. The baseline is 100.
TREES = {
    "t.feature": np.array([[1, -1, -1], [-1, -1, -1]]),
    "t.threshold": np.array([[2.5, 10.0, 20.0], [1.0, 0.0, 0.0]]),
    "t.children": np.array([[[1, 2], [0, 0], [0, 0]], [[0, 0], [0, 0], [0, 0]]]),
    "t.missing_left": np.zeros((2, 3), bool),
    "t.baseline": np.array(100.0),
}


@pytest.mark.parametrize(("value", "expected"), [(2.5, 111.0), (2.6, 121.0), (np.nan, 121.0)])
def test_trees(value: float, expected: float) -> None:
    """Every tree adds the leaf that its input leads to (worked out by hand)."""
    assert Trees.load(TREES, "t").predict(np.array([0.0, value])) == expected


def test_networks() -> None:
    """Two networks of one hidden unit are averaged (worked out by hand)."""
    arrays = {
        "n.median": np.array([3.0]),
        "n.mean": np.array([1.0, 0.0]),
        "n.spread": np.array([2.0, 1.0]),
        "n.weights.0": np.array([[[1.0], [0.5]], [[-1.0], [0.0]]]),
        "n.offsets.0": np.array([[0.0], [0.0]]),
        "n.weights.1": np.array([[[2.0]], [[4.0]]]),
        "n.offsets.1": np.array([[1.0], [3.0]]),
        "n.out_mean": np.array([10.0]),
        "n.out_spread": np.array([2.0]),
    }
    networks = Networks.load(arrays, "n")
    # Input 5: (5 - 1) / 2 = 2; hidden 2 and 0; outputs 5 and 3, mean 4; 4 x 2 + 10.
    assert networks.predict(np.array([5.0])).tolist() == [18.0]
    # Missing: the median 3 becomes 1, the flag is 1; hidden 1.5 and 0; outputs 4 and 3.
    assert networks.predict(np.array([np.nan])).tolist() == [17.0]
    # Far outside: held at 4 spreads; hidden 4 and 0; outputs 9 and 3; 6 x 2 + 10.
    assert networks.predict(np.array([1e6])).tolist() == [22.0]
