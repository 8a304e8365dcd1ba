"""What a survey found, in numbers that fit on a screen; read line by line, whatever its length."""

from __future__ import annotations

import heapq
import os
from array import array
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from hashlib import blake2b
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from vocheck.errors import VocheckError
from vocheck.measurements.every import MEASUREMENTS, group_name
from vocheck.policy.judge import Verdict
from vocheck.results import SCHEMA, Result, Row
from vocheck.survey.work import KEY

SAMPLED = 20_000
"""Of more recordings, quantiles are those of so many, drawn by a hash of their paths: the median of
such a sample lies between the 49 and 51 % quantiles of all (99.5 % of the draws, binomial)."""
WORST = 20
"""How many of the worst recordings are named."""

_QUANTILES = (5, 50, 95)  # per cent: the middle, and what nearly all lie between
_VERDICTS: tuple[Verdict, ...] = ("keep", "fixable", "retake")


@dataclass(frozen=True, kw_only=True)
class Spread(Result):
    """How a measurement is distributed.

    Attributes
    ----------
    measurement : str
        Its dotted name.
    label, unit : str
    digits : int
        Decimals that are shown.
    shown : bool
        Whether ``vocheck take`` shows it.
    measured : int
        On how many recordings; where it could not be measured, or was silence, it is left out.
    least, p5, median, p95, greatest : float
    """

    measurement: str
    label: str
    unit: str
    digits: int
    shown: bool
    measured: int
    least: float
    p5: float
    median: float
    p95: float
    greatest: float

    def to_dict(self) -> dict[str, Any]:
        """Return the facts as plain data."""
        plain = super().to_dict()
        del plain["digits"], plain["shown"]
        return plain


@dataclass(frozen=True, kw_only=True)
class Counts(Result):
    """How many recordings have which verdict, in a folder or in all.

    Attributes
    ----------
    folder : str
        Empty for all.
    recordings : int
        Those that failed included.
    keep, fixable, retake, failed : int
    hours : float
        Of sound.
    """

    folder: str
    recordings: int
    keep: int
    fixable: int
    retake: int
    failed: int
    hours: float


@dataclass(frozen=True, kw_only=True)
class FindingCount(Result):
    """How many recordings have a finding.

    Attributes
    ----------
    name : str
    recordings : int
    retake : int
        Where it asks for a retake.
    """

    name: str
    recordings: int
    retake: int


@dataclass(frozen=True, kw_only=True)
class Bad(Result):
    """One of the worst recordings.

    Attributes
    ----------
    path : str
    verdict : {"keep", "fixable", "retake"}
    findings : tuple of str
        Names, worst first.
    """

    path: str
    verdict: Verdict
    findings: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Summary(Result):
    """What a survey found.

    Attributes
    ----------
    all : Counts
    findings : tuple of FindingCount
        The most frequent first.
    spreads : tuple of Spread
        In the order of the measurements.
    sampled : int or None
        From how many recordings the quantiles are, where that is not all of them.
    worst : tuple of Bad
    failures : tuple of str
        The first lines on recordings that could not be measured.
    folders : tuple of Counts
        By name.
    """

    all: Counts
    findings: tuple[FindingCount, ...]
    spreads: tuple[Spread, ...]
    sampled: int | None
    worst: tuple[Bad, ...]
    failures: tuple[str, ...]
    folders: tuple[Counts, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the summary as plain data, with the version of the schema."""
        return {"schema": SCHEMA, **super().to_dict()}


def summarize(path: Path) -> Summary:
    """Read a survey and return what it found.

    Raises
    ------
    VocheckError
        If the file cannot be read, or holds something else.
    """
    tally = _Tally()
    for line in read_survey(path):
        tally.add(line)
    return tally.summary()


def read_survey(path: Path) -> Iterator[dict[str, Any]]:
    """Yield the lines of a survey as plain data.

    Raises
    ------
    VocheckError
        If the file cannot be read, or holds something else.
    """
    decode = msgspec.json.Decoder(dict[str, Any]).decode
    try:
        with path.open("rb") as file:
            for number, line in enumerate(file, start=1):
                try:
                    data = decode(line)
                except (msgspec.MsgspecError, UnicodeDecodeError):
                    data = {}
                if KEY not in data:
                    raise VocheckError(f"{path}: line {number} is not of a survey")
                yield data
    except OSError as error:
        raise VocheckError(f"{path}: cannot be read: {error.strerror or error}") from error


class _Tally:
    """Counts lines one after another."""

    def __init__(self) -> None:
        self._rows = [
            (f"{group_name(module)}.{row.field}", group_name(module), row)
            for module in MEASUREMENTS
            for row in module.ROWS
        ]
        self._ranges = [_Range() for _ in self._rows]
        self._sample: list[tuple[int, str, array[float]]] = []
        self._measured = 0
        self._folders: dict[str, _Count] = {}
        self._findings: Counter[str] = Counter()
        self._retakes: Counter[str] = Counter()
        self._worst: list[tuple[tuple[int, ...], _Later, Bad]] = []
        self._failures: list[str] = []

    def add(self, line: Mapping[str, Any]) -> None:
        """Count one line."""
        count = self._folders.setdefault(os.path.dirname(line["path"]), _Count())
        if "error" in line:
            count.verdicts["failed"] += 1
            if len(self._failures) < WORST:
                self._failures.append(line["error"])
            return
        count.verdicts[line["verdict"]] += 1
        count.seconds += line["source"]["duration_s"]
        self._add_findings(line)
        self._add_numbers(line)

    def _add_findings(self, line: Mapping[str, Any]) -> None:
        severities = {finding["name"]: finding["severity"] for finding in line["findings"]}
        self._findings.update(severities.keys())
        self._retakes.update(name for name, how in severities.items() if how == "retake")
        if line["verdict"] == "keep":
            return
        counted = Counter(severities.values())
        bad = (
            _VERDICTS.index(line["verdict"]),
            *(counted[severity] for severity in ("retake", "fixable", "note")),
        )
        told = Bad(path=line["path"], verdict=line["verdict"], findings=tuple(severities))
        _keep_greatest(self._worst, (bad, _Later(line["path"]), told), WORST)

    def _add_numbers(self, line: Mapping[str, Any]) -> None:
        values = array("d")
        for (_, group, row), among in zip(self._rows, self._ranges, strict=True):
            value = line["measurements"].get(group, {}).get(row.field)
            told = isinstance(value, int | float) and not isinstance(value, bool)
            values.append(float(value) if told else np.nan)
            if told:
                among.add(float(value))
        self._measured += 1
        drawn = int.from_bytes(blake2b(line["path"].encode(), digest_size=8).digest(), "big")
        _keep_greatest(self._sample, (drawn, line["path"], values), SAMPLED)

    def summary(self) -> Summary:
        """Return what was counted."""
        folders = tuple(count.told(name) for name, count in sorted(self._folders.items()))
        every = _Count()
        for count in self._folders.values():
            every.verdicts += count.verdicts
            every.seconds += count.seconds
        worst = sorted(self._worst, reverse=True)
        return Summary(
            all=every.told(""),
            findings=tuple(
                FindingCount(name=name, recordings=count, retake=self._retakes[name])
                for name, count in sorted(self._findings.items(), key=lambda one: (-one[1], one[0]))
            ),
            spreads=tuple(self._spreads()),
            sampled=SAMPLED if self._measured > SAMPLED else None,
            worst=tuple(bad for *_, bad in worst),
            failures=tuple(self._failures),
            folders=folders,
        )

    def _spreads(self) -> Iterator[Spread]:
        table = np.array([values for *_, values in self._sample]).reshape(-1, len(self._rows))
        for (name, _, row), among, column in zip(self._rows, self._ranges, table.T, strict=True):
            known = column[~np.isnan(column)]
            if len(known):
                yield _spread(name, row, among, known)


def _spread(name: str, row: Row, among: _Range, known: Any) -> Spread:
    p5, median, p95 = (float(value) for value in np.percentile(known, _QUANTILES))
    return Spread(
        measurement=name,
        label=row.label,
        unit=row.unit,
        digits=row.digits,
        shown=row.shown,
        measured=among.count,
        least=among.least,
        p5=p5,
        median=median,
        p95=p95,
        greatest=among.greatest,
    )


class _Range:
    """How many numbers there were, and between what they lay."""

    def __init__(self) -> None:
        self.count, self.least, self.greatest = 0, np.inf, -np.inf

    def add(self, value: float) -> None:
        self.count += 1
        self.least, self.greatest = min(self.least, value), max(self.greatest, value)


class _Count:
    """The verdicts of a folder."""

    def __init__(self) -> None:
        self.verdicts: Counter[str] = Counter()
        self.seconds = 0.0

    def told(self, folder: str) -> Counts:
        return Counts(
            folder=folder,
            recordings=self.verdicts.total(),
            keep=self.verdicts["keep"],
            fixable=self.verdicts["fixable"],
            retake=self.verdicts["retake"],
            failed=self.verdicts["failed"],
            hours=self.seconds / 3600.0,
        )


class _Later(str):
    """A path that is less than another if it comes later: of two equals, the first is named."""

    def __lt__(self, other: str) -> bool:
        return str.__gt__(self, other)


def _keep_greatest(heap: list[Any], item: Any, most: int) -> None:
    if len(heap) < most:
        heapq.heappush(heap, item)
    else:
        heapq.heappushpop(heap, item)
