"""Findings in words: what in a few of them, where, on which word, by how much beyond its limit."""

from __future__ import annotations

from collections.abc import Iterable

from vocheck.policy.judge import Finding
from vocheck.policy.words import fill, told_apart
from vocheck.wording.vocabulary import clocks, number, quoted, spoken

STATUS_WORDS = {"common practice, no source": "a rule of thumb"}
"""How the status of a number is told where nobody looks up sources; the others are told as is."""

_UNITS = {"dB re speech": "dB against the voice", "dB re voiced sounds": "dB against the vowels"}
_NAMES = {
    "plosive": "breath pop",
    "sibilance": "sharp ess",
    "clipped_share": "clipping",
    "flat_crests": "flat tops",
    "ceiling": "clipped or limited",
    "ceiling_cut": "clipped before coding",
    "overs": "beyond full scale",
    "dc_offset": "DC offset",
    "tone": "whine",
}
"""What a finding is called where the name of its limit is no plain word."""

_SHORT = {
    "noise_floor": "noise at {value:.0f} dB against the voice",
    "plosive": "{count} breath {count?pop|pops}",
    "thump": "{count} {count?thump|thumps}",
    "sibilance": "sharp esses",
    "clipping": "clips",
    "clipped_share": "clips",
    "flat_crests": "flat tops, as after clipping",
    "overs": "{value} samples beyond full scale",
    "ceiling": "clipped or limited",
    "ceiling_cut": "clipped, then coded or filtered",
    "noise_unknown": "noise unknown",
    "pauses_emptied": "pauses of digital silence",
    "noise_changes": "noise comes and goes",
    "rumble": "rumble",
    "hum": "hum",
    "tone": "a whine",
    "level_low": "recorded low",
    "crest": "peaks squashed",
    "dc_offset": "DC offset",
    "level_sinks": "voice sinks",
    "level_rises": "voice rises",
    "gate": "gated",
    "noise_reduction": "noise reduction",
    "music_bed": "music under the voice",
    "start_cut": "start cut off",
    "end_cut": "end cut off",
    "head_handle": "no silence before",
    "tail_handle": "no silence after",
    "no_speech": "no voice",
    "too_short": "too short to judge",
    "headroom": "little headroom",
    "digital_click": "digital clicks",
    "mouth_clicks": "mouth clicks",
    "dropout": "dropouts",
    "bandwidth": "dull above {value:.0f} Hz",
    "low_rate": "only {value} samples a second",
    "word_length": "only {value} bits used",
    "padded_word": "unused bits",
    "dual_mono": "mono in a stereo file",
    "inverted_channel": "a channel upside down",
    "separate_channels": "channels that are different recordings",
    "dead_channel": "a dead channel",
    "channel_delay": "a late channel",
    "missing_audio": "file unfinished",
    "reverberation": "room rings {value:.2f} s",
    "room_wet": "room heard on every word",
    "room_very_live": "very live room",
    "room_hardly_audible": "live room",
    "words_missing": "{words} missing?",
    "words_replaced": "{words} replaced?",
    "words_repeated": "{words} repeated?",
}
"""A finding in a few words, by the name of its limit."""


def short(finding: Finding) -> str:
    """Return a finding in a few words; of a studio's own limit its name."""
    words = _SHORT.get(finding.name, spoken(finding.name))
    return fill(words, value=finding.value, count=_count(finding), words=quoted(finding.words))


def short_with_place(finding: Finding) -> str:
    """Return a finding in a few words with where it is: ``clips on “beside” at 0:05.3``."""
    words = short(finding)
    if not finding.times_s:
        return words
    if finding.words and not of_words(finding):
        words = f"{words} on {quoted(finding.words[:2])}"
    return f"{words} at {clocks(finding.times_s, 1 if len(finding.times_s) > 2 else 2)}"


def of_words(finding: Finding) -> bool:
    """Return whether a finding is about the words of the script, not about the sound."""
    return finding.fact.startswith("reading.")


def places(finding: Finding, most: int = 6) -> str:
    """Return where a finding is, and on which words of the script: ``0:03.2 on “bridge”``."""
    where = clocks(finding.times_s, most)
    if not finding.words or of_words(finding):
        return where
    return f"{where} on {quoted(finding.words)}"


def what(finding: Finding) -> str:
    """Return in a sentence or two what was found."""
    return _text(finding, "message")


def now(finding: Finding) -> str:
    """Return what to change in the booth now."""
    return _text(finding, "now")


def later(finding: Finding) -> str:
    """Return what the edit can still do."""
    return _text(finding, "later")


def _text(finding: Finding, name: str) -> str:
    return fill(
        told_apart(finding.rule.texts[name], finding.value, finding.limit),
        value=finding.value,
        limit=finding.limit,
        count=_count(finding),
        reason=finding.reason,
        change=finding.change,
        words=quoted(finding.words),
        **finding.facts,
    )


def _count(finding: Finding) -> object:
    """Return how many events there are; of a fact that counts them, the fact."""
    return finding.count if finding.count is not None else finding.value


def message(finding: Finding, most: int = 4) -> str:
    """Return in a sentence or two what was found, and where."""
    where = f" At {places(finding, most)}." if finding.times_s else ""
    return f"{what(finding)}{where}"


def instruction(finding: Finding) -> str:
    """Return what was found, where, and what to do about it now."""
    return f"{message(finding)} {now(finding)}"


def measured(finding: Finding) -> str:
    """Return what was measured and the limit that it passed; nothing where that is no number."""
    value, limit = finding.value, finding.limit
    if isinstance(value, bool | str) or value is None or isinstance(limit, bool | str):
        return ""
    unit = _UNITS.get(finding.unit, finding.unit)
    digits = 2 if abs(limit) < 1 else 1
    if 0 < abs(limit) < 0.01:
        return f"{value:.2g} {unit}, limit {limit:.2g}"
    if float(value).is_integer() and float(limit).is_integer():
        digits = 0
    return f"{number(value, digits, unit)}, limit {number(limit, digits)}"


def limit_source(finding: Finding) -> str:
    """Return on whose word a limit is."""
    return f"{finding.source} ({finding.status})"


def on_words(name: str, words: Iterable[str]) -> str:
    """Return on which words a finding falls: ``breath pop on “bridge”``."""
    return f"{named(name)} on {quoted(words)}"


def named(name: str) -> str:
    """Return what a finding is called, by the name of its limit; of a studio's own its name."""
    return _NAMES.get(name, spoken(name))
