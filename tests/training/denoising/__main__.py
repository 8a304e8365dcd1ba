"""Make the takes, leave readers out, fit to all, and write the coefficients."""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.material import speech
from tests.material.treatments import TRAINED_ON
from tests.training import takes
from tests.training.denoising.takes import take
from tests.training.denoising.traces import traces
from tests.training.networks import fit, folds, networks
from vocheck.recording import Recording

REPEATS = 3
VOICES = ("kal", "en+f2", "en-us+m3", "en-gb-x-rp+m4", "en+m1", "en-us-nyc+m8", "en-029+m5")
LINES = speech.DEVELOPMENT_LINES[:5]
LEAST_DB = 4.0  # treatments that lower the noise by less teach nothing
FALSE_SHARES = (0.02, 0.01)


@dataclass(frozen=True)
class Job:
    """What one take is made of."""

    reader: takes.Reader
    treatment: str | None
    seed: int


def measured(job: Job) -> tuple[dict[str, float], float] | None:
    """Return the inputs of a take, and by how much its noise was lowered."""
    maker = None if job.treatment is None else TRAINED_ON[job.treatment]
    made = take(job.reader, maker, job.seed)
    found = traces(Recording(made.samples, made.rate))
    return None if isinstance(found, str) else (found, made.lowered_db)


def synthetic() -> list[takes.Reader]:
    """Return voices without any noise of their own, which no real reader of the folder is."""
    return [
        takes.reader(
            name,
            [speech.synthesise(line, name).at(16_000).samples for line in LINES],
            16_000,
        )
        for name in VOICES
    ]


def main() -> None:
    """Run the whole chain; every step is seeded."""
    parser = argparse.ArgumentParser(prog="python -m tests.training.denoising", description=__doc__)
    parser.add_argument("--voices", type=Path, required=True, help="SPEAKER_NUMBER.flac")
    parser.add_argument("--out", type=Path, required=True, help="the .npz to write")
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    names = [*TRAINED_ON, *[None] * len(TRAINED_ON)]
    known = [*takes.readers(options.voices), *synthetic()]
    jobs = [
        Job(reader, name, seed)
        for seed, (reader, name) in enumerate(
            ((r, n) for _ in range(REPEATS) for r in known for n in names),
            start=1_000_000 * (options.seed + 1),
        )
    ]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        results = list(pool.map(measured, jobs, chunksize=8))
    kept = [
        (job, *result)
        for job, result in zip(jobs, results, strict=True)
        if result is not None and (job.treatment is None or result[1] >= LEAST_DB)
    ]
    treated = np.array([job.treatment is not None for job, _, _ in kept])
    found = [one for _, one, _ in kept]
    part = folds([job.reader.name for job, _, _ in kept])
    score = np.empty(len(kept))
    for held in np.unique(part):
        others = np.flatnonzero(part != held)
        nets = networks(fit([found[i] for i in others], treated[others], options.seed))
        for i in np.flatnonzero(part == held):
            score[i] = nets.log_odds(found[i])
    for share in FALSE_SHARES:
        limit = float(np.quantile(score[~treated], 1.0 - share))
        print(f"{share:.0%} of the untouched takes above {1 / (1 + np.exp(-limit)):.2f}; found:")
        for name in TRAINED_ON:
            own = np.array([job.treatment == name for job, _, _ in kept])
            print(f"  {name:26} {np.mean(score[own] > limit):.2f} of {own.sum()}")
    np.savez_compressed(options.out, **fit(found, treated, options.seed))


if __name__ == "__main__":
    main()
