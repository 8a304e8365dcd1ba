"""A pickup against its reference in sentences."""

from __future__ import annotations

from vocheck.policy.words import fill
from vocheck.takes.match import Difference, MatchResult


def sentence(difference: Difference) -> str:
    """Return what a difference means, or why it is not known."""
    if difference.difference is None:
        return f"{difference.what}: cannot tell, {difference.reason}"
    if difference.verdict == "matches":
        return f"{difference.what} matches"
    return f"{difference.what}: {fill(difference.words, diff=abs(difference.difference))}"


def distance_hint(result: MatchResult) -> str | None:
    """Return what the bass of a pickup hints at; ``None`` where it does not."""
    if result.bass_db is None:
        return None
    if result.bass_db < 0:
        return (
            f"{-result.bass_db:.0f} dB less bass than the reference: "
            "possibly further from the microphone"
        )
    return (
        f"{result.bass_db:.0f} dB more bass than the reference: possibly closer to the microphone"
    )
