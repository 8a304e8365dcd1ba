"""Fit small networks that tell two classes apart: what the training of several detectors shares."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from sklearn.neural_network import MLPClassifier

from vocheck.dsp.networks import Networks

Values = npt.NDArray[np.float64]

UNITS, NETWORKS, EPOCHS = 24, 6, 50
PENALTY = 0.5  # of the squared weights
FOLDS = 4
_TAIL = 0.5  # percent at either end of an input that is held to the rest


def fit(
    inputs: Sequence[dict[str, float]], true: npt.NDArray[np.bool_], seed: int
) -> dict[str, npt.NDArray]:
    """Return the arrays of `vocheck.dsp.networks.Networks`, by name.

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


def networks(arrays: dict[str, npt.NDArray]) -> Networks:
    """Return what `fit` made, ready to score."""
    names = tuple(str(name) for name in arrays["names"])
    others = {key: np.asarray(value, np.float64) for key, value in arrays.items() if key != "names"}
    return Networks(names=names, **others)
