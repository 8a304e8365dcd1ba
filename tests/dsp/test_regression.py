"""Networks over sets from plain arrays, against values worked out by hand."""

from __future__ import annotations

import numpy as np

from vocheck.dsp.regression import SetNetworks

# Two networks, each with one input, one unit in each layer and one head. The second has nothing but
# the offset of its last layer.
ARRAYS = {
    "n.member_mean": [1.0],
    "n.member_spread": [2.0],
    "n.member_1": [[[1.0]], [[0.0]]],
    "n.member_1_at": [[1.0], [0.0]],
    "n.member_2": [[[2.0]], [[0.0]]],
    "n.member_2_at": [[-1.0], [0.0]],
    "n.heads": [[[np.log(3.0) / 2.0]], [[0.0]]],
    "n.joint_1": [[[1.0]], [[0.0]]],
    "n.joint_1_at": [[0.5], [0.0]],
    "n.joint_2": [[[2.0]], [[0.0]]],
    "n.joint_2_at": [[0.0], [0.0]],
    "n.out": [[[1.0]], [[0.0]]],
    "n.out_at": [[1.0], [3.0]],
    "n.out_mean": [100.0],
    "n.out_spread": [10.0],
}
NETWORKS = SetNetworks.load({key: np.array(value) for key, value in ARRAYS.items()}, "n")


def predict(*members: float) -> float:
    return float(NETWORKS.predict(np.array(members)[:, np.newaxis])[0])


def test_one_member() -> None:
    """Every layer does what it says (worked out by hand)."""
    # Member (3 - 1) / 2 = 1, hidden 2, then 3; joint 3.5, then 7; outputs 8 and 3, mean 5.5.
    assert np.isclose(predict(3.0), 155.0)


def test_heads_weigh_the_members() -> None:
    """The second member's weight follows from its score (worked out by hand)."""
    # Members 1 and 0 after scaling: hidden 3 and 1, scores 3 and 1 times log(3) / 2: weights 3 to
    # 1; pooled 2.5; joint 3, then 6; outputs 7 and 3, mean 5.
    assert np.isclose(predict(3.0, 1.0), 150.0)


def test_order_does_not_matter() -> None:
    """A set has no order."""
    assert np.isclose(predict(3.0, 1.0, -2.0), predict(-2.0, 3.0, 1.0))


def test_missing_and_far_inputs() -> None:
    """A missing input counts as the mean, one far outside as 4 spreads (worked out by hand)."""
    # Member 0: hidden 1, then 1; joint 1.5, then 3; outputs 4 and 3. Member 4: hidden 5, then 9;
    # joint 9.5, then 19; outputs 20 and 3.
    assert np.isclose(predict(np.nan), 135.0)
    assert np.isclose(predict(1e6), 215.0)
