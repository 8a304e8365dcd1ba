"""Make the takes, leave readers out, fit to all, and write the coefficients."""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

import vocheck.voice
from tests.training import takes
from tests.training.clipping.takes import CHAINS, Take, take
from tests.training.networks import folds
from vocheck.dsp.regression import standardized
from vocheck.recording import Recording
from vocheck.voice import ceiling
from vocheck.voice.activity import activity_of

Values = npt.NDArray[np.float64]

COUNTS = {"clean": 6, "clipped": 6, "limited": 3, "driven": 1}  # takes of each reader
FALSE_SHARES = (0.01, 0.005)
CUT_FALSE = 0.05  # of the limited takes that may be called cut
SHARES = ((1e-3, 3e-3), (3e-3, 1e-2), (1e-2, 5e-2))
_STRENGTH = 0.1  # of the logistic regressions: the inverse of the penalty
_RIDGE = 10.0


@dataclass(frozen=True)
class Job:
    """What one take is made of."""

    reader: takes.Reader
    kind: str
    seed: int


@dataclass(frozen=True, eq=False)
class Row:
    """One take without its samples."""

    reader: str
    kind: str
    chain: str
    share: float
    inputs: Values


def measured(job: Job) -> Row | None:
    """Return what is seen of one take."""
    made: Take = take(job.reader, job.kind, job.seed)
    recording = Recording(made.samples, made.rate)
    speech_s = sum(end - start for start, end in activity_of(recording).phrases)
    found = ceiling.inputs(recording.voice, ceiling.half_waves(recording.voice), speech_s)
    if isinstance(found, str):
        return None
    return Row(job.reader.name, made.kind, made.chain, made.share, found)


def fit(rows: list[Row]) -> dict[str, Values]:
    """Return the coefficients of the three discriminants."""
    from sklearn.linear_model import LogisticRegression, Ridge

    x = np.array([row.inputs for row in rows])
    kind = np.array([row.kind for row in rows])
    share = np.array([row.share for row in rows])
    mean, spread = np.nanmean(x, axis=0), np.nanstd(x, axis=0) + 1e-9
    z = standardized(x, mean, spread)

    def odds(use: npt.NDArray[np.bool_], true: npt.NDArray[np.bool_]) -> tuple[Values, float]:
        model = LogisticRegression(C=_STRENGTH, max_iter=500, class_weight="balanced")
        model.fit(z[use], true[use])
        return model.coef_[0], float(model.intercept_[0])

    # A limiter is left out of the first: where it hardly acts there is hardly a ceiling.
    found = [
        odds(np.isin(kind, ("clean", "clipped")), kind == "clipped"),
        odds(np.isin(kind, ("limited", "clipped")), kind == "clipped"),
    ]
    cut = kind == "clipped"
    ridge = Ridge(alpha=_RIDGE).fit(z[cut], np.log10(share[cut]))
    found.append((ridge.coef_, float(ridge.intercept_)))
    return {
        "mean": mean,
        "spread": spread,
        "out": np.stack([weights for weights, _ in found], axis=1),
        "out_at": np.array([at for _, at in found]),
    }


def scores(rows: list[Row], weights: dict[str, Values]) -> Values:
    """Return the three outputs of each take, shape (takes, 3)."""
    x = np.array([row.inputs for row in rows])
    outputs: Values = standardized(x, weights["mean"], weights["spread"]) @ weights["out"]
    return outputs + weights["out_at"]


def left_out(rows: list[Row]) -> Values:
    """Return the outputs of each take, by a fit that never saw its reader."""
    part = folds([row.reader for row in rows])
    found = np.empty((len(rows), 3))
    for held in np.unique(part):
        others = [row for row, own in zip(rows, part, strict=True) if own != held]
        own = np.flatnonzero(part == held)
        found[own] = scores([rows[i] for i in own], fit(others))
    return found


def report(rows: list[Row], found: Values) -> None:
    """Print what is found of readers that the fit has not seen."""
    kind = np.array([row.kind for row in rows])
    chain = np.array([row.chain for row in rows])
    share = np.array([row.share for row in rows])
    cut_least = float(np.quantile(found[kind == "limited", 1], 1.0 - CUT_FALSE))
    for false in FALSE_SHARES:
        least = float(np.quantile(found[kind == "clean", 0], 1.0 - false))
        print(f"{false:.1%} of the clean takes above {least:.2f}; found / called cut:")
        told = found[:, 0] > least
        called = told & (found[:, 1] > cut_least)
        for other in ("clean", "limited", "driven"):
            own = kind == other
            print(f"  {other:16} {told[own].mean():.3f} / {called[own].mean():.3f}")
        for name in CHAINS:
            cells = []
            for low, high in SHARES:
                own = (kind == "clipped") & (chain == name) & (share >= low) & (share < high)
                cells.append(f"{told[own].mean():.2f} / {called[own].mean():.2f} of {own.sum()}")
            print(f"  {name:16} {', '.join(cells)}")
    print(f"cut above {cut_least:.2f}")
    error = np.abs(found[:, 2] - np.log10(np.maximum(share, 1e-9)))[kind == "clipped"]
    factors = 10.0 ** np.quantile(error, (0.5, 0.9))
    print(f"share within a factor of {factors[0]:.2f} (half), {factors[1]:.2f} (nine in ten)")


def main() -> None:
    """Run the whole chain; every step is seeded."""
    parser = argparse.ArgumentParser(prog="python -m tests.training.clipping", description=__doc__)
    parser.add_argument("--voices", type=Path, nargs="+", required=True, help="SPEAKER_NUMBER.flac")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=os.cpu_count(), help="processes")
    options = parser.parse_args()
    known = [reader for folder in options.voices for reader in takes.readers(folder)]
    kinds = [kind for kind, count in COUNTS.items() for _ in range(count)]
    pairs = [(reader, kind) for reader in known for kind in kinds]
    jobs = [
        Job(reader, kind, seed)
        for seed, (reader, kind) in enumerate(pairs, start=1_000_000 * (options.seed + 1))
    ]
    with ProcessPoolExecutor(options.workers) as pool:
        rows = [row for row in pool.map(measured, jobs, chunksize=8) if row is not None]
    print(f"{len(rows)} takes of {len(known)} readers")
    report(rows, left_out(rows))
    folder = Path(vocheck.voice.__path__[0])
    np.savez_compressed(folder / ceiling.COEFFICIENTS, **fit(rows))  # type: ignore[arg-type]


if __name__ == "__main__":
    main()
