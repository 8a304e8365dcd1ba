"""Judging a file by the rules of a destination, and saying what a gain would do.

A rule gives a `Check`; the checks of a destination give its verdict. A take is usually far from its
destination's loudness until it is mixed, so `forecast` says two things about it: how it stands now,
and how it would stand after the gain that brings it to the target (where its true peak would land,
how much a limiter would have to take, and where its noise floor would then be).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from vocheck.policy.destinations import FACTS, Destination, Rule, Severity
from vocheck.policy.obstacles import Obstacle
from vocheck.policy.rule import Status, is_beyond
from vocheck.results import Result

Verdict = Literal["pass", "warn", "fail", "not published"]
CheckVerdict = Literal["pass", "warn", "fail", "not published", "cannot tell"]


@dataclass(frozen=True, kw_only=True)
class Check(Result):
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
    limit : str
        What is asked, in words.
    lowest, highest : float or None
        Between which numbers it passes without a warning.
    verdict : {"pass", "warn", "fail", "not published", "cannot tell"}
    severity : {"fail", "warn"}
        What the rule says of a value beyond its limit.
    reason : str
        Why it cannot be told, or what the rule's source adds.
    source, date, status, unconfirmed
        Of the number that decided; ``"our choice"`` where vocheck filled a gap of the source.
    """

    what: str
    fact: str
    value: float | str | None
    unit: str
    limit: str
    lowest: float | None = None
    highest: float | None = None
    verdict: CheckVerdict
    severity: Severity = "fail"
    reason: str = ""
    source: str
    date: str
    status: Status
    unconfirmed: bool = False


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
    note : str
        The same in words.
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
    note: str
    checks: tuple[Check, ...]
    obstacles: tuple[Obstacle, ...] = ()


def check(
    rule: Rule,
    value: float | str | None,
    *,
    reason: str = "",
    integrated_lufs: float | None = None,
) -> Check:
    """Judge one measured value by one rule.

    Parameters
    ----------
    rule : Rule
    value : float, str or None
        As measured; ``None`` where it could not be, ``-inf`` for silence.
    reason : str
        Why it could not be measured.
    integrated_lufs : float, optional
        The programme's loudness, for a rule that is stricter with loud programmes.
    """
    verdict, decider = _judged(rule, value, integrated_lufs)
    ours = decider is not None and decider in rule.our_choice
    if verdict == "cannot tell":
        reason = reason or "not measured"
    else:
        reason = rule.note
    return Check(
        what=FACTS[rule.fact].what,
        fact=rule.fact,
        value=value,
        unit=FACTS[rule.fact].unit,
        limit=rule.wanted,
        lowest=rule.lowest,
        highest=rule.highest,
        verdict=verdict,
        severity=rule.severity,
        reason=reason,
        source=rule.source,
        date=rule.date,
        status="our choice" if ours else rule.status,
        unconfirmed=rule.unconfirmed and not ours,
    )


def _judged(
    rule: Rule, value: float | str | None, integrated_lufs: float | None
) -> tuple[CheckVerdict, str | None]:
    """Return the verdict and the name of the number that decided it."""
    if not rule.judged:
        return "not published", None
    if value is None:
        return "cannot tell", None
    if rule.one_of is not None:
        return ("pass" if value in rule.one_of else rule.severity), "one_of"
    if isinstance(value, str):
        raise TypeError(f"{rule.fact} is {value!r}, which no number can judge")
    # A value is judged as it is shown, so that no reader sees -22.8 fail a limit of -22.8.
    shown = round(value, FACTS[rule.fact].decimals) if math.isfinite(value) else value
    loudness = None if integrated_lufs is None else round(integrated_lufs, 1)
    for bound in rule.bounds:
        if bound.louder_than_lufs is not None and not is_beyond(
            loudness, "above", bound.louder_than_lufs
        ):
            continue
        if is_beyond(shown, bound.sense, bound.value):
            return bound.severity, bound.number
    return "pass", None


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
    two_speakers: bool = False,
) -> Delivery:
    """Say how a take stands against a destination, and what the gain to its target would do.

    The gain is plain: it moves the loudness, the true peak and the noise floor alike. A limiter is
    what it takes beyond that to keep the highest peak within the destination's limit.

    Parameters
    ----------
    target : Destination
    integrated_lufs : float or None
        Of the take. A one-channel voice is heard from two speakers, so give its
        ``two_speakers_lufs`` and set `two_speakers`.
    level_dbtp, noise_floor_dbfs : float or None
        True peak and noise floor of the take; ``-inf`` for digital silence.
    rms_dbfs, active_dbfs : float or None
        For the destinations that ask for an RMS level (audiobooks) or for the active speech level
        (telephone prompts).
    two_speakers : bool
        Whether `integrated_lufs` is that of one channel on two speakers; the note then says so.
    """
    facts: dict[str, float | None] = {
        "integrated_lufs": integrated_lufs,
        # A take is nothing but the talker, so its own gated loudness is the dialogue's.
        "dialogue_lufs": integrated_lufs,
        "rms_dbfs": rms_dbfs,
        "active_dbfs": active_dbfs,
        "level_dbtp": level_dbtp,
        "floor_dbfs": noise_floor_dbfs,
    }
    checks = _take_checks(target, facts)
    level = target.level
    gain = None
    if level is not None and level.target is not None:
        gain = gain_to(level, facts[level.fact])
    if gain is None:
        return Delivery(
            name=target.name,
            title=target.title,
            verdict=worst(checks, publishes_level=target.publishes_level),
            verdict_after=worst(checks, publishes_level=target.publishes_level),
            gain_db=None,
            true_peak_after_dbtp=None,
            limiter_db=None,
            noise_floor_after_dbfs=None,
            note="No gain can be given: " + _why_no_gain(level, facts),
            checks=checks,
        )
    after = {fact: None if value is None else value + gain for fact, value in facts.items()}
    peak, floor = after["level_dbtp"], after["floor_dbfs"]
    limiter = limiting(target, peak)
    return Delivery(
        name=target.name,
        title=target.title,
        verdict=worst(checks, publishes_level=target.publishes_level),
        verdict_after=worst(_take_checks(target, after), publishes_level=target.publishes_level),
        gain_db=gain,
        true_peak_after_dbtp=peak,
        limiter_db=limiter,
        noise_floor_after_dbfs=floor,
        note=_forecast_note(target, gain, peak, floor, two_speakers),
        checks=checks,
    )


def _take_checks(target: Destination, facts: Mapping[str, float | None]) -> tuple[Check, ...]:
    return tuple(
        check(rule, facts[rule.fact], integrated_lufs=facts["integrated_lufs"])
        for rule in target.rules
        if rule.fact in facts
    )


def gain_to(level: Rule, value: float | None) -> float | None:
    """Return the gain in dB that brings a level to a rule's target; ``None`` for silence."""
    if value is None or level.target is None or not math.isfinite(value):
        return None
    return level.target - value


def limiting(target: Destination, peak_dbtp: float | None) -> float | None:
    """Return by how many dB a true peak is over what passes at the destination, 0 if it is not."""
    if peak_dbtp is None or target.peak_dbtp is None:
        return None
    return max(0.0, peak_dbtp - target.peak_dbtp)


def gain_words(target: Destination, gain_db: float, peak_dbtp: float | None) -> str:
    """Return what a gain does to the true peak, in words.

    Parameters
    ----------
    target : Destination
    gain_db : float
    peak_dbtp : float or None
        The true peak before the gain.

    Returns
    -------
    words : str
        E.g. ``"+4.2 dB would put the peak at +1.1 dBTP: limit by 2.1 dB first"``.
    """
    if round(gain_db, 1) == 0:
        return "No gain is needed."
    move = f"{gain_db:+.1f} dB"
    if peak_dbtp is None or not math.isfinite(peak_dbtp):
        return f"{move} would bring it there."
    after = peak_dbtp + gain_db
    words = f"{move} would put the peak at {after:+.1f} dBTP"
    over = limiting(target, after)
    if over is None:
        return f"{words}."
    if round(over, 1) > 0:
        return f"{words}: limit by {over:.1f} dB first."
    return f"{words}, within the limit of {target.peak_dbtp:+.1f}."


def _forecast_note(
    target: Destination,
    gain: float,
    peak: float | None,
    floor: float | None,
    two_speakers: bool,
) -> str:
    words = [gain_words(target, gain, None if peak is None else peak - gain)]
    if floor is not None and math.isfinite(floor) and round(gain, 1) != 0:
        words.append(f"The noise floor would then be at {floor:.0f} dBFS.")
    if not target.publishes_level:
        words.append("No number is published here: the target is common practice.")
    if two_speakers and target.level is not None and target.level.fact.endswith("_lufs"):
        words.append("One channel is counted as played on two speakers.")
    return " ".join(words)


def _why_no_gain(level: Rule | None, facts: Mapping[str, float | None]) -> str:
    if level is None:
        return "this destination asks for no level."
    value = facts[level.fact]
    what = FACTS[level.fact].what.lower()
    return (
        f"the {what} is that of silence." if value == -math.inf else f"the {what} was not measured."
    )
