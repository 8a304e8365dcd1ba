"""``python -m tests.training.denoising.judge FILE.npz``: what fitted networks find, and what not.

The readers are real ones of the registries' packages, which are not trained on. A limit has been
chosen after their scores were seen once: the next limit needs readers that nobody has looked at.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import NamedTuple

import numpy as np

from tests.accuracy.emptied_pauses import MAKERS, readers
from tests.material.treatments import LEFT_OUT, TRAINED_ON
from tests.training.denoising.takes import take
from tests.training.denoising.traces import traces
from tests.training.networks import load, probability
from vocheck.recording import Recording

UNTOUCHED = 14  # takes of each reader
LOWERED_DB = (4.0, 10.0, 20.0)  # by at least so much the treatment lowered the noise
SEED = 40_000


class Judged(NamedTuple):
    """One take: its reader, its treatment, the score, and by how much its noise was lowered."""

    reader: str
    treatment: str | None
    score: float
    lowered_db: float


def judged(file: Path, job: tuple[int, str | None, int]) -> Judged | None:
    """Make a take and score it; None where it has too little pause or speech."""
    index, name, seed = job
    reader = readers()[index]
    made = take(reader, None if name is None else MAKERS[name], seed)
    found = traces(Recording(made.samples, made.rate))
    if isinstance(found, str):
        return None
    return Judged(reader.name, name, probability(load(file).log_odds(found)), made.lowered_db)


def table(results: Sequence[Judged], limits: Sequence[float]) -> str:
    """Return the share found, treatment by treatment."""
    head = " | ".join(f"{db:.0f} dB and more" for db in LOWERED_DB)
    lines = [f"| treatment | takes | {head} |", "|---|---|" + "---|" * len(LOWERED_DB)]
    groups = {
        **{name: [name] for name in MAKERS},
        "all that were trained on": list(TRAINED_ON),
        "all that were left out": list(LEFT_OUT),
    }
    for title, names in groups.items():
        own = [one for one in results if one.treatment in names]
        cells = [str(sum(one.lowered_db >= LOWERED_DB[0] for one in own))]
        for least in LOWERED_DB:
            scores = np.array([one.score for one in own if one.lowered_db >= least])
            shares = [f"{np.mean(scores > limit):.2f}" for limit in limits if scores.size]
            cells.append(" / ".join(shares) or "-")
        lines.append(f"| {title} | {' | '.join(cells)} |")
    return "\n".join(lines)


def false_alarms(results: Sequence[Judged], limit: float) -> str:
    """Return how many untouched takes are called denoised, and of which readers."""
    untouched = [one for one in results if one.treatment is None]
    wrong = [one.reader for one in untouched if one.score > limit]
    who = ", ".join(f"{name} ({wrong.count(name)})" for name in sorted(set(wrong))) or "-"
    return f"above {limit:g}: {len(wrong)} of {len(untouched)} untouched takes; readers: {who}"


def main() -> None:
    """Print what is found at each limit."""
    parser = argparse.ArgumentParser(prog="python -m tests.training.denoising.judge")
    parser.add_argument("file", type=Path, help="what the training wrote")
    parser.add_argument("--limits", type=float, nargs="+", default=[0.7, 0.99])
    options = parser.parse_args()
    names = [*[None] * UNTOUCHED, *MAKERS]
    jobs = [
        (index, name, SEED + 100 * index + i)
        for index in range(len(readers()))
        for i, name in enumerate(names)
    ]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        found = pool.map(partial(judged, options.file), jobs, chunksize=4)
        results = [one for one in found if one is not None]
    print(table(results, options.limits))
    print("\n".join(false_alarms(results, limit) for limit in options.limits))


if __name__ == "__main__":
    main()
