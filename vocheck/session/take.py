"""One take, from file to verdict; and many of them."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import Any

from vocheck.audio.readers import read
from vocheck.errors import AudioError
from vocheck.measurements import Measurements, measure
from vocheck.policy.delivery import Delivery, forecast
from vocheck.policy.destinations import Destination
from vocheck.policy.every import Policy, policy_for
from vocheck.policy.judge import Finding, Verdict, judge, judge_reading, verdict_of
from vocheck.policy.limits import Limits, load_limits
from vocheck.recording import Recording, Source
from vocheck.results import SCHEMA, Result
from vocheck.script.reading import Reading, can_hear_words, check_reading
from vocheck.script.text import Script, text_of
from vocheck.session.cache import remember
from vocheck.session.each import Failure, each
from vocheck.session.names import parse_name, pattern_for
from vocheck.session.workers import allow_length


@dataclass(frozen=True, kw_only=True)
class TakeResult(Result):
    """Everything vocheck says of one take.

    Attributes
    ----------
    path : str or None
        The file; ``None`` for an array.
    sha256 : str or None
        Of the file's bytes, so that a report can be tied to its recording.
    line : str or None
    take : int or None
        As the file name tells.
    source : Source
    measurements : Measurements
    findings : tuple of Finding
        Worst first.
    verdict : Verdict
    delivery : tuple of Delivery
        For each target asked for: what the gain to the target does to peak and noise floor.
    reading : Reading or None
        The take held against its line of the script, where there is one.
    """

    path: str | None
    sha256: str | None
    line: str | None
    take: int | None
    source: Source
    measurements: Measurements
    findings: tuple[Finding, ...]
    verdict: Verdict
    delivery: tuple[Delivery, ...] = ()
    reading: Reading | None = None

    @property
    def not_measured(self) -> dict[str, str]:
        """Dotted names that carry no number, each with its reason."""
        return self.measurements.reasons()

    def to_dict(self) -> dict[str, Any]:
        """Return the result as plain data, under the names of the result schema."""
        plain = super().to_dict()
        del plain["source"]["path"], plain["source"]["missing_s"]
        facts = list(plain)
        facts.insert(facts.index("measurements") + 1, "not_measured")
        plain["not_measured"] = self.not_measured
        return {"schema": SCHEMA, **{key: plain[key] for key in facts}}


@dataclass(frozen=True, kw_only=True)
class Measured(Result):
    """What a recording is measured to be, before anybody judges it."""

    source: Source
    measurements: Measurements


def check_recording(
    recording: Recording,
    limits: Limits | None = None,
    targets: Sequence[Destination] = (),
    *,
    sha256: str | None = None,
    line: str | None = None,
    take: int | None = None,
    text: str | None = None,
) -> TakeResult:
    """Measure and judge a recording that is already in memory.

    Parameters
    ----------
    recording : Recording
    limits : Limits, optional
        The shipped ones where omitted.
    targets : sequence of Destination
        Delivery targets to forecast for.
    sha256, line, take
        Carried into the result.
    text : str, optional
        What was to be read; the take is held against it.
    """
    measured = Measured(source=recording.source, measurements=measure(recording))
    result = _judged(measured, limits, targets, sha256, line, take)
    return result if text is None else with_words(result, check_reading(recording, text))


def with_words(result: TakeResult, reading: Reading) -> TakeResult:
    """Return what is said of a take once its words were held against the script."""
    policy = policy_for(result.path) if result.path else Policy()
    findings = judge_reading(reading, result.findings, policy.words)
    return replace(result, findings=findings, verdict=verdict_of(findings), reading=reading)


def check_take(
    path: str | os.PathLike[str],
    limits: Limits | None = None,
    targets: Sequence[str] = (),
    *,
    pattern: str | None = None,
    script: Script | None = None,
) -> TakeResult:
    """Read, measure and judge one take.

    Parameters
    ----------
    path : path-like
        The recording; it is only read.
    limits : Limits, optional
        Where omitted: the shipped limits with the overrides of the nearest ``vocheck.toml``.
    targets : sequence of str
        Delivery targets by name, e.g. ``"social"``.
    pattern : str, optional
        Regular expression that tells line and take from the file's name.
    script : mapping of str to str, optional
        Text by line (see `vocheck.script.text.read_script`); the take is held against that of its
        line.

    Raises
    ------
    AudioError
        If the file cannot be read or measured.
    TargetError
        If a target is unknown or a limits file malformed.
    """
    return _check(path, cache(lambda: read(path)), limits, targets, pattern, script)


def load_take(
    path: str | os.PathLike[str],
    limits: Limits | None = None,
    targets: Sequence[str] = (),
    *,
    pattern: str | None = None,
    script: Script | None = None,
) -> tuple[Recording, TakeResult]:
    """Do what `check_take` does, and return the recording with its shared intermediates too."""
    recording = read(path)
    return recording, _check(path, lambda: recording, limits, targets, pattern, script)


def _check(
    path: str | os.PathLike[str],
    load: Callable[[], Recording],
    limits: Limits | None,
    targets: Sequence[str],
    pattern: str | None,
    script: Script | None,
) -> TakeResult:
    """Check a file, which is loaded only if what is asked was not measured before."""
    path = os.fspath(path)
    policy = policy_for(path)
    name = parse_name(path, pattern_for(path, pattern))
    destinations = policy.find_destinations(targets)
    if not os.path.isfile(path):
        load()  # says what it is instead
    sha256 = _sha256(path)
    line = name.line if name else None

    def measured() -> Measured:
        recording = load()
        allow_length(recording.duration_s)
        source = replace(recording.source, path=None)
        return Measured(source=source, measurements=measure(recording))

    facts = remember(Measured, (sha256,), measured, keep=lambda: _sha256(path) == sha256)
    result = _judged(
        replace(facts, source=replace(facts.source, path=path)),
        limits if limits is not None else policy.limits,
        destinations,
        sha256,
        line,
        name.take if name else None,
    )
    text = text_of(script, line)
    return result if text is None else hear_words(result, load, text)


def hear_words(result: TakeResult, load: Callable[[], Recording], text: str) -> TakeResult:
    """Return what is said of a take file once its words are held against what was to be read.

    Parameters
    ----------
    result : TakeResult
        Of the file, without its words.
    load : callable
        Returns the recording, where it was not held against this text before.
    text : str
    """
    path, sha256 = result.path or "", result.sha256 or ""
    heard = remember(
        Reading,
        (sha256, text, str(can_hear_words())),
        lambda: check_reading(load(), text),
        keep=lambda: _sha256(path) == sha256,
    )
    return with_words(result, heard)


def _sha256(path: str) -> str:
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise AudioError(f"{path}: cannot be read: {error.strerror or error}") from error


def check_all(
    paths: Iterable[str | os.PathLike[str]],
    limits: Limits | None = None,
    targets: Sequence[str] = (),
    *,
    pattern: str | None = None,
    executor: Executor | None = None,
    script: Script | None = None,
) -> Iterator[TakeResult | Failure]:
    """Check many takes, in order; a bad file becomes a `Failure` and the rest goes on.

    Whatever goes wrong with one file is that file's `Failure`; with a `WorkerPool` as executor, a
    crash, a hang or too little memory are as well. A malformed limits file or an unknown target
    concerns every take, and is raised.

    Parameters
    ----------
    paths : iterable of path-like
    limits, targets, pattern, script
        As for `check_take`.
    executor : concurrent.futures.Executor, optional
        Where the work is done: processes (`vocheck.session.workers.WorkerPool`) or threads of this
        machine, or a cluster's executor. This thread where omitted.

    Yields
    ------
    TakeResult or Failure
        As soon as each take (and all before it) is done.
    """
    work = partial(
        check_take, limits=limits, targets=tuple(targets), pattern=pattern, script=script
    )
    return each(work, paths, executor)


def _judged(
    measured: Measured,
    limits: Limits | None,
    targets: Sequence[Destination],
    sha256: str | None,
    line: str | None,
    take: int | None,
) -> TakeResult:
    measurements = measured.measurements
    findings = judge(measurements, limits if limits is not None else load_limits())
    return TakeResult(
        path=measured.source.path,
        sha256=sha256,
        line=line,
        take=take,
        source=measured.source,
        measurements=measurements,
        findings=findings,
        verdict=verdict_of(findings),
        delivery=tuple(_forecast(measurements, target) for target in targets),
    )


def _forecast(measurements: Measurements, target: Destination) -> Delivery:
    loudness = measurements.loudness
    two_speakers = loudness.two_speakers_lufs is not None
    return forecast(
        target,
        loudness.two_speakers_lufs if two_speakers else loudness.integrated_lufs,
        measurements.true_peak.level_dbtp,
        measurements.noise.floor_dbfs,
        rms_dbfs=measurements.level.rms_dbfs,
        active_dbfs=measurements.level.active_dbfs,
        # For two channels the two numbers are the same, and there is nothing to say.
        two_speakers=two_speakers and loudness.two_speakers_lufs != loudness.integrated_lufs,
    )
