"""Facts against rules: what is wrong, how much, where, on whose word, and what to do.

`vocheck.measurements` states facts; here they become findings. Every number of taste comes from the
rules (TOML beside this file, and a studio's own), none from this file. A finding is facts too;
`vocheck.wording.findings` says it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from vocheck.policy.facts import event_time, look_up, resolve
from vocheck.policy.rule import (
    SEVERITIES,
    Condition,
    Judgment,
    Rule,
    Rules,
    Sense,
    Severity,
    Threshold,
    Value,
    is_beyond,
)
from vocheck.policy.words import facts_for
from vocheck.results import Result, to_plain
from vocheck.script.reading import Reading

Verdict = Literal["keep", "fixable", "retake"]


@dataclass(frozen=True, kw_only=True)
class Finding(Judgment):
    """One thing that is wrong, or worth knowing.

    Attributes
    ----------
    name : str
        Of the rule; ``vocheck explain NAME`` says more.
    fact : str
        Dotted name of what was judged.
    severity : Severity
        ``note`` (good to know), ``fixable`` (in the edit) or ``retake`` (only by recording again).
    value : float, bool, str or None
        What was measured; of several events the worst.
    unit : str
    limit : float, bool or str
        The number that was passed.
    source, status : str
        Who says so, and whether that is a published standard or common practice.
    count : int or None
        How many events are beyond the mildest limit, where events were judged.
    times_s : tuple of float
        Where in the take.
    words : tuple of str
        The words that these places fall on, where the take was held against a script.
    reason : str
        Why the fact was not measured, where that is the finding.
    rule : Rule
    facts : mapping of str to value
        The other facts that its sentences name.
    """

    name: str
    fact: str
    severity: Severity
    value: Value | None
    limit: Value
    count: int | None = None
    times_s: tuple[float, ...] = ()
    words: tuple[str, ...] = ()
    reason: str = ""
    rule: Rule = field(repr=False)
    facts: Mapping[str, Any] = field(default_factory=dict, repr=False)

    @property
    def difference(self) -> float | None:
        """By how much the value is beyond the limit; ``None`` where they are no numbers."""
        if isinstance(self.value, bool | str | None) or isinstance(self.limit, bool | str):
            return None
        return self.value - self.limit

    @property
    def change(self) -> float | None:
        """By how much the value is off what the rule aims at; ``None`` where it aims at nothing."""
        if self.rule.aim is None or isinstance(self.value, bool | str | None):
            return None
        return abs(self.value - self.rule.aim)

    def to_dict(self) -> dict[str, Any]:
        """Return the finding as plain data."""
        plain = {
            "name": self.name,
            "measurement": self.fact,
            "severity": self.severity,
            "value": self.value,
            "unit": self.unit,
            "limit": self.limit,
            "limit_source": self.source,
            "limit_status": self.status,
            "count": self.count,
            "times_s": self.times_s,
            "words": self.words,
        }
        return {name: to_plain(value) for name, value in plain.items()}


@dataclass(frozen=True, kw_only=True)
class Heard(Result):
    """What the rules of ``words.toml`` judge."""

    reading: Reading


def judge(facts: Any, rules: Rules) -> tuple[Finding, ...]:
    """Compare every fact with its rule.

    Parameters
    ----------
    facts : Result
        Of the type that the rules were loaded for. What is not measured passes, but for rules of
        the sense ``not measured``, which say what it means.
    rules : Rules

    Returns
    -------
    tuple of Finding
        Worst first; within a severity in the order of the rules.
    """
    found = [
        (rule, finding)
        for rule in rules.values()
        if (finding := judge_one(facts, rule)) is not None
    ]
    replaced = {name for rule, _ in found for name in rule.replaces}
    return worst_first([finding for rule, finding in found if rule.name not in replaced])


def worst_first(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return findings by severity; within one in the order given."""
    return tuple(sorted(findings, key=lambda f: -SEVERITIES.index(f.severity)))


def judge_reading(
    reading: Reading, findings: Sequence[Finding], rules: Rules
) -> tuple[Finding, ...]:
    """Say what a take's words are found to be, beside what its sound is, worst first.

    Parameters
    ----------
    reading : Reading
    findings : sequence of Finding
        What `judge` found; each is told the words that its places fall on.
    rules : Rules
        Those of ``words.toml``.

    Returns
    -------
    tuple of Finding
        All of them.
    """
    told = [
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
    for finding in judge(Heard(reading=reading), rules):
        where = finding.rule.where
        heard = look_up(Heard(reading=reading), "reading.misread[].words", where)
        told.append(replace(finding, words=tuple(words for words, _ in heard)))
    return worst_first(told)


def word_points(reading: Reading | None, rules: Rules) -> float:
    """Return what a take's departures from its script cost it, in points of damage."""
    if reading is None:
        return 0.0
    heard = Heard(reading=reading)
    return sum(rule.points * len(look_up(heard, rule.fact, rule.where)) for rule in rules.values())


def verdict_of(findings: Sequence[Finding]) -> Verdict:
    """Return ``retake`` or ``fixable`` if any finding says so, else ``keep``."""
    severities = {finding.severity for finding in findings}
    if "retake" in severities:
        return "retake"
    return "fixable" if "fixable" in severities else "keep"


def judge_one(facts: Any, rule: Rule) -> Finding | None:
    """Compare one fact with its rule; ``None`` where there is nothing to say."""
    if not all(_holds(facts, condition) for condition in rule.only_if):
        return None
    found = look_up(facts, rule.fact, rule.where)
    if rule.sense == "not measured":
        if found or not rule.thresholds:
            return None
        reason = facts.reasons().get(rule.fact, "not measured")
        return _finding(facts, rule, rule.thresholds[0], None, reason=reason)
    if rule.together and found:
        total = sum(value for value, _ in found)
        found = [(total, time) for _, time in found]
    passed: tuple[Threshold, Any] | None = None
    beyond: list[tuple[Any, float | None]] = []
    for threshold in rule.thresholds:
        worse = [(v, t) for v, t in found if is_beyond(v, rule.sense, threshold.value)]
        if worse:
            beyond = beyond or worse  # the mildest threshold that was passed counts the events
            values = [value for value, _ in worse]
            passed = (threshold, _worst(values, rule.sense))
    if passed is None:
        return None
    threshold, value = passed
    return _finding(
        facts,
        rule,
        threshold,
        value,
        count=len(beyond) if "[]" in rule.fact else None,
        times_s=_times(facts, rule, beyond),
    )


def _worst(values: list[Any], sense: Sense) -> Any:
    if sense == "away":
        return max(values, key=abs)
    return min(values) if sense == "below" else max(values)


def _finding(
    facts: Any,
    rule: Rule,
    threshold: Threshold,
    value: Any,
    count: int | None = None,
    times_s: tuple[float, ...] = (),
    reason: str = "",
) -> Finding:
    return Finding(
        name=rule.name,
        fact=rule.fact,
        severity=threshold.severity,
        value=value,
        unit=rule.unit,
        limit=threshold.value,
        source=threshold.source,
        status=threshold.status,
        count=count,
        times_s=times_s,
        reason=reason,
        rule=rule,
        facts=facts_for(facts, rule.texts.values()),
    )


def _times(facts: Any, rule: Rule, beyond: list[tuple[Any, float | None]]) -> tuple[float, ...]:
    listed = rule.times or ("" if "[]" in rule.fact else rule.fact)
    events = resolve(facts, listed.removesuffix("[]")) if listed else None
    if isinstance(events, tuple):
        times = [event_time(event) for event in events]
    else:
        times = [time for _, time in beyond]
    return tuple(sorted(time for time in times if time is not None))


def _holds(facts: Any, condition: Condition) -> bool:
    return any(
        is_beyond(value, condition.sense, condition.value)
        for value, _ in look_up(facts, condition.fact)
    )
