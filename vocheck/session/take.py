"""One take, from file to verdict; and many of them."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Unpack

from vocheck.measurements import Measurements, measure
from vocheck.policy.every import Policy
from vocheck.policy.judge import Finding, Verdict, judge, judge_reading, verdict_of
from vocheck.policy.limits import Limits
from vocheck.policy.rule import Rules
from vocheck.recording import Recording, Source
from vocheck.results import SCHEMA, Result
from vocheck.script.reading import Reading, can_hear_words, check_reading
from vocheck.script.text import text_of
from vocheck.session.each import Failure, each
from vocheck.session.lineup import take_name
from vocheck.session.names import TakeName
from vocheck.session.settings import Options, Settings, settings_or
from vocheck.session.takefile import TakeFile

# What a target's gain does is computed for takes held against one only.
if TYPE_CHECKING:
    from vocheck.policy.delivery import Delivery
    from vocheck.policy.destinations import Destination
    from vocheck.policy.obstacles import Most


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
    policy = Policy()
    result = _judged(
        Measured(source=recording.source, measurements=measure(recording)),
        policy.limits if limits is None else limits,
        targets,
        sha256,
        TakeName(line, take) if line is not None else None,
    )
    return result if text is None else _read(result, check_reading(recording, text), policy.words)


def check_take(
    path: str | os.PathLike[str], settings: Settings | None = None, **options: Unpack[Options]
) -> TakeResult:
    """Read, measure and judge one take.

    Parameters
    ----------
    path : path-like
        The recording; it is only read.
    settings : Settings, optional
        Or the single options of `vocheck.session.settings.Options`: ``limits``, ``targets``,
        ``pattern``, ``script``, ``cache``.

    Raises
    ------
    AudioError
        If the file cannot be read or measured.
    SessionError
        If the pattern is malformed.
    TargetError
        If a target is unknown or a ``vocheck.toml`` malformed.
    """
    settings = settings_or(settings, [path], options)
    return judge_take(TakeFile(os.fspath(path), settings.cache), settings)


def check_all(
    paths: Iterable[str | os.PathLike[str]],
    settings: Settings | None = None,
    **options: Unpack[Options],
) -> Iterator[TakeResult | Failure]:
    """Check many takes, in order; a bad file becomes a `Failure` and the rest goes on.

    Whatever goes wrong with one file is that file's `Failure`; with a `WorkerPool` as executor, a
    crash, a hang or too little memory are as well.

    Parameters
    ----------
    paths : iterable of path-like
    settings : Settings, optional
        Or the single options of `vocheck.session.settings.Options`: ``limits``, ``targets``,
        ``pattern``, ``script``, ``cache``, ``executor``.

    Raises
    ------
    SessionError
        If the pattern is malformed, or two ``vocheck.toml`` count for takes among these.
    TargetError
        If a target is unknown or a ``vocheck.toml`` malformed.

    Yields
    ------
    TakeResult or Failure
        As soon as each take (and all before it) is done.
    """
    names = [os.fspath(path) for path in paths]
    settings = settings_or(settings, names, options)
    return each(partial(judge_take, settings=settings), names, settings)


def judge_take(file: TakeFile, settings: Settings) -> TakeResult:
    """Measure a take, unless that was done before, and judge it: work for `each`."""
    measured = measure_take(file)
    name = take_name(file.path, settings.pattern, settings.notes)
    result = _judged(
        measured,
        settings.limits,
        settings.destinations,
        file.sha256,
        name,
        settings.policy.obstacles if settings.destinations else None,
    )
    text = text_of(settings.script, result.line)
    return result if text is None else hear_words(file, result, text, settings.policy.words)


def measure_take(file: TakeFile) -> Measured:
    """Return what a take is measured to be."""
    measured = file.remember(Measured, _measured)
    return replace(measured, source=replace(measured.source, path=file.path))


def _measured(recording: Recording) -> Measured:
    source = replace(recording.source, path=None)
    return Measured(source=source, measurements=measure(recording))


def hear_words(file: TakeFile, result: TakeResult, text: str, rules: Rules) -> TakeResult:
    """Return what is said of a take once its words are held against what was to be read.

    Parameters
    ----------
    file : TakeFile
    result : TakeResult
        Of the file, without its words.
    text : str
    rules : Rules
        Those of ``words.toml``.
    """
    reading = file.remember(
        Reading,
        partial(check_reading, text=text),
        text,
        str(can_hear_words()),
        made_by=("script",),
    )
    return _read(result, reading, rules)


def _read(result: TakeResult, reading: Reading, rules: Rules) -> TakeResult:
    findings = judge_reading(reading, result.findings, rules)
    return replace(result, findings=findings, verdict=verdict_of(findings), reading=reading)


def _judged(
    measured: Measured,
    limits: Limits,
    targets: Sequence[Destination],
    sha256: str | None,
    name: TakeName | None,
    obstacles: Mapping[str, Most] | None = None,
) -> TakeResult:
    measurements = measured.measurements
    findings = judge(measurements, limits)
    return TakeResult(
        path=measured.source.path,
        sha256=sha256,
        line=name.line if name else None,
        take=name.take if name else None,
        source=measured.source,
        measurements=measurements,
        findings=findings,
        verdict=verdict_of(findings),
        delivery=tuple(_forecast(measured, target, obstacles) for target in targets),
    )


def _forecast(measured: Measured, target: Destination, rows: Mapping[str, Most] | None) -> Delivery:
    from vocheck.policy.delivery import forecast
    from vocheck.policy.obstacles import find_obstacles

    measurements = measured.measurements
    loudness = measurements.loudness
    delivery = forecast(
        target,
        loudness.integrated_lufs,
        measurements.true_peak.level_dbtp,
        measurements.noise.floor_dbfs,
        rms_dbfs=measurements.level.rms_dbfs,
        active_dbfs=measurements.level.active_dbfs,
        two_speakers_lufs=loudness.two_speakers_lufs,
        sample_peak_dbfs=measurements.true_peak.sample_peak_dbfs,
    )
    obstacles = find_obstacles(
        target, measured.source, delivery.noise_floor_after_dbfs, delivery.limiter_db, rows
    )
    return replace(delivery, obstacles=obstacles)
