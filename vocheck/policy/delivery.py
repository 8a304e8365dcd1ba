"""Judging a file by the rules of a destination, and saying what a gain would do.

A rule gives a `Check`; the checks of a destination give its verdict. A take is usually far from its
destination's loudness until it is mixed, so `forecast` says two things about it: how it stands now,
and how it would stand after the gain that brings it to the target (where its true peak would land,
how much a limiter would have to take, and where its noise floor would then be).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from vocheck.policy.destinations import FACTS, Destination, Requirement, Severity
from vocheck.policy.obstacles import Obstacle
from vocheck.policy.rule import SEVERITIES, Judgment, Threshold, is_beyond
from vocheck.policy.rule import Severity as RuleSeverity
from vocheck.results import Result

Verdict = Literal["pass", "warn", "fail", "not published"]
CheckVerdict = Literal["pass", "warn", "fail", "not published", "cannot tell"]
_VERDICTS: Mapping[RuleSeverity, CheckVerdict] = {"fixable": "warn", "retake": "fail"}


CheckNoticeKind = Literal["until picture ends", "prediction", "needs the voice stem", "turn down"]


@dataclass(frozen=True, kw_only=True)
class CheckNotice(Result):
    """Something to know about a check, as facts; `vocheck.wording.delivery` says it.

    Attributes
    ----------
    kind : CheckNoticeKind
    value : float or None
        How long, how loud, or by how much.
    name : str
        Whose prediction it is.
    """

    kind: CheckNoticeKind
    value: float | None = None
    name: str = ""


@dataclass(frozen=True, kw_only=True)
class Check(Judgment):
    """One fact of a file against one rule of a destination.

    Attributes
    ----------
    what : str
        The fact in words.
    fact : str
        Its name in the results.
    value : float, str or None
        What was measured.
    unit : str
    lowest, highest : float or None
        Between which numbers it passes without a warning.
    verdict : {"pass", "warn", "fail", "not published", "cannot tell"}
    severity : {"fail", "warn"}
        What the rule says of a value beyond its limit.
    untold : str
        Why it cannot be told.
    note : str
        What the rule's source adds.
    notices : tuple of CheckNotice
        What else to know.
    requirement : Requirement
        What is asked.
    met_by : Requirement or None
        The other rule that was met in its place.
    source, date, status, unconfirmed
        Of the number that decided; ``"our choice"`` where vocheck filled a gap of the source.
    """

    what: str
    fact: str
    value: float | str | None
    lowest: float | None = None
    highest: float | None = None
    verdict: CheckVerdict
    severity: Severity = "fail"
    untold: str = ""
    note: str = ""
    notices: tuple[CheckNotice, ...] = ()
    requirement: Requirement = field(repr=False)
    met_by: Requirement | None = field(default=None, repr=False)
    date: str
    unconfirmed: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Return the check as plain data, without the rules, which the destination holds."""
        plain = super().to_dict()
        del plain["requirement"], plain["met_by"]
        return plain


@dataclass(frozen=True, kw_only=True)
class Delivery(Result):
    """A take against a destination: as it stands, and after the gain that brings it there.

    Attributes
    ----------
    name, title : str
        The destination.
    verdict : {"pass", "warn", "fail", "not published"}
        As the take stands.
    verdict_after : {"pass", "warn", "fail", "not published"}
        With the gain and no limiter.
    gain_db : float or None
        To the target; ``None`` where the level cannot be measured.
    true_peak_after_dbtp : float or None
        Where the true peak lands with that gain.
    limiter_db : float or None
        How far a limiter would have to pull the highest peaks down; 0 when none is needed.
    noise_floor_after_dbfs : float or None
        Where the noise floor lands: it comes up with the voice. ``-inf`` for digital silence.
    level : str or None
        The fact that the destination sets a level for; ``None`` where it asks for none.
    level_before : float or None
        What it is before the gain; ``-inf`` for silence, ``None`` where it was not measured.
    peak_limit_dbtp : float or None
        What passes at the destination.
    publishes_level : bool
        Whether the destination publishes its level, or the target is common practice.
    two_speakers : bool
        Whether the level is that of one channel as heard from two speakers.
    one_channel : bool
        Whether the level is that of one channel as ITU-R BS.1770 counts it.
    checks : tuple of Check
        As the take stands.
    obstacles : tuple of Obstacle
        What that gain cannot save.
    """

    name: str
    title: str
    verdict: Verdict
    verdict_after: Verdict
    gain_db: float | None
    true_peak_after_dbtp: float | None
    limiter_db: float | None
    noise_floor_after_dbfs: float | None
    level: str | None
    level_before: float | None
    peak_limit_dbtp: float | None
    publishes_level: bool
    two_speakers: bool
    one_channel: bool
    checks: tuple[Check, ...]
    obstacles: tuple[Obstacle, ...] = ()


def check(
    rule: Requirement,
    value: float | str | None,
    *,
    reason: str = "",
    integrated_lufs: float | None = None,
) -> Check:
    """Judge one measured value by one rule.

    Parameters
    ----------
    rule : Requirement
    value : float, str or None
        As measured; ``None`` where it could not be, ``-inf`` for silence.
    reason : str
        Why it could not be measured.
    integrated_lufs : float, optional
        The programme's loudness, for a rule that is stricter with loud programmes.
    """
    verdict, passed = _judged(rule, value, integrated_lufs)
    # A number that the source leaves open has a status of its own.
    ours = passed is not None and passed.status != rule.status
    told = verdict != "cannot tell"
    return Check(
        what=FACTS[rule.fact].what,
        fact=rule.fact,
        value=value,
        unit=FACTS[rule.fact].unit,
        lowest=rule.lowest,
        highest=rule.highest,
        verdict=verdict,
        severity=rule.severity,
        untold="" if told else reason or "not measured",
        note=rule.note if told else "",
        requirement=rule,
        source=rule.source,
        date=rule.date,
        status=passed.status if passed is not None else rule.status,
        unconfirmed=rule.unconfirmed and not ours,
    )


def _judged(
    rule: Requirement, value: float | str | None, integrated_lufs: float | None
) -> tuple[CheckVerdict, Threshold | None]:
    """Return the verdict and the number that decided it."""
    if not rule.judged:
        return "not published", None
    if value is None:
        return "cannot tell", None
    if rule.one_of is not None:
        return ("pass" if value in rule.one_of else rule.severity), None
    if isinstance(value, str):
        raise TypeError(f"{rule.fact} is {value!r}, which no number can judge")
    # A value is judged as it is shown, so that no reader sees -22.8 fail a limit of -22.8.
    shown = round(value, FACTS[rule.fact].decimals) if math.isfinite(value) else value
    loudness = None if integrated_lufs is None else round(integrated_lufs, 1)
    passed = [
        threshold
        for held in rule.rules
        if all(is_beyond(loudness, c.sense, c.value) for c in held.only_if)
        and (threshold := held.passed(shown)) is not None
    ]
    if not passed:
        return "pass", None
    severest = max(passed, key=lambda threshold: SEVERITIES.index(threshold.severity))
    return _VERDICTS[severest.severity], severest


def settle(rules: Iterable[Requirement], checks: Iterable[Check]) -> tuple[Check, ...]:
    """Return checks where a rule is met as well if its alternative is."""
    checks = tuple(checks)
    alternatives = {rule.fact: rule.alternative for rule in rules}
    met = {check.fact: check for check in checks if check.verdict == "pass"}
    settled = []
    for check in checks:
        other = met.get(alternatives.get(check.fact) or "")
        if other is not None and check.verdict != "pass":
            check = replace(check, verdict="pass", met_by=other.requirement)
        settled.append(check)
    return tuple(settled)


def worst(checks: Iterable[Check], *, publishes_level: bool) -> Verdict:
    """Return the verdict of a destination from its checks.

    A fail outranks a warning, a warning outranks *not published*, and only a destination whose
    level number is published can pass. Where a rule that can fail cannot be told (no voice stem,
    too short), it is a warning: somebody has to look.
    """
    checks = tuple(checks)
    verdicts = {check.verdict for check in checks}
    if "fail" in verdicts:
        return "fail"
    untold = any(c.verdict == "cannot tell" and c.severity == "fail" for c in checks)
    if "warn" in verdicts or untold:
        return "warn"
    return "pass" if publishes_level else "not published"


def forecast(
    target: Destination,
    integrated_lufs: float | None,
    level_dbtp: float | None,
    noise_floor_dbfs: float | None,
    *,
    rms_dbfs: float | None = None,
    active_dbfs: float | None = None,
    two_speakers_lufs: float | None = None,
    sample_peak_dbfs: float | None = None,
) -> Delivery:
    """Say how a take stands against a destination, and what the gain to its target would do.

    The gain is plain: it moves the loudness, the true peak and the noise floor alike. A limiter is
    what it takes beyond that to keep the highest peak within the destination's limit.

    Parameters
    ----------
    target : Destination
    integrated_lufs : float or None
        Of the take, as ITU-R BS.1770 counts it.
    level_dbtp, noise_floor_dbfs : float or None
        True peak and noise floor of the take; ``-inf`` for digital silence.
    rms_dbfs, active_dbfs : float or None
        For the destinations that ask for an RMS level (audiobooks) or for the active speech level
        (telephone prompts).
    two_speakers_lufs : float or None
        Of a one-channel take as heard from two speakers: for the destinations that read it so.
    sample_peak_dbfs : float, optional
        For the destinations that accept it in place of the true peak.
    """
    # For two channels the two numbers are the same, and there is nothing to say.
    is_one_channel = two_speakers_lufs is not None and two_speakers_lufs != integrated_lufs
    two_speakers = is_one_channel and target.counts_two_speakers
    if two_speakers:
        integrated_lufs = two_speakers_lufs
    facts: dict[str, float | None] = {
        "integrated_lufs": integrated_lufs,
        # A take is nothing but the talker, so its own gated loudness is the dialogue's.
        "dialogue_lufs": integrated_lufs,
        "rms_dbfs": rms_dbfs,
        "active_dbfs": active_dbfs,
        "level_dbtp": level_dbtp,
        "sample_peak_dbfs": sample_peak_dbfs,
        "floor_dbfs": noise_floor_dbfs,
        "leq_m_db": None,  # of a finished mix only
    }
    level = target.level
    before = None if level is None else facts[level.fact]
    gain = None if level is None else gain_to(level, before)
    moved = {
        fact: None if value is None or gain is None else value + gain
        for fact, value in facts.items()
    }
    checks = _take_checks(target, facts)
    checks_after = checks if gain is None else _take_checks(target, moved)
    return Delivery(
        name=target.name,
        title=target.title,
        verdict=worst(checks, publishes_level=target.publishes_level),
        verdict_after=worst(checks_after, publishes_level=target.publishes_level),
        gain_db=gain,
        true_peak_after_dbtp=moved["level_dbtp"],
        limiter_db=limiting(target, moved["level_dbtp"], moved["sample_peak_dbfs"]),
        noise_floor_after_dbfs=moved["floor_dbfs"],
        level=None if level is None else level.fact,
        level_before=before,
        peak_limit_dbtp=target.peak_dbtp,
        publishes_level=target.publishes_level,
        two_speakers=two_speakers and _is_loudness(level),
        one_channel=is_one_channel and not two_speakers and _is_loudness(level),
        checks=checks,
    )


def _is_loudness(level: Requirement | None) -> bool:
    return level is not None and level.fact.endswith("_lufs")


def _take_checks(target: Destination, facts: Mapping[str, float | None]) -> tuple[Check, ...]:
    return settle(
        target.rules,
        (
            check(rule, facts[rule.fact], integrated_lufs=facts["integrated_lufs"])
            for rule in target.rules
            if rule.fact in facts
        ),
    )


def gain_to(level: Requirement, value: float | None) -> float | None:
    """Return the gain in dB that brings a level to a rule's target; ``None`` for silence."""
    if value is None or level.target is None or not math.isfinite(value):
        return None
    return level.target - value


def limiting(
    target: Destination, peak_dbtp: float | None, sample_peak_dbfs: float | None = None
) -> float | None:
    """Return by how many dB a peak is over what passes at the destination, 0 if it is not.

    The true peak; where the destination takes the sample peak as well, the one that is less over.
    """
    rule = target.rule("level_dbtp")
    if peak_dbtp is None or rule is None or rule.highest is None:
        return None
    over = peak_dbtp - rule.highest
    other = None if rule.alternative is None else target.rule(rule.alternative)
    if sample_peak_dbfs is not None and other is not None and other.highest is not None:
        over = min(over, sample_peak_dbfs - other.highest)
    return max(0.0, over)
