"""Fit the regressors on the decays of simulated takes, and write them as plain arrays.

Boosted trees and a few small networks, with unlike errors, are averaged for the reverberation time
and for C50; the networks also give the early decay time and the octaves. The interval is conformal:
out of fold, on rooms *and* voices that a fit has not seen, the error is described by a small
regression on what the take itself tells (SNR, estimated time and C50, number of decays, how far
trees and networks differ), and the 5 % and 95 % quantiles of the errors in units of it are kept.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.exceptions import ConvergenceWarning
from sklearn.neural_network import MLPRegressor

from training.reverberation.takes import Take
from vocheck.dsp.decay_statistics import LENGTH, SNR, statistics
from vocheck.measurements.reverberation import C50_RANGE_DB, spread_inputs

Array = npt.NDArray[np.float64]

_TREES = {
    "max_iter": 350,
    "max_leaf_nodes": 15,
    "learning_rate": 0.05,
    "min_samples_leaf": 15,
    "l2_regularization": 1.0,
    "max_features": 0.3,
    "max_bins": 63,
}
_NETWORKS = 3
_HIDDEN = (64, 64)
_FOLDS = 3
_INTERVAL = (0.05, 0.95)


@dataclass(frozen=True, eq=False)
class Examples:
    """Inputs and truths, one row per take.

    Attributes
    ----------
    inputs : ndarray, shape (takes, inputs)
    log_rt60, c50_db : ndarray, shape (takes,)
    other : ndarray, shape (takes, 1 + octaves)
        Logarithms of the early decay time and of each octave's time over the mid-band time.
    room, voice : ndarray of str, shape (takes,)
    """

    inputs: Array
    log_rt60: Array
    c50_db: Array
    other: Array
    room: npt.NDArray[np.str_]
    voice: npt.NDArray[np.str_]

    def __getitem__(self, rows: Any) -> Examples:
        return Examples(**{name: value[rows] for name, value in vars(self).items()})


def examples(takes: Sequence[Take]) -> Examples:
    """Summarise takes for fitting; those without a decay are left out."""
    takes = [take for take in takes if len(take.decays)]
    log_rt60 = np.log([take.room.rt60_s for take in takes])
    octaves = np.log([take.room.octaves_s for take in takes]) - log_rt60[:, np.newaxis]
    early = np.log([take.room.edt_s for take in takes])
    return Examples(
        inputs=np.array([statistics(take.decays) for take in takes]),
        log_rt60=log_rt60,
        c50_db=np.clip([take.room.c50_db for take in takes], *C50_RANGE_DB),
        other=np.column_stack((early, octaves)),
        room=np.array([f"{take.room.kind}-{take.room.seed}" for take in takes]),
        voice=np.array([take.voice for take in takes]),
    )


class Regressors:
    """Trees and networks fitted together."""

    def __init__(self, data: Examples, seed: int) -> None:
        self.trees = {
            name: HistGradientBoostingRegressor(**_TREES, random_state=seed).fit(data.inputs, truth)
            for name, truth in (("rt60", data.log_rt60), ("c50", data.c50_db))
        }
        self.median = np.nan_to_num(np.nanmedian(data.inputs, axis=0))
        full = self._filled(data.inputs)
        self.mean, self.spread = full.mean(axis=0), full.std(axis=0) + 1e-3
        outputs = np.column_stack((data.log_rt60, data.c50_db, data.other))
        self.out_mean, self.out_spread = outputs.mean(axis=0), outputs.std(axis=0)
        scaled = (outputs - self.out_mean) / self.out_spread
        with warnings.catch_warnings():
            # A fixed number of passes, few enough not to learn the rooms by heart.
            warnings.simplefilter("ignore", ConvergenceWarning)
            self.networks = [
                MLPRegressor(
                    hidden_layer_sizes=_HIDDEN,
                    alpha=0.01,
                    learning_rate_init=0.002,
                    max_iter=50,
                    batch_size=256,
                    random_state=seed + index,
                ).fit(self._scaled(full), scaled)
                for index in range(_NETWORKS)
            ]

    def _filled(self, inputs: Array) -> Array:
        missing = np.isnan(inputs)
        return np.hstack((np.where(missing, self.median, inputs), missing))

    def _scaled(self, full: Array) -> Array:
        return np.clip((full - self.mean) / self.spread, -4.0, 4.0)

    def predict(self, inputs: Array) -> tuple[Array, Array, Array]:
        """Return log RT60, C50 in dB, and how far trees and networks differ in log RT60."""
        scaled = self._scaled(self._filled(inputs))
        outputs = np.mean([network.predict(scaled) for network in self.networks], axis=0)
        outputs = outputs * self.out_spread + self.out_mean
        by_trees = self.trees["rt60"].predict(inputs)
        log_rt60 = (by_trees + outputs[:, 0]) / 2
        c50_db = np.clip((self.trees["c50"].predict(inputs) + outputs[:, 1]) / 2, *C50_RANGE_DB)
        return log_rt60, c50_db, by_trees - outputs[:, 0]

    def arrays(self) -> dict[str, npt.NDArray[Any]]:
        """Return everything as plain arrays, named as `vocheck.dsp.regression` reads them."""
        arrays: dict[str, npt.NDArray[Any]] = {}
        for name, trees in self.trees.items():
            arrays |= {f"trees.{name}.{key}": value for key, value in _tree_arrays(trees).items()}
        for key in ("median", "mean", "spread", "out_mean", "out_spread"):
            arrays[f"networks.{key}"] = getattr(self, key).astype(np.float32)
        for layer in range(len(_HIDDEN) + 1):
            weights = [network.coefs_[layer] for network in self.networks]
            offsets = [network.intercepts_[layer] for network in self.networks]
            arrays[f"networks.weights.{layer}"] = np.array(weights, np.float16)
            arrays[f"networks.offsets.{layer}"] = np.array(offsets, np.float32)
        return arrays


def _tree_arrays(trees: HistGradientBoostingRegressor) -> dict[str, npt.NDArray[Any]]:
    nodes = [predictor[0].nodes for predictor in trees._predictors]
    shape = (len(nodes), max(map(len, nodes)))
    feature = np.full(shape, -1, np.int16)
    threshold = np.zeros(shape, np.float32)
    children = np.zeros((*shape, 2), np.int16)
    missing_left = np.zeros(shape, bool)
    for tree, node in enumerate(nodes):
        leaf = node["is_leaf"].astype(bool)
        at = np.s_[tree, : len(node)]
        feature[at] = np.where(leaf, -1, node["feature_idx"])
        threshold[at] = np.where(leaf, node["value"], node["num_threshold"])
        children[at] = np.column_stack((node["left"], node["right"]))
        missing_left[at] = node["missing_go_to_left"]
    return {
        "feature": feature,
        "threshold": threshold,
        "children": children,
        "missing_left": missing_left,
        "baseline": np.array(trees._baseline_prediction.item()),
    }


def out_of_fold(data: Examples, seed: int) -> tuple[npt.NDArray[np.intp], Array, Array, Array]:
    """Predict takes whose room and whose voice the fit has not seen.

    Returns
    -------
    rows : ndarray of int, shape (predicted,)
    log_rt60, c50_db, difference : ndarray, shape (predicted,)
    """
    rng = np.random.default_rng(seed)

    def fold(names: npt.NDArray[np.str_]) -> npt.NDArray[np.intp]:
        unique, index = np.unique(names, return_inverse=True)
        return np.asarray(rng.permutation(np.arange(len(unique)) % _FOLDS)[index])

    room, voice = fold(data.room), fold(data.voice)
    rows, found = [], []
    for index in range(_FOLDS):
        held = np.flatnonzero((room == index) & (voice == index))
        if len(held):
            fitted = Regressors(data[(room != index) & (voice != index)], seed)
            rows.append(held)
            found.append(fitted.predict(data.inputs[held]))
    log_rt60, c50_db, difference = (np.concatenate(part) for part in zip(*found, strict=True))
    return np.concatenate(rows), log_rt60, c50_db, difference


def interval_arrays(data: Examples, seed: int) -> dict[str, npt.NDArray[Any]]:
    """Fit the size of the error and the conformal quantiles."""
    rows, log_rt60, c50_db, difference = out_of_fold(data, seed)
    # Only takes of a kind that is answered count: the others would widen every interval.
    snr_db = np.median(data.inputs[rows][:, SNR], axis=1)
    answered = (snr_db >= 20.0) & (data.inputs[rows, LENGTH] >= np.log10(3.0))
    rows, log_rt60, c50_db, difference = (
        part[answered] for part in (rows, log_rt60, c50_db, difference)
    )
    error = data.log_rt60[rows] - log_rt60
    inputs = np.array(
        [
            spread_inputs(data.inputs[row], *values)
            for row, *values in zip(rows, log_rt60, c50_db, difference, strict=True)
        ]
    )
    # Ridge on the log of the error's size; the small constant keeps lucky hits from ruling the fit.
    target = np.log(np.abs(error) + 0.02)
    ridge = 3.0 * np.eye(inputs.shape[1])
    ridge[0, 0] = 0.0
    weights = np.linalg.solve(inputs.T @ inputs + ridge, inputs.T @ target)
    ratio = error / np.exp(inputs @ weights)
    return {
        "interval.weights": weights,
        "interval.quantiles": np.quantile(ratio, _INTERVAL),
    }


def fit(takes: Sequence[Take], seed: int, out: Path) -> None:
    """Fit everything and write it to `out` (.npz)."""
    data = examples(takes)
    arrays = Regressors(data, seed).arrays() | interval_arrays(data, seed)
    np.savez_compressed(out, **arrays)
