"""Two discriminants: a linear one of frames, then small networks that look at each run of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tests.material.planted import TOLERANCE_S
from tests.material.speech import SIBILANTS, Speech
from tests.training.sibilance.voices import Voice
from vocheck.dsp.regression import standardized
from vocheck.dsp.spectrogram import HOP_S
from vocheck.measurements import sibilance
from vocheck.measurements.sibilance import HissFrames
from vocheck.recording import Recording

Values = npt.NDArray[np.float64]
Coefficients = dict[str, Values]

AIMS = (0.93, 0.90)
"""Recall and precision that the detector is to reach."""

_EVERY = 4  # frames: neighbors tell the same
_LOOSE = 0.7  # the frames' threshold lies this much lower: the networks sort out what is too much
_EDGE = 3  # frames beside the edges of a sibilant that are neither
_RIDGE_FRAMES, _RIDGE = 1e-3, 3e-4
_UNITS, _NETWORKS, _STEPS = 8, 6, 150


@dataclass(frozen=True, eq=False)
class Take:
    """One take: its frames and where its sibilants are."""

    voice: str
    frames: HissFrames
    sibilants: tuple[tuple[float, float], ...]

    @classmethod
    def of(cls, voice: Voice, take: Speech) -> Take:
        """Look at every frame of a take."""
        frames = sibilance.hiss_frames(Recording(take.samples, take.rate))
        if isinstance(frames, str):
            raise ValueError(f"{voice.name}: {frames}")
        return cls(voice.name, frames, tuple((p.start_s, p.end_s) for p in take.of(SIBILANTS)))

    @cached_property
    def sample(self) -> tuple[Values, Values]:
        """Inputs of some frames, shape (frames, inputs), and whether each is a sibilant's."""
        marked = np.zeros(len(self.frames.speech) + 1)
        edges = np.zeros(len(marked), bool)
        for span in self.sibilants:
            first, last = (min(round(time / HOP_S), len(marked) - 1) for time in span)
            marked[first:last] = 1.0
            for edge in (first, last):
                edges[max(0, edge - _EDGE) : edge + _EDGE] = True
        use = np.flatnonzero(self.frames.speech & ~edges[:-1])[::_EVERY]
        return self.frames.inputs[:, use].T, marked[use]

    def events(self, coefficients: Coefficients) -> tuple[Values, Values, Values]:
        """Return inputs, whether each is a sibilant, and times, shape (events, 2)."""
        score = coefficients["frame"] @ self.frames.inputs + coefficients["frame_at"]
        starts, ends = sibilance.runs(score, self.frames.speech)
        times = np.stack((starts, ends), axis=1) * HOP_S
        if not len(starts):
            return np.zeros((0, 0)), np.zeros(0), times
        inputs = sibilance.event_inputs(self.frames, score, starts, ends).T
        return inputs, self.touched(times).any(axis=1).astype(float), times

    def touched(self, times: Values) -> npt.NDArray[np.bool_]:
        """Return which event touches which sibilant, shape (events, sibilants)."""
        spans = np.array(self.sibilants).reshape(-1, 2)
        early = times[:, :1] < spans[:, 1] + TOLERANCE_S
        touches: npt.NDArray[np.bool_] = early & (times[:, 1:] > spans[:, 0] - TOLERANCE_S)
        return touches


Scored = tuple[Take, Values, Values]
"""A take, the times of its events, shape (events, 2), and their scores."""


def fit(takes: Sequence[Take], weights: dict[str, float], seed: int) -> Coefficients:
    """Return the coefficients of both discriminants; `weights` says how much each voice counts."""
    frames = [take.sample for take in takes]
    found = _fit_frames(*_stacked(frames), _weights(takes, frames, weights))
    events = [take.events(found) for take in takes]
    some = [(take, event[:2]) for take, event in zip(takes, events, strict=True) if len(event[1])]
    kept = [event for _, event in some]
    inputs, is_sibilant = _stacked(kept)
    trust = _weights([take for take, _ in some], kept, weights)
    found["mean"], found["spread"] = inputs.mean(axis=0), inputs.std(axis=0)
    standard = standardized(inputs, found["mean"], found["spread"])
    networks = [_fit_network(standard, is_sibilant, trust, seed + n) for n in range(_NETWORKS)]
    for name, parts in zip(
        ("hidden", "hidden_at", "out"), zip(*networks, strict=True), strict=False
    ):
        found[name] = np.stack(parts)
    found["hidden_at"] = found["hidden_at"][:, np.newaxis]
    found["out_at"] = np.array(np.mean([network[3] for network in networks]))
    return found


def leave_one_out(takes: Sequence[Take], weights: dict[str, float], seed: int) -> list[Scored]:
    """Return of each take its events' times and scores, by a fit that never saw its voice."""
    scored: list[Scored] = []
    for name in weights:
        others = [take for take in takes if take.voice != name]
        fitted = fit(others, weights, seed)
        for take in takes:
            if take.voice == name:
                inputs, _, times = take.events(fitted)
                score = sibilance.event_score(fitted, inputs.T) if len(times) else np.zeros(0)
                scored.append((take, times, score))
    return scored


def threshold(scored: Sequence[Scored], weights: dict[str, float]) -> float:
    """Return the threshold that leaves recall and precision the same margin over their aims.

    Both are means over the voices by their weights.
    """
    share = np.array(list(weights.values())) / sum(weights.values())

    def margins(at: float) -> Values:
        found = rates(scored, at)
        reached: Values = share @ np.array([found[name] for name in weights]) - AIMS
        return reached

    steps = np.arange(-3.0, 3.0, 0.05)
    return float(steps[np.argmax([margins(float(at)).min() for at in steps])])


def rates(scored: Sequence[Scored], threshold: float) -> dict[str, tuple[float, float]]:
    """Return recall and precision of each voice."""
    counts: dict[str, Values] = {}
    for take, times, score in scored:
        touched = take.touched(times[score > threshold])
        found = np.array(
            [touched.any(axis=0).sum(), touched.shape[1], touched.any(axis=1).sum(), len(touched)]
        )
        counts[take.voice] = counts.get(take.voice, np.zeros(4)) + found
    return {name: (a / b, c / max(1.0, d)) for name, (a, b, c, d) in counts.items()}


def _stacked(parts: Sequence[tuple[Values, Values]]) -> tuple[Values, Values]:
    return np.concatenate([x for x, _ in parts]), np.concatenate([y for _, y in parts])


def _weights(
    takes: Sequence[Take], parts: Sequence[tuple[Values, Values]], weights: dict[str, float]
) -> Values:
    """Return how much each row counts: the rows of a voice together as much as its weight."""
    totals: dict[str, int] = {}
    for take, (_, y) in zip(takes, parts, strict=True):
        totals[take.voice] = totals.get(take.voice, 0) + len(y)
    rows = np.concatenate(
        [
            np.full(len(y), weights[t.voice] / totals[t.voice])
            for t, (_, y) in zip(takes, parts, strict=True)
        ]
    )
    return rows / rows.sum()


def _fit_frames(x: Values, y: Values, trust: Values) -> Coefficients:
    """Fit a ridge logistic regression by Newton's method, both classes weighing the same."""
    trust = trust * np.where(y > 0, 0.5 / trust[y > 0].sum(), 0.5 / trust[y == 0].sum())
    mean, spread = x.mean(axis=0), x.std(axis=0)
    z = np.column_stack(((x - mean) / spread, np.ones(len(x))))
    ridge = _RIDGE_FRAMES * np.append(np.ones(x.shape[1]), 0.0)
    beta = np.zeros(z.shape[1])
    for _ in range(20):
        p = 1.0 / (1.0 + np.exp(-np.clip(z @ beta, -30.0, 30.0)))
        gradient = z.T @ (trust * (p - y)) + ridge * beta
        curvature = (z * (trust * p * (1.0 - p))[:, np.newaxis]).T @ z + np.diag(ridge + 1e-9)
        beta -= np.linalg.solve(curvature, gradient)
    weights = beta[:-1] / spread
    return {"frame": weights, "frame_at": np.array(beta[-1] - weights @ mean + _LOOSE)}


def _fit_network(
    x: Values, y: Values, trust: Values, seed: int
) -> tuple[Values, Values, Values, float]:
    """Fit one hidden layer (tanh) by L-BFGS on the weighted, ridged log likelihood."""
    from scipy.optimize import minimize

    inputs = x.shape[1]
    sizes = np.cumsum([inputs * _UNITS, _UNITS, _UNITS])

    def parts(v: Values) -> list[Values]:
        hidden, at, out, out_at = np.split(v, sizes)
        return [hidden.reshape(inputs, _UNITS), at, out, out_at]

    def loss(v: Values) -> tuple[float, Values]:
        hidden, at, out, out_at = parts(v)
        units = np.tanh(x @ hidden + at)
        score = units @ out + out_at
        value = trust @ (np.logaddexp(0.0, score) - y * score)
        value += _RIDGE * (np.square(hidden).sum() + np.square(out).sum())
        slope = trust * (1.0 / (1.0 + np.exp(-np.clip(score, -30.0, 30.0))) - y)
        inner = np.outer(slope, out) * (1.0 - units**2)
        gradient = [
            (x.T @ inner + 2.0 * _RIDGE * hidden).ravel(),
            inner.sum(axis=0),
            units.T @ slope + 2.0 * _RIDGE * out,
            [slope.sum()],
        ]
        return float(value), np.concatenate(gradient)

    rng = np.random.default_rng(seed)
    first = np.zeros(sizes[-1] + 1)
    first[: sizes[0]] = rng.normal(0.0, 0.5 / np.sqrt(inputs), sizes[0])
    first[sizes[1] : sizes[2]] = rng.normal(0.0, 0.5, _UNITS)
    found = minimize(loss, first, jac=True, method="L-BFGS-B", options={"maxiter": _STEPS}).x
    hidden, at, out, out_at = parts(found)
    return hidden, at, out, float(out_at[0])
