"""A take against where it goes: what the gain to the target does, and what it cannot save."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from vocheck.policy.delivery import Check, CheckNoticeKind, Delivery
from vocheck.policy.destinations import FACTS, Requirement
from vocheck.policy.obstacles import Obstacle
from vocheck.wording.vocabulary import as_sentence, listed, number, span

_OBSTACLES = {
    "noise": "noise at {value:.0f} dBFS then",
    "peak": "needs {value:.0f} dB of limiting",
    "rate": "recorded at {value:g} Hz, below {limit:g}",
    "bits": "recorded with {value:g} bits, below {limit:g}",
    "channels": "{value:g} channels, at most {limit:g} are taken",
    "format": "recorded as {value}, {limit} is asked",
}


_NOTICES: Mapping[CheckNoticeKind, str] = {
    "until picture ends": "Until picture and sound have ended; the sound lasts {value:.1f} s.",
    "prediction": "A prediction with {name}.",
    "needs the voice stem": "The whole mix is at {value:.1f} LUFS, but the rule asks for the "
    "dialogue by itself: give the voice stem with --stem voice=FILE.",
    "turn down": "Turn the mix down by {value:.0f} dB.",
}


def wanted(rule: Requirement) -> str:
    """Return what a destination asks: ``-23.0 LUFS (-23.2 to -22.8)``."""
    unit = FACTS[rule.fact].unit
    if rule.one_of is not None:
        accepted = " or ".join(_value(rule.fact, item) for item in rule.one_of)
        return f"{accepted} {unit}".rstrip()
    bounds = _bounds(rule.fact, rule.lowest, rule.highest)
    if rule.target is None:
        return f"{bounds} {unit}".rstrip()
    aim = f"{_value(rule.fact, rule.target)} {unit}".rstrip()
    return f"{aim} ({bounds})" if bounds else aim


def _bounds(fact: str, low: float | None, high: float | None) -> str:
    if low is not None and high is not None:
        return f"{_value(fact, low)} to {_value(fact, high)}"
    if high is not None:
        return f"at most {_value(fact, high)}"
    return "" if low is None else f"at least {_value(fact, low)}"


def _value(fact: str, value: float | str) -> str:
    if isinstance(value, str):
        return value
    decimals = FACTS[fact].decimals
    if fact in ("duration_s", "head_s", "tail_s") and float(value).is_integer():
        decimals = 0
    return f"{value:.{decimals}f}"


def limit_words(check: Check) -> str:
    """Return what was asked of what was checked."""
    return wanted(check.requirement)


def reason(check: Check) -> str:
    """Return why a check cannot be told, or what to know about it."""
    if check.met_by is not None:
        other = check.met_by
        return f"Met by the other: {FACTS[other.fact].what.lower()} {wanted(other)}."
    said = [_NOTICES[n.kind].format(value=n.value, name=n.name) for n in check.notices]
    return " ".join(filter(None, [*said, check.untold, check.note]))


def value_words(check: Check) -> str:
    """Return a measured value as text, with its unit."""
    if check.fact == "mono_fold_down_lu" and check.value == -math.inf:
        return "silence: the sides cancel"
    if isinstance(check.value, str):
        return check.value
    return number(check.value, FACTS[check.fact].decimals, check.unit)


def check_words(check: Check) -> str:
    """Return what was checked, what it is, and what was asked."""
    value = f"{check.what} {value_words(check)}"
    if check.verdict == "not published":
        return f"{value}: no number is published; common practice is {limit_words(check)}"
    return f"{value}, wanted {limit_words(check)}"


def check_source(check: Check) -> str:
    """Return on whose word a check rests."""
    doubt = "; not confirmed at the source" if check.unconfirmed else ""
    return f"{check.source} ({check.status}{doubt})"


def obstacle_words(obstacle: Obstacle) -> str:
    """Return in a few words what the gain to a target cannot save."""
    return _OBSTACLES[obstacle.kind].format(value=obstacle.value, limit=obstacle.limit)


def obstacles_of(delivery: Delivery) -> str:
    """Return why a take will not do for a target: ``social: noise at -43 dBFS then``."""
    return f"{delivery.name}: {listed(map(obstacle_words, delivery.obstacles))}"


def gain_words(
    gain_db: float,
    peak_after_dbtp: float | None,
    limiter_db: float | None,
    peak_limit_dbtp: float | None,
) -> str:
    """Return what a gain does to the true peak, in words.

    Parameters
    ----------
    gain_db : float
    peak_after_dbtp : float or None
        The true peak with that gain.
    limiter_db : float or None
        By how much it is then over the limit; ``None`` where there is none.
    peak_limit_dbtp : float or None

    Returns
    -------
    words : str
        E.g. ``"+4.2 dB would put the peak at +1.1 dBTP: limit by 2.1 dB first"``.
    """
    if round(gain_db, 1) == 0:
        return "No gain is needed."
    move = f"{gain_db:+.1f} dB"
    if peak_after_dbtp is None or not math.isfinite(peak_after_dbtp):
        return f"{move} would bring it there."
    words = f"{move} would put the peak at {peak_after_dbtp:+.1f} dBTP"
    if limiter_db is None:
        return f"{words}."
    if round(limiter_db, 1) > 0:
        return f"{words}: limit by {limiter_db:.1f} dB first."
    return f"{words}, within the limit of {peak_limit_dbtp:+.1f}."


def note(delivery: Delivery) -> str:
    """Return what the gain to a target does to a take, and on what the target rests."""
    if delivery.gain_db is None:
        return f"No gain can be given: {_why_no_gain(delivery)}"
    peak, floor = delivery.true_peak_after_dbtp, delivery.noise_floor_after_dbfs
    words = [gain_words(delivery.gain_db, peak, delivery.limiter_db, delivery.peak_limit_dbtp)]
    if floor is not None and math.isfinite(floor) and round(delivery.gain_db, 1) != 0:
        words.append(f"The noise floor would then be at {floor:.0f} dBFS.")
    if not delivery.publishes_level:
        words.append("No number is published here: the target is common practice.")
    words += one_channel_sentences([delivery])
    return " ".join(words)


def one_channel_sentences(deliveries: Iterable[Delivery]) -> list[str]:
    """Return how the loudness of one channel was counted for each target, where it matters."""
    deliveries = tuple(deliveries)
    said = []
    for counted, words in (
        ([d.name for d in deliveries if d.two_speakers], "as heard from two speakers"),
        ([d.name for d in deliveries if d.one_channel], "as one (ITU-R BS.1770)"),
    ):
        if names := list(dict.fromkeys(counted)):
            said.append(f"For {listed(names)} one channel counts {words}.")
    return said


def _why_no_gain(delivery: Delivery) -> str:
    if delivery.level is None:
        return "this destination asks for no level."
    what = FACTS[delivery.level].what.lower()
    if delivery.level_before == -math.inf:
        return f"the {what} is that of silence."
    return f"the {what} was not measured."


def delivery_sentence(delivery: Delivery) -> str:
    """Return what the gain to a target does to a take, and what it cannot save."""
    if delivery.gain_db is None:
        return f"To {delivery.name}: {note(delivery)}"
    parts = [f"{delivery.gain_db:+.1f} dB to the target"]
    if delivery.true_peak_after_dbtp is not None:
        peak = f"puts the peak at {delivery.true_peak_after_dbtp:+.1f} dBTP"
        if delivery.limiter_db and round(delivery.limiter_db, 1) > 0:
            peak += f" (limit {delivery.limiter_db:.1f} dB first)"
        parts.append(peak)
    if delivery.noise_floor_after_dbfs is not None and delivery.noise_floor_after_dbfs > -math.inf:
        parts.append(f"and the noise at {delivery.noise_floor_after_dbfs:.0f} dBFS")
    words = f"To {delivery.name}: {' '.join(parts)}."
    if delivery.obstacles:
        saved = listed(map(obstacle_words, delivery.obstacles))
        words = f"{words} The gain cannot save it: {saved}."
    return words


def landing_sentences(takes: Sequence[Sequence[Delivery]]) -> list[str]:
    """Return for each target where takes land with the gain to it: once for a session.

    Parameters
    ----------
    takes : sequence of sequence of Delivery
        Of each take that is to be used, each target.
    """
    by_target: dict[str, list[Delivery]] = {}
    for deliveries in takes:
        for delivery in deliveries:
            if delivery.gain_db is not None:
                by_target.setdefault(delivery.name, []).append(delivery)
    return [_landing(name, deliveries) for name, deliveries in by_target.items()]


def _landing(name: str, deliveries: Sequence[Delivery]) -> str:
    gains = _range((d.gain_db for d in deliveries), sign="+")
    noise = _range(d.noise_floor_after_dbfs for d in deliveries)
    limiting = _range(d.limiter_db for d in deliveries)
    words = [f"for {name} the takes to use need {gains} dB"]
    if noise:
        words.append(f"their noise then lands at {noise} dBFS")
    if limiting and limiting != "0":
        words.append(f"a limiter takes {limiting} dB off the peaks")
    return as_sentence(listed(words))


def _range(values: Iterable[float | None], sign: str = "") -> str:
    known = [value for value in values if value is not None and math.isfinite(value)]
    return span(min(known), max(known), sign=sign) if known else ""
