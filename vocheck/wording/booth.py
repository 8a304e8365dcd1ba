"""What is said in the booth: which take, what has changed since the first good one, what to do."""

from __future__ import annotations

from vocheck.booth import Booth, Change, Headroom, has_speech, line_of
from vocheck.session.take import TakeResult
from vocheck.takes.match import Difference
from vocheck.wording.findings import STATUS_WORDS
from vocheck.wording.vocabulary import VERDICT_WORDS, channels, file_name, number


def title(take: TakeResult) -> str:
    """Return which take it is, in words."""
    if take.take is None:
        return file_name(take.path)
    return f"{line_of(take)}, take {take.take}"


def warnings(take: TakeResult, booth: Booth) -> list[str]:
    """Return sentences on what has changed since the first good take."""
    reference = booth.reference
    if reference is None:
        return []
    since = f"Since {title(reference)}"
    sentences = []
    if changes := booth.other_format(take):
        changed = ", ".join(map(_change_words, changes))
        sentences.append(f"{since} the recorder was changed: {changed}. Change it back.")
    sentences += [_drift_sentence(since, difference) for difference in booth.drift(take)]
    return sentences


def _change_words(change: Change) -> str:
    return f"{_format_words(change.fact, change.now)} instead of " + _format_words(
        change.fact, change.before
    )


def _format_words(fact: str, value: int | None) -> str:
    if fact == "channels":
        return channels(value or 0)
    if fact == "rate_hz":
        return f"{(value or 0) / 1000:g} kHz"
    return f"{value or 'no fixed'} bits"


def _drift_sentence(since: str, difference: Difference) -> str:
    size = number(difference.difference, 2 if difference.unit == "s" else 1, difference.unit)
    sign = "+" if (difference.difference or 0) > 0 else ""
    return f"{since}: {difference.what} {sign}{size}. {difference.now}"


def headroom_sentence(headroom: Headroom) -> str:
    """Return in words where the peaks of a take will be, and what to do with the gain."""
    status = STATUS_WORDS.get(headroom.status, headroom.status)
    expected = (
        f"Test read peaks at {headroom.peak_dbtp:.0f} dBTP; once it counts, expect "
        f"{headroom.expected_dbtp:+.0f} ({status})."
    )
    if headroom.gain_db == 0:
        return f"{expected} Leave the gain as it is."
    way = "up" if headroom.gain_db > 0 else "down"
    danger = " That would clip." if headroom.clips else ""
    return f"{expected}{danger} Turn the gain {way} by {abs(headroom.gain_db):.0f} dB."


def aside_words(take: TakeResult) -> str:
    """Return what is said of a recording that is no take: that nobody speaks, or its verdict."""
    if has_speech(take):
        return f"{VERDICT_WORDS[take.verdict].lower()}."
    noise = number(take.measurements.noise.floor_dbfs, 0, "dBFS")
    return f"nobody speaks; noise floor {noise}."


def needed_words(count: int) -> str:
    """Return how many clean takes a line still needs: ``a clean take``, ``2 clean takes``."""
    return "a clean take" if count == 1 else f"{count} clean takes"


def farewell_sentence(booth: Booth) -> str:
    """Return which lines still need a clean take when the session ends."""
    missing = [state.line for state in booth.lines if state.needed]
    if not booth.lines:
        return "Nothing was recorded."
    if missing:
        return f"Still needs a clean take: {', '.join(missing)}."
    return "Every line is done."
