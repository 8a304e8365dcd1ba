"""A session while it is being recorded: which line has a clean take, and what has changed.

`Booth` is told of each take as it comes, and answers what the crew needs to know before the talent
leaves: which lines still need a clean take, whether level, tone, noise or room have drifted since
the first good take and what changed them, and whether the gain set on the test read leaves headroom
for the real thing.

Beside it: `drift` tells what has changed since the first good take, `folder` which recordings are
finished; `linelog` keeps results through a power cut.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from vocheck.booth.drift import Drift, find_drift
from vocheck.policy.every import Policy
from vocheck.policy.judge import Verdict
from vocheck.results import Result
from vocheck.session.take import TakeResult

__all__ = [
    "Booth",
    "Change",
    "Headroom",
    "LineState",
    "TakeState",
    "forecast_headroom",
    "has_speech",
    "is_test_read",
    "line_of",
    "only_words",
]

_TEST_READ = re.compile(r"(?:^|[ ._-])test", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class TakeState(Result):
    """One take in the table of its line.

    Attributes
    ----------
    path : str
    take : int or None
    verdict : {"keep", "fixable", "retake"}
    listen : bool
        Whether only its words keep it from being clean (see `only_words`).
    """

    path: str
    take: int | None
    verdict: Verdict
    listen: bool = False


@dataclass(frozen=True, kw_only=True)
class LineState(Result):
    """How far one line is.

    Attributes
    ----------
    line : str
    takes : tuple of TakeState
        In the order of their numbers.
    clean : int
        How many of them are `keep`.
    needed : int
        How many clean takes are still to be recorded.
    """

    line: str
    takes: tuple[TakeState, ...]
    clean: int
    needed: int


@dataclass(frozen=True, kw_only=True)
class Headroom(Result):
    """What the peaks of the test read say about those of the takes.

    Attributes
    ----------
    peak_dbtp : float
        Of the test read.
    expected_dbtp : float
        Where the loudest word of a take will peak.
    gain_db : float
        By how much to change the input gain; 0 where it is near enough.
    clips : bool
        Whether the loudest word is expected to clip.
    source, status : str
        Of the rise that is expected.
    """

    peak_dbtp: float
    expected_dbtp: float
    gain_db: float
    clips: bool
    source: str
    status: str


@dataclass(frozen=True, kw_only=True)
class Change(Result):
    """How the format of a take differs from that of the first good one.

    Attributes
    ----------
    fact : {"rate_hz", "bits", "channels"}
    before, now : int or None
        Of the first good take and of this one; ``None`` for bits where they are not fixed.
    """

    fact: Literal["rate_hz", "bits", "channels"]
    before: int | None
    now: int | None


class Booth:
    """The takes of a running session.

    Parameters
    ----------
    lines : iterable of str
        Lines that must be recorded, where a script tells them; others join as they are recorded.
    wanted : int
        How many clean takes each line needs.
    policy : Policy, optional
        What the session is held to; as shipped where omitted.

    Attributes
    ----------
    test_read : Headroom or None
        What the last test read said.
    room_tone : TakeResult or None
        The last recording in which nobody speaks.
    policy : Policy
        May be exchanged while the session runs; takes are added again as it judges them.
    """

    def __init__(
        self, lines: Iterable[str] = (), wanted: int = 1, policy: Policy | None = None
    ) -> None:
        self.policy = policy or Policy()
        self._script = tuple(lines)
        self._wanted = wanted
        self._takes: dict[str, TakeResult] = {}
        self.test_read: Headroom | None = None
        self.room_tone: TakeResult | None = None

    def add(self, take: TakeResult) -> None:
        """Take note of a take, or of its new version; one recorded over is the newest."""
        path = _path(take)
        if path in self._takes and self._takes[path].sha256 != take.sha256:
            del self._takes[path]
        self._takes[path] = take

    def remove(self, path: str) -> TakeResult | None:
        """Forget a take that was deleted, and return it."""
        return self._takes.pop(path, None)

    def known(self, path: str) -> TakeResult | None:
        """Return what was measured of a take, if it is part of the session."""
        return self._takes.get(path)

    @property
    def takes(self) -> tuple[TakeResult, ...]:
        """Every take, oldest first."""
        return tuple(self._takes.values())

    @property
    def lines(self) -> tuple[LineState, ...]:
        """Every line: those of the script in its order, then the others as they came."""
        by_line: dict[str, list[TakeState]] = {line: [] for line in self._script}
        for path, take in self._takes.items():
            state = TakeState(
                path=path, take=take.take, verdict=take.verdict, listen=only_words(take)
            )
            by_line.setdefault(line_of(take), []).append(state)
        return tuple(self._line(line, takes) for line, takes in by_line.items())

    def _line(self, line: str, takes: list[TakeState]) -> LineState:
        clean = sum(take.verdict == "keep" for take in takes)
        return LineState(
            line=line,
            takes=tuple(sorted(takes, key=lambda t: (t.take is None, t.take or 0, t.path))),
            clean=clean,
            needed=max(0, self._wanted - clean),
        )

    def next_line(self, take: TakeResult) -> LineState | None:
        """Return the line to record after a take: its own while that needs one, else the next."""
        return self.line_after(line_of(take))

    def line_after(self, name: str) -> LineState | None:
        """Return the line to record after one of this name; the first that needs one at the start.

        ``None`` where every line is done.
        """
        lines = self.lines
        own = next((i for i, line in enumerate(lines) if line.line == name), 0)
        return next((line for line in (*lines[own:], *lines[:own]) if line.needed), None)

    @property
    def reference(self) -> TakeResult | None:
        """The first good take."""
        return next((take for take in self._takes.values() if take.verdict == "keep"), None)

    def drift(self, take: TakeResult) -> Drift | None:
        """Return what has changed since the first good take; ``None`` where nothing has."""
        return find_drift(take, self._before(take), self.policy)

    def other_format(self, take: TakeResult) -> tuple[Change, ...]:
        """Return in what the file format differs from that of the first good take."""
        reference = next((t for t in self._before(take) if t.verdict == "keep"), None)
        if reference is None:
            return ()
        one, other = reference.source, take.source
        changes = (
            Change(fact="rate_hz", before=one.rate_hz, now=other.rate_hz),
            Change(fact="bits", before=one.bits, now=other.bits),
            Change(fact="channels", before=one.channels, now=other.channels),
        )
        return tuple(change for change in changes if change.before != change.now)

    def _before(self, take: TakeResult) -> list[TakeResult]:
        """Return the takes that came before one, oldest first."""
        paths = [*self._takes]
        path = _path(take)
        return [
            self._takes[other] for other in paths[: paths.index(path) if path in paths else None]
        ]


def line_of(take: TakeResult) -> str:
    """Return the line of a take; where the name tells none, the name of its folder."""
    return take.line or Path(_path(take)).absolute().parent.name


def only_words(take: TakeResult) -> bool:
    """Whether the sound of a take is clean, and words of its script may be missing.

    A recognizer says so, which may be wrong: somebody has to listen.
    """
    told = [finding for finding in take.findings if finding.severity != "note"]
    return bool(told) and all(finding.fact.startswith("reading.") for finding in told)


def is_test_read(path: str | Path) -> bool:
    """Whether a file is named like a test read ("test.wav", "ida test 2.wav")."""
    return _TEST_READ.search(Path(path).stem) is not None


def has_speech(take: TakeResult) -> bool:
    """Whether somebody speaks in a recording, which nobody does in room tone."""
    return bool(take.measurements.speech.phrases)


def forecast_headroom(test: TakeResult, policy: Policy | None = None) -> Headroom | None:
    """Return what a test read says about the gain; ``None`` for silence."""
    peak = test.measurements.true_peak.level_dbtp
    if peak is None or not has_speech(test):
        return None
    row = (policy or Policy()).headroom
    expected = peak + row.rise_db
    gain = row.aim_dbtp - expected
    return Headroom(
        peak_dbtp=peak,
        expected_dbtp=expected,
        gain_db=float(round(gain)) if abs(gain) > row.tolerance_db else 0.0,
        clips=expected > 0,
        source=row.source,
        status=row.status,
    )


def _path(take: TakeResult) -> str:
    return take.path or ""
