"""Small networks against the arithmetic done by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tests.training.networks import Networks, probability

TWO = Networks(
    names=("a", "b"),
    low=np.array([0.0, -1.0]),
    high=np.array([2.0, 1.0]),
    middle=np.array([1.0, 0.0]),
    mean=np.array([1.0, 0.0]),
    scale=np.array([0.5, 1.0]),
    hidden=np.array([[[1.0, 0.0]], [[0.0, -2.0]]]),
    hidden_at=np.array([[0.5], [0.0]]),
    out=np.array([[2.0], [1.0]]),
    out_at=np.array([0.0, -1.0]),
)


def test_the_score_is_the_mean_of_the_networks():
    """A: relu((1.5 - 1) / 0.5 + 0.5) * 2 = 3; b: relu(-2 * -0.5) - 1 = 0."""
    assert TWO.log_odds({"a": 1.5, "b": -0.5}) == pytest.approx(1.5)


def test_inputs_are_held_within_the_training_set():
    """A value far outside counts as the outermost that was seen."""
    assert TWO.log_odds({"a": 99.0, "b": 99.0}) == TWO.log_odds({"a": 2.0, "b": 1.0})


def test_a_missing_input_counts_as_the_median():
    """NaN stands for what could not be computed."""
    assert TWO.log_odds({"a": np.nan, "b": 0.3}) == TWO.log_odds({"a": 1.0, "b": 0.3})
    with pytest.raises(KeyError):
        TWO.log_odds({"a": 1.0})


@pytest.mark.parametrize(("odds", "value"), [(1.0, 0.5), (3.0, 0.75), (1 / 9, 0.1)])
def test_probability(odds, value):
    """Odds of 3 to 1 are three in four."""
    assert probability(float(np.log(odds))) == pytest.approx(value)
