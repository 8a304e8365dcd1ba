"""Fit small networks that tell two classes apart, and apply them.

Method: each input is held within the range of the training set, a missing one is set to its
median, and all are standardized. Several networks of one hidden layer (rectified linear units) each
give the logarithm of the odds; their mean is the score. Means of networks that started differently
vary less than each of them (L. Hansen and P. Salamon, "Neural network ensembles", IEEE Transactions
on Pattern Analysis and Machine Intelligence 12, 1990).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from sklearn.neural_network import MLPClassifier

Values = npt.NDArray[np.float64]

UNITS, NETWORKS, EPOCHS = 24, 6, 50
PENALTY = 0.5  # of the squared weights
FOLDS = 4
_TAIL = 0.5  # percent at either end of an input that is held to the rest


@dataclass(frozen=True, eq=False)
class Networks:
    """Networks that score one vector of inputs.

    Attributes
    ----------
    names : tuple of str
        Of the inputs, in order.
    low, high, middle : ndarray, shape (inputs,)
        Range of the training set, and its median.
    mean, scale : ndarray, shape (inputs,)
        For standardizing.
    hidden, hidden_at : ndarray, shapes (networks, units, inputs) and (networks, units)
    out, out_at : ndarray, shapes (networks, units) and (networks,)
    """

    names: tuple[str, ...]
    low: Values
    high: Values
    middle: Values
    mean: Values
    scale: Values
    hidden: Values
    hidden_at: Values
    out: Values
    out_at: Values

    def log_odds(self, inputs: dict[str, float]) -> float:
        """Return the natural logarithm of the odds of the first class.

        Parameters
        ----------
        inputs : dict of str to float
            NaN where an input could not be computed; others than `names` are not looked at.

        Raises
        ------
        KeyError
            If one of `names` is missing.
        """
        x = np.array([inputs[name] for name in self.names])
        x = np.clip(np.where(np.isfinite(x), x, self.middle), self.low, self.high)
        units = np.maximum(self.hidden @ ((x - self.mean) / self.scale) + self.hidden_at, 0.0)
        return float(np.mean(np.sum(self.out * units, axis=1) + self.out_at))


def fit(
    inputs: Sequence[dict[str, float]], true: npt.NDArray[np.bool_], seed: int
) -> dict[str, npt.NDArray]:
    """Return the arrays of `Networks`, by name.

    The odds are set as if both classes were equally frequent.
    """
    names = sorted(inputs[0])
    x = np.array([[one[name] for name in names] for one in inputs], np.float64)
    middle = np.nanmedian(x, axis=0)
    x = np.where(np.isfinite(x), x, middle)
    low, high = np.percentile(x, (_TAIL, 100.0 - _TAIL), axis=0)
    x = np.clip(x, low, high)
    mean, scale = x.mean(axis=0), x.std(axis=0) + 1e-9
    networks = [
        MLPClassifier(
            (UNITS,),
            alpha=PENALTY,
            max_iter=EPOCHS,
            batch_size=128,
            learning_rate_init=3e-3,
            random_state=seed + i,
        ).fit((x - mean) / scale, true)
        for i in range(NETWORKS)
    ]
    prior = float(np.log(true.mean() / (1.0 - true.mean())))
    return {
        "names": np.array(names),
        "low": low,
        "high": high,
        "middle": middle,
        "mean": mean,
        "scale": scale,
        "hidden": np.stack([net.coefs_[0].T for net in networks]).astype(np.float32),
        "hidden_at": np.stack([net.intercepts_[0] for net in networks]).astype(np.float32),
        "out": np.stack([net.coefs_[1][:, 0] for net in networks]).astype(np.float32),
        "out_at": np.array([net.intercepts_[1][0] - prior for net in networks], np.float32),
    }


def folds(readers: Sequence[str]) -> npt.NDArray[np.intp]:
    """Return to which of `FOLDS` parts each take belongs; a reader's takes stay together."""
    known = sorted(set(readers))
    order = np.random.default_rng(0).permutation(len(known))
    part = {known[index]: place % FOLDS for place, index in enumerate(order)}
    return np.array([part[reader] for reader in readers])


def networks(arrays: Mapping[str, npt.NDArray]) -> Networks:
    """Return what `fit` made, ready to score."""
    names = tuple(str(name) for name in arrays["names"])
    others = {key: np.asarray(value, np.float64) for key, value in arrays.items() if key != "names"}
    return Networks(names=names, **others)


def load(file: Path) -> Networks:
    """Return the networks stored in `file`, an ``.npz`` of what `fit` made."""
    with np.load(file) as data:
        return networks(dict(data))


def probability(log_odds: float) -> float:
    """Return the probability that belongs to the logarithm of the odds."""
    return float(1.0 / (1.0 + np.exp(-np.clip(log_odds, -30.0, 30.0))))
