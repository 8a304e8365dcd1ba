"""Measurements against limits: what is wrong, how much, where, on whose word, and what to do.

`vocheck.measurements` states facts; here they become findings. Every number of taste comes from the
limits (`vocheck.policy.limits`), none from this file.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from vocheck.errors import TargetError
from vocheck.measurements import Measurements
from vocheck.policy.limits import (
    SEVERITIES,
    Condition,
    Limit,
    Limits,
    Sense,
    Severity,
    Status,
    Threshold,
)
from vocheck.policy.words import fill
from vocheck.results import Result
from vocheck.script.reading import Reading

Verdict = Literal["keep", "fixable", "retake"]


@dataclass(frozen=True, kw_only=True)
class Finding(Result):
    """One thing that is wrong with a take, or worth knowing.

    Attributes
    ----------
    name : str
        Of the limit; ``vocheck explain NAME`` says more.
    measurement : str
        Dotted name of what was judged.
    severity : Severity
        ``note`` (good to know), ``fixable`` (in the edit) or ``retake`` (only by recording again).
    value : float, bool, str or None
        What was measured; of several events the worst.
    unit : str
    limit : float, bool or str
        The number that was passed.
    limit_source, limit_status : str
        Who says so, and whether that is a published standard or common practice.
    count : int or None
        How many events are beyond the mildest limit, where events were judged.
    times_s : tuple of float
        Where in the take.
    words : tuple of str
        The words that these places fall on, where the take was held against a script.
    message, now, later : str
        What was found; what to change in the booth now; what the edit can still do.
    """

    name: str
    measurement: str
    severity: Severity
    value: float | bool | str | None
    unit: str
    limit: float | bool | str
    limit_source: str
    limit_status: Status
    count: int | None
    times_s: tuple[float, ...]
    message: str
    now: str
    later: str
    words: tuple[str, ...] = ()


def judge(measurements: Measurements, limits: Limits) -> tuple[Finding, ...]:
    """Compare every fact with its limit.

    Returns
    -------
    tuple of Finding
        Worst first; within a severity in the order of the limits.

    Raises
    ------
    TargetError
        If a limit names a fact that does not exist.
    """
    found = [
        (limit, finding)
        for limit in limits.values()
        if (finding := _judge_one(measurements, limit)) is not None
    ]
    replaced = {name for limit, _ in found for name in limit.replaces}
    findings = [finding for limit, finding in found if limit.name not in replaced]
    return tuple(sorted(findings, key=lambda f: -SEVERITIES.index(f.severity)))


@cache
def load_word_limits() -> dict[str, dict[str, Any]]:
    """Return what a departure from the script means: the rows of ``words.toml``, by its kind."""
    text = files("vocheck.policy").joinpath("words.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def judge_reading(reading: Reading, findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Say what a take's words are found to be, beside what its sound is, worst first.

    Parameters
    ----------
    reading : Reading
    findings : sequence of Finding
        What `judge` found; each is told the words that its places fall on.

    Returns
    -------
    tuple of Finding
        All of them.
    """
    found = [
        replace(
            finding,
            words=tuple(
                dict.fromkeys(
                    word for time in finding.times_s if (word := reading.word_at(time)) is not None
                )
            ),
        )
        for finding in findings
    ]
    for kind, row in load_word_limits().items():
        misread = [one for one in reading.misread or () if one.kind == kind]
        if not misread:
            continue
        words = ", ".join(f"“{one.words}”" for one in misread)
        count = sum(len(one.words.split()) for one in misread)
        found.append(
            Finding(
                name=f"words_{kind}",
                measurement="reading.misread",
                severity=row["severity"],
                value=float(count),
                unit="words",
                limit=0.0,
                limit_source="the script",
                limit_status="our choice",
                count=len(misread),
                times_s=tuple(one.time_s for one in misread),
                message=fill(row["message"], count=count, words=words),
                now=row["now"],
                later=row["later"],
                words=tuple(one.words for one in misread),
            )
        )
    return tuple(sorted(found, key=lambda f: -SEVERITIES.index(f.severity)))


def word_points(reading: Reading | None) -> float:
    """Return what a take's departures from its script cost it, in points of damage."""
    misread = reading.misread if reading is not None else None
    return float(sum(load_word_limits()[one.kind]["points"] for one in misread or ()))


def verdict_of(findings: Sequence[Finding]) -> Verdict:
    """Return ``retake`` or ``fixable`` if any finding says so, else ``keep``."""
    severities = {finding.severity for finding in findings}
    if "retake" in severities:
        return "retake"
    return "fixable" if "fixable" in severities else "keep"


def _judge_one(measurements: Measurements, limit: Limit) -> Finding | None:
    if not all(_holds(measurements, condition) for condition in limit.only_if):
        return None
    facts = look_up(measurements, limit.measurement, limit.name)
    if limit.sense == "not measured":
        return _not_measured(measurements, limit, facts)
    passed: tuple[Threshold, Any] | None = None
    beyond: list[tuple[Any, float | None]] = []
    for threshold in limit.thresholds:
        worse = [(v, t) for v, t in facts if _beyond(v, limit.sense, threshold.value)]
        if worse:
            beyond = beyond or worse  # the mildest threshold that was passed counts the events
            values = [value for value, _ in worse]
            passed = (threshold, min(values) if limit.sense == "below" else max(values))
    if passed is None:
        return None
    threshold, value = passed
    return _finding(
        measurements,
        limit,
        threshold,
        value,
        count=len(beyond) if "[]" in limit.measurement else None,
        times_s=_times(measurements, limit, beyond),
    )


def _not_measured(
    measurements: Measurements, limit: Limit, facts: list[tuple[Any, float | None]]
) -> Finding | None:
    if facts or not limit.thresholds:
        return None
    reason = measurements.reasons().get(limit.measurement, "not measured")
    return _finding(measurements, limit, limit.thresholds[0], None, reason=reason)


def _finding(
    measurements: Measurements,
    limit: Limit,
    threshold: Threshold,
    value: Any,
    count: int | None = None,
    times_s: tuple[float, ...] = (),
    reason: str = "",
) -> Finding:
    words = {
        "value": value,
        "limit": threshold.value,
        "count": count if count is not None else value,
        "reason": reason,
        "m": measurements,
    }
    try:
        message, now, later = (
            fill(text, **words) for text in (limit.message, limit.now, limit.later)
        )
    except (AttributeError, KeyError, ValueError, TypeError) as error:
        raise TargetError(f"limit {limit.name}: its text cannot be filled in: {error}") from error
    return Finding(
        name=limit.name,
        measurement=limit.measurement,
        severity=threshold.severity,
        value=value,
        unit=limit.unit,
        limit=threshold.value,
        limit_source=threshold.source,
        limit_status=threshold.status,
        count=count,
        times_s=times_s,
        message=message,
        now=now,
        later=later,
    )


def look_up(
    measurements: Measurements, name: str, asked_by: str = ""
) -> list[tuple[Any, float | None]]:
    """Return the facts behind a dotted name, each with its time where it has one.

    ``"noise.floor_dbfs"`` gives one pair, or none where it was not measured;
    ``"plosives.events[].level_re_speech_db"`` one per event, and
    ``"dropouts.events[].length_s"`` how long each lasts; ``"dropouts.events"`` is their number.

    Raises
    ------
    TargetError
        If there is no such fact; `asked_by` is named in the message.
    """
    path, _, field = name.partition("[].")
    try:
        value = resolve(measurements, path)
        if value is None:
            return []
        if field:
            return [(_of_event(event, field), event_time(event)) for event in value]
    except AttributeError as error:
        raise TargetError(f"limit {asked_by}: there is no measurement {name!r}") from error
    return [(len(value) if isinstance(value, tuple) else value, None)]


def resolve(measurements: Measurements, path: str) -> Any:
    """Return the fact (or list of events) behind a dotted name without ``[]``."""
    value: Any = measurements
    for part in path.split("."):
        value = getattr(value, part)
    return value


def _of_event(event: Any, field: str) -> Any:
    if field == "length_s" and not hasattr(event, field):
        return event.end_s - event.start_s
    return getattr(event, field)


def event_time(event: object) -> float | None:
    """Return when an event is or starts, in seconds."""
    time = getattr(event, "time_s", getattr(event, "start_s", None))
    return None if time is None else float(time)


def _times(
    measurements: Measurements, limit: Limit, beyond: list[tuple[Any, float | None]]
) -> tuple[float, ...]:
    listed = limit.times or ("" if "[]" in limit.measurement else limit.measurement)
    events = resolve(measurements, listed.removesuffix("[]")) if listed else None
    if isinstance(events, tuple):
        times = [event_time(event) for event in events]
    else:
        times = [time for _, time in beyond]
    return tuple(sorted(time for time in times if time is not None))


def _holds(measurements: Measurements, condition: Condition) -> bool:
    facts = look_up(measurements, condition.measurement, "only_if")
    return any(_beyond(value, condition.sense, condition.value) for value, _ in facts)


def _beyond(value: Any, sense: Sense, limit: float | bool | str) -> bool:
    if value is None:
        return False
    if sense == "is":
        return bool(value == limit)
    return bool(value > limit) if sense == "above" else bool(value < limit)
