"""A final mix in sentences: where it may go, and what gain and arrival do to its level."""

from __future__ import annotations

import math

from vocheck.mix.results import Arrival, DestinationResult, MixResult
from vocheck.policy.delivery import Check
from vocheck.policy.destinations import FACTS
from vocheck.wording.delivery import gain_words
from vocheck.wording.vocabulary import listed, number


def sentence(result: MixResult) -> str:
    """Return in a sentence or two where a mix may go and where not."""
    if not result.destinations:
        return "No destination was named: measured only."
    said = []
    for verdict, words in (
        ("fail", "Not ready for {}."),
        ("warn", "Look again before it goes to {}."),
        ("pass", "Ready for {}."),
        ("not published", "No loudness is published by {}: nothing to judge it by."),
    ):
        names = [d.name for d in result.destinations if d.verdict == verdict]
        if names:
            said.append(words.format(listed(names)))
    return " ".join(said)


def gain(result: DestinationResult) -> str:
    """Return what the gain to a destination does to the peak; nothing where none can be given."""
    if result.gain_to_target_db is None:
        return ""
    return gain_words(
        result.gain_to_target_db,
        result.true_peak_after_gain_dbtp,
        result.limiter_db,
        result.peak_limit_dbtp,
    )


def arrival(result: DestinationResult) -> str:
    """Return what a destination does with the level of a mix, as far as it is known."""
    if result.arrival is None:
        return "What happens to the level on arrival is not published."
    return " ".join(words for words in (_moved(result.arrival), result.arrival.text) if words)


def _moved(arrival: Arrival) -> str:
    likely = "would be" if arrival.published else "would probably be"
    change, moved = arrival.change_db or 0.0, arrival.moved_db or 0.0
    words = {
        "same": "This mix would be left about as it is.",
        "down": f"This mix {likely} turned down by {-moved:.1f} dB.",
        "up": f"This mix {likely} turned up by {moved:.1f} dB.",
        "held": f"This mix {likely} turned up by {moved:.1f} of {change:.1f} dB: "
        "its peak stops it.",
        "softer": f"This mix would stay {change:.1f} LU softer than others.",
    }
    return words[arrival.kind] if arrival.kind else ""


def value_words(check: Check) -> str:
    """Return a measured value as text, with its unit."""
    if check.fact == "mono_fold_down_lu" and check.value == -math.inf:
        return "silence: the sides cancel"
    if isinstance(check.value, str):
        return check.value
    return number(check.value, FACTS[check.fact].decimals, check.unit)
