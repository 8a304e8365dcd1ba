"""A final mix in the terminal: the verdict for each destination, then why, then the facts."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence

from vocheck.mix import DestinationResult, LineInMix, MixMeasurements, MixResult, WrittenMix
from vocheck.plain import shown_plainly
from vocheck.policy.delivery import Check
from vocheck.report.text.style import bold, dim, line_width, paint, table, wrap
from vocheck.wording.delivery import check_source, check_words, reason, value_words
from vocheck.wording.lines import lead_words, lines_sentence
from vocheck.wording.lines import what as line_words
from vocheck.wording.mix import (
    arrival,
    at,
    digital_silence,
    extent,
    gain,
    loudness_words,
    mono_words,
    one_channel,
    overs,
    second_reading,
    sentence,
    shown_lufs,
    stems_in_mix,
    track,
)
from vocheck.wording.vocabulary import clock, clocks, inside, number
from vocheck.wording.written import after_codec, changes, headline, means, stored, verdict

WORDS = {
    "pass": "PASS",
    "warn": "WARN",
    "fail": "FAIL",
    "not published": "NOT PUBLISHED",
    "cannot tell": "CANNOT TELL",
}
_BARS = "▁▂▃▄▅▆▇█"
_BAR_RANGE_LU = 24.0
"""From the loudest 3 s of the drawing down to its lowest bar."""

_INDENT = " " * 6


@shown_plainly
def render_mix(result: MixResult) -> str:
    """Return one mix as text, ending in a newline."""
    blocks = ["\n".join([_headline(result), wrap(sentence(result), "  "), *_track(result)])]
    if poor := _poor(result.checks):
        blocks.append("\n".join(["  " + bold("the mix itself"), *_checks(poor)]))
    blocks += map(_destination, result.destinations)
    blocks.append(_facts(result))
    if words := second_reading(result):
        blocks.append(wrap(words, "    ", "  "))
    if result.lines is not None:
        blocks.append(_lines(result.lines))
    if result.written is not None:
        blocks.append(_written(result.written))
    return "\n\n".join(blocks) + "\n"


def _track(result: MixResult) -> list[str]:
    words = track(result)
    return [wrap(words, "  ")] if words else []


def _headline(result: MixResult) -> str:
    source = result.source
    channels = {1: "mono", 2: "stereo", 6: "5.1"}.get(
        source.channels, f"{source.channels} channels"
    )
    duration = f"{source.duration_s:.{1 if source.duration_s >= 1 else 3}f} s"
    parts = [duration, f"{source.rate_hz / 1000:g} kHz", channels]
    if source.bits:
        parts.insert(2, f"{source.bits} bit")
    elif source.codec:
        kbps = f" {source.bitrate_kbps:.0f} kb/s" if source.bitrate_kbps else ""
        parts.insert(2, f"{source.codec}{kbps}")
    name = bold(os.path.basename(result.path))
    return f"{paint(WORDS[result.verdict], result.verdict)}  {name}  {dim(', '.join(parts))}"


def _destination(result: DestinationResult) -> str:
    word = paint(WORDS[result.verdict], result.verdict)
    lines = [f"  {word}  {bold(result.name)}  {dim(result.title)}"]
    lines += _checks(_poor(result.checks))
    passed = [_passed(check) for check in result.checks if check.verdict == "pass"]
    if passed:
        lines.append(wrap(f"in order: {', '.join(passed)}", _INDENT + "  ", _INDENT))
    if gained := gain(result):
        to = "" if result.verdict != "not published" else " to common practice"
        lines.append(wrap(f"gain{to}: {gained}", _INDENT + "  ", _INDENT))
    if counted := one_channel(result):
        lines.append(wrap(f"one channel: {counted}", _INDENT + "  ", _INDENT))
    lines.append(wrap(f"on arrival: {arrival(result)}", _INDENT + "  ", _INDENT))
    if result.note:
        lines.append(wrap(f"note: {result.note}", _INDENT + "  ", _INDENT))
    return "\n".join(lines)


def _poor(checks: Sequence[Check]) -> list[Check]:
    """Return the checks that are not in order, worst first."""
    order = ("fail", "cannot tell", "warn", "not published")
    return sorted(
        (check for check in checks if check.verdict != "pass"),
        key=lambda check: order.index(check.verdict),
    )


def _checks(checks: Sequence[Check]) -> list[str]:
    """Return each check; where the next one has the same source, that is told once, below."""
    lines = []
    for check, following in zip(checks, [*checks[1:], None], strict=False):
        lines.append(_check(check))
        source = _source(check)
        if source and (following is None or _source(following) != source):
            wrapped = wrap(f"source: {source}", _INDENT + "    ", _INDENT + "  ")
            lines += [dim(line) for line in wrapped.split("\n")]
    return lines


def _check(check: Check) -> str:
    """Return what is not in order: what, how much, and against what."""
    said = check_words(check)
    if check.verdict == "not published":
        return wrap(said, _INDENT + "  ", _INDENT)
    word = paint(check.verdict, "warn" if check.verdict == "cannot tell" else check.verdict)
    lines = [wrap(f"{word}: {said}", _INDENT + "  ", _INDENT)]
    if why := reason(check):
        lines.append(wrap(why, _INDENT + "  "))
    return "\n".join(lines)


def _source(check: Check) -> str:
    return "" if check.verdict == "not published" else check_source(check)


def _passed(check: Check) -> str:
    return f"{inside(check.what)} {value_words(check)}"


def _facts(result: MixResult) -> str:
    measured = result.measurements
    loudness, peak = measured.loudness, measured.true_peak
    rows = []
    rows.append(["loudness", loudness_words(result)])
    for what, level, time in (
        ("loudest 3 s", loudness.short_term_max_lufs, loudness.short_term_max_s),
        ("loudest 0.4 s", loudness.momentary_max_lufs, loudness.momentary_max_s),
    ):
        if level is not None:
            rows.append([what, at(number(shown_lufs(result, level), unit="LUFS"), time)])
    if loudness.range_lu is not None:
        rows.append(["loudness range", number(loudness.range_lu, unit="LU")])
    words = at(number(peak.level_dbtp, unit="dBTP"), peak.time_s)
    rows.append(["true peak", f"{words}{_overs(measured)}"])
    for encoded in measured.true_peak_after_encoding:
        predicted = number(encoded.level_dbtp, unit="dBTP")
        words = encoded.reason or f"{predicted}, a prediction with {encoded.encoder}"
        rows.append(["  after encoding", words])
    rows += _silence(measured) + _sides(measured) + _stems(measured)
    if words := extent(result):
        rows.append(["length", words])
    width = max(len(name) for name, _ in rows)
    blank = " " * (width + 4)
    lines = [wrap(value, blank, f"  {dim(name)}{blank[len(name) + 2 :]}") for name, value in rows]
    drawing = _drawing(result.over_time.short_term_lufs, line_width() - len(blank) - 1)
    if drawing:
        end = clock(result.source.duration_s)
        lines.append(f"  {dim('over time')}{blank[11:]}{drawing}")
        lines.append(dim(f"{blank}0:00.0{end.rjust(len(drawing) - 6)}"))
    return "\n".join(lines)


def _overs(measured: MixMeasurements) -> str:
    places = clocks([place.time_s for place in measured.peaks_over_limit])
    return f"; {overs(measured)}: {places}" if places else ""


def _silence(measured: MixMeasurements) -> list[list[str]]:
    words = digital_silence(measured)
    return [["digital silence", words]] if words else []


def _sides(measured: MixMeasurements) -> list[list[str]]:
    if measured.mono_fold_down_lu is None and measured.balance_db is None:
        return []
    rows = []
    if measured.mono_fold_down_lu is not None:
        words = mono_words(measured.mono_fold_down_lu)
        worst = measured.mono_worst_lu
        if worst is not None and worst < measured.mono_fold_down_lu - 0.05:
            words += f", worst {at(number(worst, unit='LU'), measured.mono_worst_s)}"
        rows.append(["played in mono", words])
    if measured.correlation is not None:
        words = f"correlation {number(measured.correlation, 2)}"
        if measured.louder_side is not None and measured.balance_db is not None:
            words += f", {measured.louder_side} louder by {number(measured.balance_db, unit='dB')}"
        rows.append(["sides", words])
    return rows


def _stems(measured: MixMeasurements) -> list[list[str]]:
    stems = measured.stems
    if stems is None:
        return []
    told = stems_in_mix(stems.in_mix)
    rows = [["stems", told]] if told else []
    if measured.voice_to_bed_lu is not None:
        words = number(measured.voice_to_bed_lu, unit="LU")
        if stems.closest_lu is not None:
            words += f", least {at(number(stems.closest_lu, unit='LU'), stems.closest_s)}"
        rows.append(["voice over bed", words])
    if measured.dialogue_lufs is not None:
        share = f" ({stems.voice_active:.0%} of the mix)" if stems.voice_active is not None else ""
        rows.append(["with the voice", number(measured.dialogue_lufs, unit="LUFS") + share])
    return rows


def _drawing(short_term_lufs: Sequence[float], width: int) -> str:
    """Return the short-term loudness as a row of bars, the loudest of each column."""
    heard = [level for level in short_term_lufs if math.isfinite(level)]
    if len(short_term_lufs) < 10 or not heard:
        return ""
    columns = min(width, len(short_term_lufs))
    top = max(heard)
    bars = []
    for column in range(columns):
        start = column * len(short_term_lufs) // columns
        end = max(start + 1, (column + 1) * len(short_term_lufs) // columns)
        height = (max(short_term_lufs[start:end]) - top) / _BAR_RANGE_LU + 1.0
        bars.append(_BARS[round(height * (len(_BARS) - 1))] if height > 0.0 else " ")
    return "".join(bars)


def _lines(lines: Sequence[LineInMix]) -> str:
    """Return the lines of the voice-over in the mix, as a table and what to know of each."""
    blocks = [f"  {bold('lines of the voice-over')}", wrap(lines_sentence(lines), _INDENT, _INDENT)]
    told = [
        (
            paint(WORDS[line.verdict], line.verdict),
            line.line,
            dim("–" if line.start_s is None else clock(line.start_s)),
            lead_words(line),
        )
        for line in lines
    ]
    blocks.append(table(told, _INDENT))
    blocks += [
        wrap(f"{line.line}: {words}", _INDENT + "  ", _INDENT)
        for line in lines
        if (words := line_words(line))
    ]
    if lines:
        source = f"limits: {lines[0].source} ({lines[0].status})"
        blocks.append(dim(wrap(source, _INDENT + "  ", _INDENT)))
    return "\n".join(blocks)


def _written(written: WrittenMix) -> str:
    """Return what was written at the target, with the limiter over time, or why nothing was."""
    word = "NOT WRITTEN" if written.verdict is None else f"COPY {WORDS[written.verdict]}"
    color = "fail" if written.verdict is None else written.verdict
    lines = [f"  {paint(word, color)}  {headline(written)}"]
    said = [means(written)]
    if written.refused is None:
        said += [changes(written), verdict(written)]
        said += [f"after encoding {after_codec(peak)}" for peak in written.after_encoding]
        said.append(stored(written))
    lines += [wrap(words, _INDENT + "  ", _INDENT) for words in said]
    if written.limiting is not None:
        reduction = written.limiting.reduction_db
        width = min(len(reduction), line_width() - 2 * len(_INDENT) - 10)
        bars = _reduction_bars(reduction, width, written.limiting.most_db)
        lines.append(f"{_INDENT}{dim('limited')}   {bars}")
        end = clock(len(reduction) * written.limiting.step_s)
        lines.append(dim(f"{_INDENT}{'':10}0:00.0{end.rjust(max(0, width - 6))}"))
    return "\n".join(lines)


def _reduction_bars(reduction: Sequence[float], width: int, most_db: float) -> str:
    """Return the most reduction of each column as a bar; the tallest stands for the most of all."""
    bars = []
    for column in range(width):
        start = column * len(reduction) // width
        end = max(start + 1, (column + 1) * len(reduction) // width)
        share = max(reduction[start:end]) / most_db
        bars.append(_BARS[round(share * (len(_BARS) - 1))] if share > 0.0 else "·")
    return "".join(bars)
