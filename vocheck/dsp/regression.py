"""Evaluate small fitted regressors from plain arrays: boosted trees and averaged networks.

They are fitted elsewhere (see ``training/``); nothing here needs a learning library.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Trees:
    """Gradient-boosted regression trees.

    Attributes
    ----------
    feature : ndarray of int, shape (trees, nodes)
        Which input a node looks at; -1 marks a leaf.
    threshold : ndarray, shape (trees, nodes)
        An input at or below it goes left. In a leaf: the leaf's value.
    children : ndarray of int, shape (trees, nodes, 2)
        Left and right.
    missing_left : ndarray of bool, shape (trees, nodes)
        Where an input that is NaN goes.
    baseline : float
        What the leaves add to.
    """

    feature: npt.NDArray[np.int16]
    threshold: npt.NDArray[np.float32]
    children: npt.NDArray[np.int16]
    missing_left: npt.NDArray[np.bool_]
    baseline: float

    def predict(self, x: Values) -> float:
        """Return the value for one input, shape (inputs,), NaN where an input is missing."""
        tree = np.arange(len(self.feature))
        node = np.zeros(len(tree), np.intp)
        while True:
            feature = self.feature[tree, node]
            inner = feature >= 0
            if not inner.any():
                return self.baseline + float(self.threshold[tree, node].sum(dtype=np.float64))
            value = x[np.maximum(feature, 0)]
            left = np.where(
                np.isnan(value), self.missing_left[tree, node], value <= self.threshold[tree, node]
            )
            node = np.where(inner, self.children[tree, node, np.where(left, 0, 1)], node)

    @classmethod
    def load(cls, arrays: Mapping[str, npt.NDArray[np.generic]], name: str) -> Self:
        """Read the trees stored under `name`."""
        return cls(
            feature=np.asarray(arrays[f"{name}.feature"], np.int16),
            threshold=np.asarray(arrays[f"{name}.threshold"], np.float32),
            children=np.asarray(arrays[f"{name}.children"], np.int16),
            missing_left=np.asarray(arrays[f"{name}.missing_left"], np.bool_),
            baseline=float(np.asarray(arrays[f"{name}.baseline"], np.float64)),
        )


@dataclass(frozen=True, eq=False)
class Networks:
    """The mean of several small networks with rectified hidden layers and several outputs.

    An input is replaced by `median` where it is NaN, and a second set of inputs tells which were;
    both are brought to zero mean and unit spread and held within 4 spreads.

    Attributes
    ----------
    median : ndarray, shape (inputs,)
    mean, spread : ndarray, shape (2 * inputs,)
    weights : tuple of ndarray, each of shape (networks, from, to)
    offsets : tuple of ndarray, each of shape (networks, to)
    out_mean, out_spread : ndarray, shape (outputs,)
    """

    median: Values
    mean: Values
    spread: Values
    weights: tuple[Values, ...]
    offsets: tuple[Values, ...]
    out_mean: Values
    out_spread: Values

    def predict(self, x: Values) -> Values:
        """Return the outputs for one input, shape (inputs,), as shape (outputs,)."""
        missing = np.isnan(x)
        full = np.concatenate((np.where(missing, self.median, x), missing))
        signal = np.clip((full - self.mean) / self.spread, -4.0, 4.0)[np.newaxis, np.newaxis]
        for layer, (weight, offset) in enumerate(zip(self.weights, self.offsets, strict=True)):
            signal = signal @ weight + offset[:, np.newaxis]
            if layer < len(self.weights) - 1:
                signal = np.maximum(signal, 0.0)
        return np.asarray(signal.mean(axis=0)[0] * self.out_spread + self.out_mean)

    @classmethod
    def load(cls, arrays: Mapping[str, npt.NDArray[np.generic]], name: str) -> Self:
        """Read the networks stored under `name`."""

        def get(key: str) -> Values:
            return np.asarray(arrays[f"{name}.{key}"], np.float64)

        layers = range(sum(key.startswith(f"{name}.weights.") for key in arrays))
        return cls(
            median=get("median"),
            mean=get("mean"),
            spread=get("spread"),
            weights=tuple(get(f"weights.{layer}") for layer in layers),
            offsets=tuple(get(f"offsets.{layer}") for layer in layers),
            out_mean=get("out_mean"),
            out_spread=get("out_spread"),
        )
