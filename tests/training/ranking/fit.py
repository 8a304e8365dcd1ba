"""Least squares with no negative weight, on takes compared with the others of their line."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

from tests.material.faults import FAULTS, Take, graded_takes, lines, mixed_takes
from vocheck.measurements import Measurements
from vocheck.takes.rank import Criterion, load_criteria, relative_damage, take_costs

Array = npt.NDArray[np.float64]

FITTED = "fitted"  # how the source of a fitted weight begins
UNIT = ("noise", 1.0)  # the weight that all others are relative to
_GRADED = 0.5  # how much a take with one planted fault counts beside one with several
_BEST_MOS = 4.644  # PESQ's answer where nothing is wrong


def audible(judge: str = "PESQ") -> list[str]:
    """Return the faults that a judge can hear."""
    return [fault.name for fault in FAULTS.values() if judge in fault.heard_by]


def training_takes(mixed: int, seed: int) -> list[Take]:
    """Return the takes to fit on: of each line all graded faults, and so many of mixed ones."""
    heard = audible()
    return [
        take
        for line in lines(testing=False)
        for take in (
            *mixed_takes(line, mixed, heard, seed),
            *(take for name in heard for take in graded_takes(line, FAULTS[name])),
        )
    ]


def disturbance(pesq: float) -> float:
    """Return what PESQ adds up before it turns the sum into a score from 1 to 4.64.

    The score is 0.999 + 4 / (1 + exp(-1.3669 x + 3.8224)) (ITU-T P.862.2), with x falling from 4.5
    in proportion to the disturbances.
    """
    mos = min(max(pesq, 1.02), _BEST_MOS)
    return 4.5 - (3.8224 - math.log(4.0 / (mos - 0.999) - 1.0)) / 1.3669


def fitted_criteria() -> list[Criterion]:
    """Return the criteria whose weights come from a fit."""
    return [c for c in load_criteria() if c.source.startswith(FITTED)]


def amounts(measurements: Measurements, criteria: Sequence[Criterion]) -> list[float]:
    """Return what each fact would cost a take at a weight of 1."""
    return [
        replace(c, weight=1.0, cap=c.cap / c.weight).points(v for v, _ in c.facts(measurements))
        for c in criteria
    ]


def chance(takes: Sequence[Take]) -> float:
    """Return by how many points two faultless takes of a line differ at most, 19 times of 20."""
    by_line: dict[str, list[Take]] = {}
    for take in takes:
        if not take.faults:
            by_line.setdefault(take.line.name, []).append(take)
    differences = [
        abs(np.subtract(*relative_damage([take_costs(take.measurements) for take in pair])))
        for faultless in by_line.values()
        for pair in combinations(faultless, 2)
    ]
    return float(np.percentile(differences, 95))


def fit(takes: Sequence[Take], criteria: Sequence[Criterion]) -> dict[str, float]:
    """Return the weight of each criterion, the unit's as it stands.

    What a line's voice and text do to the judge and to the facts is common to its takes, so each
    line has a constant of its own.
    """
    names = sorted({take.line.name for take in takes})
    constant = np.array([[take.line.name == name for name in names] for take in takes], float)
    facts = np.array([amounts(take.measurements, criteria) for take in takes])
    target = np.array([disturbance(take.judged("PESQ")) for take in takes])
    trust = np.array([1.0 if len(take.faults) > 1 else _GRADED for take in takes])
    inputs = np.hstack([facts, constant, -constant]) * trust[:, np.newaxis]
    weights = nnls(inputs, target * trust)[0][: len(criteria)]
    found = dict(zip((c.name for c in criteria), weights.tolist(), strict=True))
    name, weight = UNIT
    return {key: value * weight / found[name] for key, value in found.items()}
