"""A mix against the rules of a destination."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

from vocheck.audio.codecs import Coding
from vocheck.measurements.loudness import TWO_SPEAKERS_LU
from vocheck.mix.results import (
    Arrival,
    DestinationResult,
    MixMeasurements,
    OneChannelReading,
    Stems,
)
from vocheck.policy.delivery import Check, CheckNotice, check, gain_to, limiting, settle, worst
from vocheck.policy.destinations import Destination, Ingest, Requirement
from vocheck.policy.every import Policy
from vocheck.recording import Source

Facts = Mapping[str, float | str | None]

LOSSLESS = ("PCM", "32-bit float", "64-bit float", "FLAC", "ALAC")
AUDIO_CONTAINERS = ("WAV", "BWF", "RF64", "BW64", "W64", "AIFF", "CAF", "FLAC")
AUDIO_ONLY = (*AUDIO_CONTAINERS, "M4A", "MP3", "Ogg")
"""A rule about the kind of video file does not apply to the sound alone."""


def facts_of(
    source: Source, measured: MixMeasurements, *, two_speakers: bool = False
) -> dict[str, float | str | None]:
    """Return every fact that a rule can be about.

    Parameters
    ----------
    source : Source
    measured : MixMeasurements
    two_speakers : bool
        Whether the loudness of one channel is that heard from two speakers.
    """
    loudness, peak = measured.loudness, measured.true_peak
    extra = TWO_SPEAKERS_LU if two_speakers and source.channels == 1 else 0.0

    def heard(lufs: float | None) -> float | None:
        return None if lufs is None else lufs + extra

    return {
        "integrated_lufs": heard(loudness.integrated_lufs),
        "dialogue_lufs": heard(measured.dialogue_lufs),
        "rms_dbfs": measured.rms_dbfs,
        "active_dbfs": measured.active_dbfs,
        "leq_m_db": measured.leq_m_db,
        "level_dbtp": peak.level_dbtp,
        "sample_peak_dbfs": peak.sample_peak_dbfs,
        "short_term_max_lufs": heard(loudness.short_term_max_lufs),
        "momentary_max_lufs": heard(loudness.momentary_max_lufs),
        "range_lu": loudness.range_lu,
        "floor_dbfs": measured.floor_dbfs,
        "digital_silence_s": measured.digital_silence_s,
        "voice_to_bed_lu": measured.voice_to_bed_lu,
        "loudness_to_dialogue_lu": measured.loudness_to_dialogue_lu,
        **_stem_facts(measured.stems),
        "mono_fold_down_lu": measured.mono_fold_down_lu,
        "correlation": measured.correlation,
        "balance_db": measured.balance_db,
        "silent_channels": measured.silent_channels,
        "head_s": measured.head_s,
        "tail_s": measured.tail_s,
        "missing_s": source.missing_s,
        "damaged": source.damaged,
        "length": "never written" if source.unfinished else "written",
        "duration_s": length_s(source),
        "rate_hz": source.rate_hz,
        "bits": source.bits,
        "channels": source.channels,
        "container": source.container,
        "codec": source.codec,
        "profile": source.profile,
        "bitrate_kbps": source.bitrate_kbps,
    }


def _stem_facts(stems: Stems | None) -> dict[str, float | str | None]:
    found = None if stems is None else stems.in_mix
    return {
        "foreign_stems": None if found is None else len(found.foreign),
        "stem_lag_s": None if found is None else found.latest_s,
        "stem_gain_db": None if found is None else found.balance_db,
    }


def length_s(source: Source) -> float:
    """Return how long a file plays: of a video, until picture and sound have ended."""
    if source.picture_s is None:
        return source.duration_s
    return max(source.picture_s, source.start_s + source.duration_s)


def is_master(source: Source) -> bool:
    """Return whether a file is sound that is still to be encoded."""
    return source.codec in LOSSLESS and source.container in AUDIO_CONTAINERS


def judge(
    destination: Destination,
    source: Source,
    measured: MixMeasurements,
    encoded: Requirement | None,
    policy: Policy,
) -> DestinationResult:
    """Hold a mix against one destination.

    Parameters
    ----------
    destination : Destination
    source : Source
    measured : MixMeasurements
    encoded : Requirement or None
        The rule for the true peak after the destination's own encoding.
    policy : Policy
    """
    two_speakers = destination.counts_two_speakers
    facts = facts_of(source, measured, two_speakers=two_speakers)
    checks = [*rule_checks(destination, source, measured)]
    if encoded is not None and destination.encoding is not None:
        coding = Coding(destination.encoding.codec, destination.encoding.bitrate_kbps)
        checks += encoded_checks(encoded, measured, coding)
    level = destination.level
    value = None if level is None else facts[level.fact]
    gain = gain_to(level, value) if level is not None and not isinstance(value, str) else None
    peak, sample_peak = measured.true_peak.level_dbtp, measured.true_peak.sample_peak_dbfs
    after = None if gain is None or peak is None else peak + gain
    sample_after = None if gain is None or sample_peak is None else sample_peak + gain
    return DestinationResult(
        name=destination.name,
        title=destination.title,
        verdict=worst(checks, publishes_level=destination.publishes_level),
        checks=tuple(checks),
        gain_to_target_db=gain,
        true_peak_after_gain_dbtp=after,
        limiter_db=limiting(destination, after, sample_after),
        peak_limit_dbtp=destination.peak_dbtp,
        arrival=None
        if destination.ingest is None
        else _arrival(destination.ingest, facts, policy.mix.same_level.within_lu),
        one_channel=_one_channel(destination, source, measured),
        note=destination.note,
    )


def _one_channel(
    destination: Destination, source: Source, measured: MixMeasurements
) -> OneChannelReading | None:
    """Return both readings of one channel, where the destination asks for a loudness."""
    level, counts = destination.level, destination.one_channel
    if source.channels != 1 or level is None or not level.fact.endswith("_lufs"):
        return None
    levels = [facts_of(source, measured, two_speakers=two)[level.fact] for two in (False, True)]
    as_one, as_two = (lufs if isinstance(lufs, float) else None for lufs in levels)
    judged, other = (as_two, as_one) if destination.counts_two_speakers else (as_one, as_two)
    return OneChannelReading(
        reading=counts.reading,
        level_lufs=judged,
        other_lufs=other,
        other_verdict=check(level, other).verdict,
        note=counts.note,
        source=counts.source,
        date=counts.date,
        status=counts.status,
    )


def rule_checks(
    destination: Destination, source: Source, measured: MixMeasurements
) -> tuple[Check, ...]:
    """Check every rule of a destination that applies to such a file."""
    facts = facts_of(source, measured, two_speakers=destination.counts_two_speakers)
    reasons = measured.reasons()
    checks = (
        _check(rule, facts, reasons)
        for rule in destination.rules
        if rule.fact != "encoded_dbtp" and _applies(rule, source, facts)
    )
    settled = settle(destination.rules, checks)
    return tuple(_of_picture(check, source) for check in settled)


def _of_picture(check: Check, source: Source) -> Check:
    """Add to a judged length that it is not that of the sound, where it is not."""
    if check.fact != "duration_s" or round(length_s(source) - source.duration_s, 1) == 0.0:
        return check
    notice = CheckNotice(kind="until picture ends", value=source.duration_s)
    return replace(check, notices=(*check.notices, notice))


def encoded_checks(
    rule: Requirement, measured: MixMeasurements, coding: Coding | None = None
) -> list[Check]:
    """Check the true peak after encoding; of one coding, or of all that were tried."""
    checks = []
    for peak in measured.true_peak_after_encoding:
        if coding is not None and peak.encoder != str(coding):
            continue
        judged = check(rule, peak.level_dbtp, reason=peak.reason)
        judged = replace(judged, what=f"{judged.what} ({peak.codec} {peak.bitrate_kbps})")
        if judged.verdict != "cannot tell":
            notice = CheckNotice(kind="prediction", name=peak.encoder)
            note = judged.note if judged.verdict == "warn" else ""
            judged = replace(judged, notices=(notice,), note=note)
        checks.append(judged)
    return checks


def _applies(rule: Requirement, source: Source, facts: Facts) -> bool:
    value = facts[rule.fact]
    if rule.when == "encoded" and is_master(source):
        return False
    if rule.containers and source.container not in rule.containers:
        return False
    if rule.fact == "container":
        return source.container not in AUDIO_ONLY
    # What does not exist in such a file is no question: the sides of a mono file, the bits of AAC,
    # the stems that nobody gave.
    if rule.fact in ("mono_fold_down_lu", "correlation", "balance_db"):
        return source.channels == 2 and value is not None
    if rule.fact in ("foreign_stems", "stem_lag_s", "stem_gain_db"):
        return value is not None
    if rule.fact == "profile":
        return source.codec == "AAC"
    if rule.fact in ("bits", "bitrate_kbps"):
        return value is not None
    if rule.fact == "missing_s":
        return source.missing_s > 0
    if rule.fact == "damaged":
        return source.damaged > 0
    if rule.fact == "length":
        return source.unfinished
    return not (rule.fact == "voice_to_bed_lu" and value is None and rule.severity == "warn")


def _check(rule: Requirement, facts: Facts, reasons: Mapping[str, str]) -> Check:
    integrated = facts["integrated_lufs"]
    programme = integrated if isinstance(integrated, float) else None
    value = facts[rule.fact]
    judged = check(rule, value, reason=_reason(rule.fact, reasons), integrated_lufs=programme)
    no_stem = reasons.get("dialogue_lufs", "").startswith("needs")
    if rule.fact == "dialogue_lufs" and value is None and programme is not None and no_stem:
        notice = CheckNotice(kind="needs the voice stem", value=programme)
        return replace(judged, notices=(notice,), untold="")
    if rule.fact == "leq_m_db" and judged.verdict == "fail" and rule.maximum is not None:
        if isinstance(value, float):
            notice = CheckNotice(kind="turn down", value=math.ceil(value - rule.maximum))
            return replace(judged, notices=(notice,))
    return judged


def _reason(fact: str, reasons: Mapping[str, str]) -> str:
    for key, reason in reasons.items():
        if key == fact or key.endswith(f".{fact}"):
            return reason
    return ""


def _arrival(ingest: Ingest, facts: Facts, same_lu: float) -> Arrival:
    """Return what a destination would do with this mix, as far as it is known."""
    loudness, peak = facts["integrated_lufs"], facts["level_dbtp"]
    change = None
    if (
        ingest.to_lufs is not None
        and isinstance(loudness, float)
        and isinstance(peak, float)
        and math.isfinite(loudness)
    ):
        change = ingest.to_lufs - loudness
    kind, moved = (None, None) if change is None else _moved(ingest, change, peak, same_lu)
    return Arrival(
        kind=kind,
        change_db=change,
        moved_db=moved,
        published=ingest.status.startswith("published"),
        text=ingest.text,
    )


def _moved(
    ingest: Ingest, change: float, peak: float | str | None, same_lu: float
) -> tuple[Literal["same", "down", "up", "held", "softer"] | None, float | None]:
    """Return what happens to the level, and by how much it is moved."""
    if abs(change) < same_lu:
        return "same", 0.0
    if change < 0:
        return ("down", change) if ingest.turns_down == "yes" else (None, None)
    if ingest.turns_up != "yes":
        return ("softer", 0.0) if ingest.turns_up == "no" else (None, None)
    if ingest.up_to_dbtp is None or not isinstance(peak, float):
        return "up", change
    room = max(0.0, min(change, ingest.up_to_dbtp - peak))
    return ("held", room) if room < change else ("up", change)
