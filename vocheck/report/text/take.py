"""A take in the terminal: keep it or go again, then why."""

from __future__ import annotations

import math
import os

from vocheck.plain import shown_plainly
from vocheck.policy.delivery import Delivery
from vocheck.policy.judge import Finding
from vocheck.report.text.script import reading_sentence
from vocheck.report.text.style import (
    VERDICT_WORDS,
    bold,
    clocks,
    dim,
    number,
    paint,
    table,
    wrap,
)
from vocheck.session.each import Failure
from vocheck.session.take import TakeResult

_INDENT = " " * 10
_STANDING = {
    "pass": "passes",
    "warn": "passes with a warning",
    "fail": "fails",
    "not published": "no published number to judge by",
}


@shown_plainly
def render_take(result: TakeResult, details: bool = True) -> str:
    """Return one take as text, ending in a newline.

    Parameters
    ----------
    result : TakeResult
    details : bool
        False leaves out the table of measurements: verdict and findings only.
    """
    blocks = [f"{headline(result)}\n{wrap(_sentence(result), '  ')}"]
    blocks += [_finding(finding) for finding in result.findings]
    if result.reading is not None:
        blocks.append(wrap(reading_sentence(result.reading), "  "))
    if details:
        blocks.append(_facts(result))
    blocks += [wrap(delivery_sentence(delivery), "  ") for delivery in result.delivery]
    return "\n\n".join(blocks) + "\n"


@shown_plainly
def render_failure(failure: Failure) -> str:
    """Return one line for a file that could not be done."""
    return f"{paint('UNREAD', 'fail')}   {failure.error}\n"


def headline(result: TakeResult) -> str:
    """Return the first line: the verdict in one word, and which take it is about."""
    word = paint(f"{VERDICT_WORDS[result.verdict]:<8}", result.verdict)
    source = result.source
    channels = {1: "mono", 2: "stereo"}.get(source.channels, f"{source.channels} channels")
    parts = [f"{source.duration_s:.1f} s", f"{source.rate_hz / 1000:g} kHz", channels]
    if source.bits:
        parts.insert(2, f"{source.bits} bit")
    name = os.path.basename(result.path) if result.path else "recording"
    return f"{word}  {bold(name)}  {dim(', '.join(parts))}"


def _sentence(result: TakeResult) -> str:
    notes = sum(finding.severity == "note" for finding in result.findings)
    tail = f" {_counted(notes, 'note')} below." if notes else ""
    if result.verdict == "keep":
        return f"Keep it: nothing to fix.{tail}"
    if result.verdict == "retake":
        return "Go again while the talent is here: the edit cannot save this one."
    return "Usable: the edit can fix what is listed here. Go again if there is time."


def _finding(finding: Finding) -> str:
    severity = paint(f"{finding.severity:<8}", finding.severity)
    lines = [f"{severity}  {wrap(finding.message, _INDENT).lstrip()}"]
    measured = _measured(finding)
    if finding.times_s:
        measured = f"{measured}{' · ' if measured else ''}at {places(finding)}"
    if measured:
        lines.append(wrap(measured, _INDENT + " " * 6, f"{_INDENT}found "))
    lines.append(wrap(finding.now, _INDENT + " " * 6, f"{_INDENT}{bold('now')}   "))
    lines.append(wrap(finding.later, _INDENT + " " * 6, f"{_INDENT}{bold('later')} "))
    source = f"limit {finding.source} ({finding.status})"
    lines.append(
        "\n".join(dim(line) for line in wrap(source, _INDENT + " " * 6, _INDENT).split("\n"))
    )
    return "\n".join(lines)


def places(finding: Finding, most: int = 6) -> str:
    """Return where a finding is, and on which words of the script: ``0:03.2 on “bridge”``."""
    where = clocks(finding.times_s, most)
    if not finding.words or finding.fact.startswith("reading."):
        return where
    return f"{where} on {', '.join(f'“{word}”' for word in finding.words)}"


def _measured(finding: Finding) -> str:
    value, limit = finding.value, finding.limit
    if isinstance(value, bool | str) or value is None or isinstance(limit, bool | str):
        return ""
    digits = 2 if abs(limit) < 1 else 1
    if 0 < abs(limit) < 0.01:
        return f"{value:.2g} {finding.unit}, limit {limit:.2g}"
    if float(value).is_integer() and float(limit).is_integer():
        digits = 0
    return f"{number(value, digits, finding.unit)}, limit {number(limit, digits)}"


def _facts(result: TakeResult) -> str:
    m = result.measurements
    reasons = result.not_measured

    def fact(name: str, value: float | None, digits: int, unit: str) -> str:
        return number(value, digits, unit) if value is not None else _short(reasons.get(name, ""))

    room = m.reverberation
    rt60 = fact("reverberation.rt60_s", room.rt60_s, 2, "s")
    if room.rt60_s is not None and room.rt60_low_s is not None and room.rt60_high_s is not None:
        rt60 += f" ({room.rt60_low_s:.2f} to {room.rt60_high_s:.2f})"
    loudness = fact("loudness.integrated_lufs", m.loudness.integrated_lufs, 1, "LUFS")
    if m.loudness.two_speakers_lufs is not None:
        loudness += f" ({m.loudness.two_speakers_lufs:.1f} on two speakers)"
    rows = [
        ("loudness", loudness),
        ("true peak", fact("true_peak.level_dbtp", m.true_peak.level_dbtp, 1, "dBTP")),
        ("speech level", fact("level.active_dbfs", m.level.active_dbfs, 1, "dBFS")),
        ("noise floor", fact("noise.floor_dbfs", m.noise.floor_dbfs, 1, "dBFS")),
        ("signal to noise", fact("noise.snr_db", m.noise.snr_db, 1, "dB")),
        ("RT60", rt60),
        ("sibilance", fact("sibilance.ratio_db", m.sibilance.ratio_db, 1, "dB")),
        ("pace", fact("speech.syllables_per_s", m.speech.syllables_per_s, 1, "syllables/s")),
    ]
    return table([(dim(name), value) for name, value in rows], "  ")


def _short(reason: str) -> str:
    return f"cannot tell: {reason}" if reason else "–"


def delivery_sentence(delivery: Delivery) -> str:
    """Return how a take stands against a destination, and what the gain to it would do."""
    stands = f"To {delivery.name}: {_STANDING[delivery.verdict]} as it stands"
    if delivery.gain_db is None:
        return f"{stands}. {delivery.note}"
    parts = [f"{delivery.gain_db:+.1f} dB to the target"]
    if delivery.true_peak_after_dbtp is not None:
        peak = f"puts the peak at {delivery.true_peak_after_dbtp:+.1f} dBTP"
        if delivery.limiter_db and round(delivery.limiter_db, 1) > 0:
            peak += f" (limit {delivery.limiter_db:.1f} dB first)"
        parts.append(peak)
    if delivery.noise_floor_after_dbfs is not None and delivery.noise_floor_after_dbfs > -math.inf:
        parts.append(f"and the noise at {delivery.noise_floor_after_dbfs:.0f} dBFS")
    return f"{stands}; {' '.join(parts)}."


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'s' if count != 1 else ''}"
