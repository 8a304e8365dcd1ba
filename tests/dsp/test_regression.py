"""Networks over sets from plain arrays, against values worked out by hand."""

from __future__ import annotations

import numpy as np

from vocheck.dsp.regression import MANY, SetNetworks

# Two networks, each with one input, one unit in each layer and one head. The second has nothing but
# the offset of its last layer.
ARRAYS = {
    "n.member_mean": [1.0],
    "n.member_spread": [2.0],
    "n.member_1": [[[1.0]], [[0.0]]],
    "n.member_1_at": [[1.0], [0.0]],
    "n.member_2": [[[2.0]], [[0.0]]],
    "n.member_2_at": [[-1.0], [0.0]],
    "n.member_3": [[[1.0]], [[0.0]]],
    "n.member_3_at": [[0.0], [0.0]],
    "n.others": [[[0.5]], [[0.0]]],
    "n.heads": [[[np.log(3.0) / 2.0]], [[0.0]]],
    "n.joint_1": [[[1.0], [0.1]], [[0.0], [0.0]]],
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
    # Member (3 - 1) / 2 = 1; hidden 2, 3, with half the mean 4.5; (log(1) - 5) / 10 is -0.5:
    # joint 4.5, then 9; outputs 10 and 3, mean 6.5.
    assert np.isclose(predict(3.0), 165.0)


def test_heads_weigh_the_members() -> None:
    """The second member's weight follows from its score (worked out by hand)."""
    # Members 1 and 0 after scaling: hidden 3 and 1, their mean 2, so 4 and 2; scores 4 and 2 times
    # log(3) / 2: weights 3 to 1; pooled 3.5; joint 3.5 + log(2) / 10, then twice that; outputs
    # 8 + log(2) / 5 and 3, mean 5.5 + log(2) / 10.
    assert np.isclose(predict(3.0, 1.0), 155.0 + np.log(2.0))


def test_order_does_not_matter() -> None:
    """A set has no order."""
    assert np.isclose(predict(3.0, 1.0, -2.0), predict(-2.0, 3.0, 1.0))


def test_many_members() -> None:
    """A set twice as large tells no more than the largest that the networks know."""
    assert np.isclose(predict(*[3.0] * MANY), predict(*[3.0] * 2 * MANY))
    assert predict(*[3.0] * (MANY // 2)) < predict(*[3.0] * MANY)


def test_missing_and_far_inputs() -> None:
    """A missing input counts as the mean, one far outside as 4 spreads (worked out by hand)."""
    # Member 0: hidden 1, 1, 1.5; joint 1.5, then 3; outputs 4 and 3. Member 4: hidden 5, 9, 13.5;
    # joint 13.5, then 27; outputs 28 and 3.
    assert np.isclose(predict(np.nan), 135.0)
    assert np.isclose(predict(1e6), 255.0)
