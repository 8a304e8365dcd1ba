"""Fit the networks on the decays of simulated takes, and write them as plain arrays.

A few small networks over sets (`vocheck.dsp.regression.SetNetworks`) give, for one take, the
logarithm of the reverberation time with its 5 % and 95 % quantiles, C50, the early decay time and
the octaves. Their interval is conformal: fits without a quarter of the voices and a sixth of the
rooms tell, on takes of just those, how far it has to be stretched to hold the truth 9 times out of
10. Takes that were altered for learning alone (`tests.material.room_takes`) do not count
there. It is the interval as it is told that is stretched: where the rule without training widens
it, too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
import numpy.typing as npt

from tests.material.room_takes import Take
from vocheck.dsp.regression import SetNetworks, log_count, standardized
from vocheck.measurements.reverberation import (
    C50_RANGE_DB,
    DRY_S,
    LONG_S,
    RULE_FACTOR,
    arms,
    refusal,
    rule,
    well_heard,
)
from vocheck.voice.decay_features import features

Array = npt.NDArray[np.float64]
Arrays = dict[str, npt.NDArray[Any]]
Mask = npt.NDArray[np.bool_]
Weights = dict[str, jax.Array]

NETWORKS = 4
_WIDTH, _HEADS, _JOINT = 64, 4, (128, 96)
_STEPS, _TAKES, _DECAYS = 12_000, 96, 64  # in a step: takes, and decays drawn from each
_RATE, _WARM_UP, _WEIGHT_DECAY = 3e-3, 150, 0.03
_CLIP = 2.0  # of the gradient's norm
_HUBER = 0.1  # nearly the absolute error: a few hopeless takes shall not rule the fit
_QUANTILES = (0.05, 0.95)
_COVERAGE = 0.9
# For the interval: a quarter of the voices, one room in six, and two networks for each.
_VOICE_FOLDS, _HELD_ROOMS, _FOLD_NETWORKS = 4, 6, 2


@dataclass(frozen=True, eq=False)
class Examples:
    """Inputs and truths, one row per take.

    Attributes
    ----------
    decays : tuple of ndarray, each of shape (decays of the take, inputs)
    truth : ndarray, shape (takes, outputs)
        Logarithm of the reverberation time (three times: itself, its low and its high quantile),
        C50, the logarithms of the early decay time and of each octave's time over the mid-band one.
    room, voice : ndarray of str, shape (takes,)
    log_rule : ndarray, shape (takes,)
        Logarithm of what the rule without training says; NaN where no interval is promised: takes
        that are refused or were altered for learning alone, rooms whose decay is no line.
    well_heard : ndarray of bool, shape (takes,)
    """

    decays: tuple[npt.NDArray[np.float32], ...]
    truth: Array
    room: npt.NDArray[np.str_]
    voice: npt.NDArray[np.str_]
    log_rule: Array
    well_heard: Mask

    def only(self, rows: npt.NDArray[np.bool_]) -> Examples:
        """Return the takes of a mask, shape (takes,)."""
        decays = tuple(d for d, keep in zip(self.decays, rows, strict=True) if keep)
        others = {name: value[rows] for name, value in vars(self).items() if name != "decays"}
        return Examples(decays=decays, **others)


def examples(takes: Sequence[Take]) -> Examples:
    """Summarise takes for fitting; those without a decay are left out."""
    takes = [take for take in takes if len(take.decays)]
    log_rt60 = np.log([take.room.rt60_s for take in takes])
    octaves = np.log([take.room.octaves_s for take in takes]) - log_rt60[:, np.newaxis]
    early = np.log([take.room.edt_s for take in takes])
    c50_db = np.clip([take.room.c50_db for take in takes], *C50_RANGE_DB)
    found = [take.decays for take in takes]
    return Examples(
        decays=tuple(features(decays).astype(np.float32) for decays in found),
        truth=np.column_stack((log_rt60, log_rt60, log_rt60, c50_db, early, octaves)),
        room=np.array([f"{take.room.kind}-{take.room.seed}" for take in takes]),
        voice=np.array([take.voice for take in takes]),
        log_rule=np.log([_rule_s(take) for take in takes]),
        well_heard=np.array([well_heard(decays) for decays in found]),
    )


def _rule_s(take: Take) -> float:
    """Return what the rule says of a take whose interval is promised, else NaN."""
    if take.altered or not take.room.straight or refusal(take.decays):
        return np.nan
    return rule(take.decays) or np.nan


def networks(jobs: Sequence[tuple[Examples, int]], processes: int | None = None) -> list[Arrays]:
    """Fit one network for each pair of examples and seed, several at a time.

    Returns
    -------
    list of dict
        Plain arrays, named as `vocheck.dsp.regression` reads them.
    """
    with ProcessPoolExecutor(processes, initializer=_share, initargs=(jobs,)) as pool:
        return list(pool.map(_network, range(len(jobs))))


_shared: Sequence[tuple[Examples, int]] = ()  # of one worker process


def _share(jobs: Sequence[tuple[Examples, int]]) -> None:
    global _shared
    _shared = jobs


def _network(index: int) -> Arrays:
    data, seed = _shared[index]
    members = np.concatenate(data.decays)
    scales = {
        "member_mean": np.nanmean(members, axis=0, dtype=np.float64),
        "member_spread": np.nanstd(members, axis=0, dtype=np.float64) + 1e-3,
        "out_mean": data.truth.mean(axis=0),
        "out_spread": data.truth.std(axis=0),
    }
    counts = np.array([len(decays) for decays in data.decays])
    mean, spread = (scales[key].astype(np.float32) for key in ("member_mean", "member_spread"))
    members = standardized(members, mean, spread)
    truth = (data.truth - scales["out_mean"]) / scales["out_spread"]
    fitting = _Fitting(
        members=jnp.asarray(members),
        first=jnp.asarray(np.cumsum(counts) - counts),
        count=jnp.asarray(counts),
        log_count=jnp.asarray(log_count(counts), jnp.float32),
        truth=jnp.asarray(truth, jnp.float32),
    )
    layers = {key: value[np.newaxis] for key, value in _fit_network(fitting, seed).items()}
    return {
        **{f"networks.{key}": value.astype(np.float32) for key, value in scales.items()},
        **{f"networks.{key}": value.astype(np.float16) for key, value in layers.items()},
    }


def together(parts: Sequence[Arrays]) -> Arrays:
    """Join networks that were fitted on the same examples."""
    return {
        key: np.concatenate([part[key] for part in parts]) if value.dtype == np.float16 else value
        for key, value in parts[0].items()
    }


def predict(arrays: Arrays, data: Examples) -> Array:
    """Return the outputs, shape (takes, outputs), with what the package itself runs."""
    loaded = SetNetworks.load(arrays, "networks")
    return np.array([loaded.predict(decays.astype(np.float64)) for decays in data.decays])


@jax.tree_util.register_dataclass
@dataclass(frozen=True, eq=False)
class _Fitting:
    """What a fit works on: the decays of all takes in one table, and where each take's begin."""

    members: jax.Array
    first: jax.Array
    count: jax.Array
    log_count: jax.Array
    truth: jax.Array


def _fit_network(data: _Fitting, seed: int) -> dict[str, npt.NDArray[np.float32]]:
    """Fit one network: AdamW with a rate that rises, then falls along a cosine."""
    key, start = jax.random.split(jax.random.key(seed))
    weights = _beginning(start, data)
    zero = jax.tree.map(jnp.zeros_like, weights)
    state = (weights, zero, zero)
    for step in range(_STEPS):
        key, draw = jax.random.split(key)
        state = _step(state, data, draw, jnp.float32(step))
    return {name: np.asarray(value) for name, value in state[0].items()}


def _beginning(key: jax.Array, data: _Fitting) -> Weights:
    sizes = {
        "member_1": (data.members.shape[1], _WIDTH),
        "member_2": (_WIDTH, _WIDTH),
        "member_3": (_WIDTH, _WIDTH),
        "others": (_WIDTH, _WIDTH),
        "heads": (_WIDTH, _HEADS),
        "joint_1": (_WIDTH * _HEADS + 1, _JOINT[0]),
        "joint_2": _JOINT,
        "out": (_JOINT[1], data.truth.shape[1]),
    }
    weights: Weights = {}
    for part, (name, size) in zip(jax.random.split(key, len(sizes)), sizes.items(), strict=True):
        limit = 1.0 / np.sqrt(size[0])
        weights[name] = jax.random.uniform(part, size, minval=-limit, maxval=limit)
        if name not in ("others", "heads"):
            weights[f"{name}_at"] = jnp.zeros(size[1])
    return weights


@jax.jit
def _step(
    state: tuple[Weights, Weights, Weights], data: _Fitting, key: jax.Array, step: jax.Array
) -> tuple[Weights, Weights, Weights]:
    weights, mean, square = state
    slopes = jax.grad(_loss)(weights, data, key)
    norm = jnp.sqrt(sum(jnp.sum(slope**2) for slope in slopes.values()))
    slopes = {name: slope * jnp.minimum(1.0, _CLIP / norm) for name, slope in slopes.items()}
    progress = jnp.maximum(step - _WARM_UP, 0.0) / (_STEPS - _WARM_UP)
    rate = _RATE * jnp.minimum((step + 1.0) / _WARM_UP, 1.0) * (1 + jnp.cos(jnp.pi * progress)) / 2
    mean = jax.tree.map(lambda m, s: 0.9 * m + 0.1 * s, mean, slopes)
    square = jax.tree.map(lambda m, s: 0.999 * m + 0.001 * s**2, square, slopes)

    def moved(weight: jax.Array, m: jax.Array, s: jax.Array) -> jax.Array:
        m, s = m / (1 - 0.9 ** (step + 1)), s / (1 - 0.999 ** (step + 1))
        return weight - rate * (m / (jnp.sqrt(s) + 1e-8) + _WEIGHT_DECAY * weight)

    return jax.tree.map(moved, weights, mean, square), mean, square


def _loss(weights: Weights, data: _Fitting, key: jax.Array) -> jax.Array:
    """Return the loss over some takes, of each of them some decays drawn with replacement."""
    which, decays = jax.random.split(key)
    rows = jax.random.randint(which, (_TAKES,), 0, len(data.count))
    at = jax.random.uniform(decays, (_TAKES, _DECAYS)) * data.count[rows, np.newaxis]
    members = data.members[data.first[rows, np.newaxis] + at.astype(jnp.int32)]
    hidden = jax.nn.relu(members @ weights["member_1"] + weights["member_1_at"])
    hidden = jax.nn.relu(hidden @ weights["member_2"] + weights["member_2_at"])
    others = hidden.mean(axis=1, keepdims=True) @ weights["others"]
    hidden = jax.nn.relu(hidden @ weights["member_3"] + others + weights["member_3_at"])
    attention = jax.nn.softmax(hidden @ weights["heads"], axis=1)
    pooled = jnp.einsum("tdh,tdw->thw", attention, hidden).reshape(_TAKES, -1)
    whole = jnp.column_stack((pooled, data.log_count[rows]))
    joint = jax.nn.relu(whole @ weights["joint_1"] + weights["joint_1_at"])
    joint = jax.nn.relu(joint @ weights["joint_2"] + weights["joint_2_at"])
    error = data.truth[rows] - (joint @ weights["out"] + weights["out_at"])
    far = jnp.abs(error)
    huber = jnp.where(far < _HUBER, far**2 / 2, _HUBER * (far - _HUBER / 2)).mean(axis=0)
    below, above = (
        jnp.maximum(q * error[:, column], (q - 1) * error[:, column]).mean()
        for q, column in zip(_QUANTILES, (1, 2), strict=True)
    )
    return 3.0 * huber[0] + 0.1 * (below + above) + huber[3] + huber[4] + 0.3 * jnp.sum(huber[5:])


def fit(takes: Sequence[Take], seed: int, out: Path, processes: int | None = None) -> None:
    """Fit everything and write it to `out` (.npz)."""
    data = examples(takes)
    new, known = _splits(data, seed)
    jobs = [(data, 1000 * seed + index) for index in range(NETWORKS)]
    jobs += [
        (data.only(rows), 1000 * seed + index) for rows in known for index in range(_FOLD_NETWORKS)
    ]
    fitted = networks(jobs, processes)
    folds = range(NETWORKS, len(fitted), _FOLD_NETWORKS)
    reaches = np.concatenate(
        [
            _reaches(data.only(rows), together(fitted[first : first + _FOLD_NETWORKS]))
            for rows, first in zip(new, folds, strict=True)
        ]
    )
    heard = np.concatenate([data.well_heard[rows] for rows in new])
    stretch = [np.nanquantile(reaches[heard == well], _COVERAGE) for well in (True, False)]
    arrays = together(fitted[:NETWORKS]) | {"interval.stretch": np.asarray(stretch)}
    np.savez_compressed(out, allow_pickle=False, **arrays)


def _splits(data: Examples, seed: int) -> tuple[list[Mask], list[Mask]]:
    """Return, for each fold of voices, takes whose voice *and* room are new, and those to fit on.

    So will they be in use.
    """
    rng = np.random.default_rng(seed)

    def shuffled(names: npt.NDArray[np.str_]) -> npt.NDArray[np.intp]:
        unique, index = np.unique(names, return_inverse=True)
        return np.asarray(rng.permutation(len(unique))[index])

    held_room = shuffled(data.room) % _HELD_ROOMS == 0
    fold = shuffled(data.voice) % _VOICE_FOLDS
    folds = range(_VOICE_FOLDS)
    new = [held_room & (fold == index) & np.isfinite(data.log_rule) for index in folds]
    return new, [~held_room & (fold != index) for index in folds]


def _reaches(data: Examples, arrays: Arrays) -> Array:
    """Return how far from the estimate the truth lies, in arms of the interval, shape (takes,).

    0 where the rule without training, told as well, lies beyond it; NaN where the estimate is
    outside the range that is told as a number.
    """
    reaches = []
    for truth, log_rule, (log_rt60, low, high, *_) in zip(
        data.truth[:, 0].tolist(),
        data.log_rule.tolist(),
        predict(arrays, data).tolist(),
        strict=True,
    ):
        below, above = arms(log_rt60, low, high)
        reach = max((log_rt60 - truth) / below, (truth - log_rt60) / above)
        if abs(log_rule - log_rt60) > math.log(RULE_FACTOR):
            reach *= not min(log_rule, log_rt60) <= truth <= max(log_rule, log_rt60)
        reaches.append(reach if DRY_S < math.exp(log_rt60) <= LONG_S else math.nan)
    return np.array(reaches)
