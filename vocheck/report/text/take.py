"""A take in the terminal: keep it or go again, then why."""

from __future__ import annotations

from vocheck.plain import shown_plainly
from vocheck.policy.judge import Finding
from vocheck.report.text.style import bold, dim, paint, table, wrap
from vocheck.session.each import Failure
from vocheck.session.take import TakeResult
from vocheck.wording.delivery import delivery_sentence
from vocheck.wording.findings import limit_source, measured, places
from vocheck.wording.script import reading_sentence
from vocheck.wording.take import advice
from vocheck.wording.vocabulary import channels, file_name, hertz, number, verdict_word

_INDENT = " " * 10


@shown_plainly
def render_take(result: TakeResult, details: bool = True) -> str:
    """Return one take as text, ending in a newline.

    Parameters
    ----------
    result : TakeResult
    details : bool
        False leaves out the table of measurements: verdict and findings only.
    """
    blocks = [f"{headline(result)}\n{wrap(advice(result), '  ')}"]
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
    word = paint(f"{verdict_word(result.verdict):<8}", result.verdict)
    source = result.source
    parts = [f"{source.duration_s:.1f} s", hertz(source.rate_hz), channels(source.channels)]
    if source.bits:
        parts.insert(2, f"{source.bits} bit")
    return f"{word}  {bold(file_name(result.path))}  {dim(', '.join(parts))}"


def _finding(finding: Finding) -> str:
    severity = paint(f"{finding.severity:<8}", finding.severity)
    lines = [f"{severity}  {wrap(finding.message, _INDENT).lstrip()}"]
    found = measured(finding)
    if finding.times_s:
        found = f"{found}{' · ' if found else ''}at {places(finding)}"
    if found:
        lines.append(wrap(found, _INDENT + " " * 6, f"{_INDENT}found "))
    lines.append(wrap(finding.now, _INDENT + " " * 6, f"{_INDENT}{bold('now')}   "))
    lines.append(wrap(finding.later, _INDENT + " " * 6, f"{_INDENT}{bold('later')} "))
    source = f"limit {limit_source(finding)}"
    lines.append(
        "\n".join(dim(line) for line in wrap(source, _INDENT + " " * 6, _INDENT).split("\n"))
    )
    return "\n".join(lines)


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
