"""A final mix as a page: does it pass where it goes, what to do, and where to listen."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from vocheck.mix.results import DestinationResult, LoudnessOverTime, MixResult, WrittenMix
from vocheck.policy.delivery import Check
from vocheck.report.page.drawing import band_path, columns, curve_path
from vocheck.report.page.template import render, sound
from vocheck.takes.listening import ListeningCopy
from vocheck.wording import lines as line_words
from vocheck.wording import written as copy_words
from vocheck.wording.delivery import check_words, limit_words, reason, value_words
from vocheck.wording.mix import (
    arrival,
    coding,
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
    shown_target,
    stems_in_mix,
    track,
    two_speakers,
)
from vocheck.wording.vocabulary import as_sentence, clock, counted, number

WIDTH, HEIGHT, LEAD_HEIGHT = 1200, 300, 120
"""Of the drawings, in their own units; no curve has more columns than that."""
LEAD_RANGE_LU = (0.0, 30.0)
VERDICTS = {
    "pass": "Pass",
    "warn": "Warn",
    "fail": "Fail",
    "not published": "Not published",
    "cannot tell": "Cannot tell",
}
MOST_PLACES = 12  # our choice: more are no list to listen through
_MOMENTARY_S, _SHORT_TERM_S = 0.4, 3.0
_RANGE_LU = 36.0  # our choice: speech and most of its pauses
_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
_MOST_STEPS = 8  # their numbers do not touch on a telephone

Floats = npt.NDArray[np.float64]


def render_mix_page(
    results: Sequence[MixResult],
    folder: Path,
    copies: Mapping[str, ListeningCopy] | None = None,
) -> str:
    """Return the page of one or several mixes.

    Parameters
    ----------
    results : sequence of MixResult
    folder : Path
        Where the page will stand: mixes are linked relative to it.
    copies : mapping of str to ListeningCopy, optional
        Listening copies to carry inside, by the mix's path; a mix without one is linked.
    """
    mixes = [
        shown_mix(result) | sound(result.path, folder, (copies or {}).get(result.path))
        for result in results
    ]
    title = mixes[0]["name"] if len(mixes) == 1 else f"{len(mixes)} mixes"
    return render("mix.html", title=title, mixes=mixes, play=[play_of(mix) for mix in mixes])


def play_of(mix: dict[str, Any]) -> dict[str, Any]:
    """Return what the player needs of a mix."""
    return {
        "name": mix["name"],
        "takes": [{"name": mix["name"], "volume": mix["volume"], "phrases": []}],
        "levels": mix["levels"],
        "end_s": mix["duration_s"],
    }


def shown_mix(result: MixResult) -> dict[str, Any]:
    """Return what is shown of a mix."""
    over_time = result.over_time
    duration = _end_s(result)
    extra = shown_lufs(result, 0.0) or 0.0
    momentary = _levels(over_time.momentary_lufs) + extra
    short_term = _levels(over_time.short_term_lufs) + extra
    return {
        "name": os.path.basename(result.path),
        "verdict": result.verdict.replace(" ", "-"),
        "verdict_word": VERDICTS[result.verdict],
        "sentence": sentence(result),
        "track": track(result),
        "duration_s": duration,
        "duration": clock(duration),
        "checks": _poor(result.checks),
        "destinations": [
            _destination(d)
            for d in sorted(result.destinations, key=lambda d: _ORDER.index(d.verdict))
        ],
        "table": _table(result),
        "plot": _plot(result, momentary, short_term),
        "lead": _lead(result),
        "written": None if result.written is None else _written(result.written),
        "limited": _limited(result),
        "lines": _lines(result),
        "lines_words": "" if result.lines is None else line_words.lines_sentence(result.lines),
        "overs": _overs(result),
        "facts": _facts(result),
        "encoded": [
            {"encoder": peak.encoder, "words": peak.reason or number(peak.level_dbtp, 1, "dBTP")}
            for peak in result.measurements.true_peak_after_encoding
        ],
        "independent": second_reading(result),
        "levels": _heard(short_term, over_time),
    }


def _end_s(result: MixResult) -> float:
    """Return when the sound ends in the time of its file."""
    return result.source.start_s + result.source.duration_s


def _levels(lufs: Sequence[float]) -> Floats:
    """Return loudness over time with NaN for silence."""
    levels = np.array(lufs, dtype=np.float64)
    levels[~np.isfinite(levels)] = np.nan
    return levels


def _heard(short_term: Floats, over_time: LoudnessOverTime) -> dict[str, Any]:
    """Return what the page tells of the place that is heard."""
    places, _, highest = columns(short_term, WIDTH)
    return {
        "first_s": over_time.start_s + _SHORT_TERM_S / 2,
        "step_s": round(over_time.step_s * len(short_term) / max(1, len(places)), 4),
        "lufs": [None if math.isnan(level) else round(level, 1) for level in highest.tolist()],
    }


def _destination(result: DestinationResult) -> dict[str, Any]:
    return {
        "name": result.name,
        "title": result.title,
        "verdict": result.verdict.replace(" ", "-"),
        "verdict_word": VERDICTS[result.verdict],
        "checks": _poor(result.checks),
        "passed": sum(check.verdict == "pass" for check in result.checks),
        "gain": gain(result),
        "one_channel": one_channel(result),
        "gain_word": "Gain" if result.verdict != "not published" else "Gain to common practice",
        "ingest": arrival(result),
        "note": result.note,
    }


_ORDER = ("fail", "cannot tell", "warn", "not published", "pass")
"""What has to be seen comes first."""


def _poor(checks: Sequence[Check]) -> list[dict[str, Any]]:
    """Return the checks that are not in order, the worst first."""
    ordered = sorted(checks, key=lambda check: _ORDER.index(check.verdict))
    return [_check(check) for check in ordered if check.verdict != "pass"]


def _table(result: MixResult) -> list[dict[str, Any]]:
    """Return every check, the worst first."""
    checks = [("the mix itself", check) for check in result.checks]
    checks += [(d.name, check) for d in result.destinations for check in d.checks]
    ordered = sorted(checks, key=lambda pair: _ORDER.index(pair[1].verdict))
    return [_row(check, where) for where, check in ordered]


def _check(check: Check) -> dict[str, Any]:
    return {
        "verdict": check.verdict.replace(" ", "-"),
        "verdict_word": VERDICTS[check.verdict],
        "words": as_sentence(check_words(check)),
        "reason": reason(check),
    }


def _row(check: Check, where: str) -> dict[str, Any]:
    doubt = ", not confirmed at the source" if check.unconfirmed else ""
    return {
        "where": where,
        "what": check.what,
        "value": value_words(check),
        "limit": limit_words(check),
        "verdict": check.verdict.replace(" ", "-"),
        "verdict_word": VERDICTS[check.verdict],
        "source": f"{check.source}, {check.date}" if check.date else check.source,
        "status": f"{check.status}{doubt}",
    }


def _plot(result: MixResult, momentary: Floats, short_term: Floats) -> dict[str, Any]:
    duration, start = _end_s(result) or 1.0, result.over_time.start_s
    step = result.over_time.step_s
    targets = _targets(result)
    known = momentary[~np.isnan(momentary)]
    highest = max([float(known.max(initial=-70.0)), *targets])
    top = 5.0 * math.ceil((highest + 1.0) / 5.0)
    bottom = top - _RANGE_LU

    def across(places: Floats, window_s: float) -> Floats:
        return (start + places * step + window_s / 2) / duration * WIDTH

    def down(level: Floats) -> Floats:
        return np.minimum((top - level) / _RANGE_LU, 1.0) * HEIGHT

    places, low, high = columns(momentary, WIDTH)
    band = band_path(across(places, _MOMENTARY_S), down(low), down(high))
    places, _, high = columns(short_term, WIDTH)
    line = curve_path(across(places, _SHORT_TERM_S), down(high))
    loudest = result.measurements.loudness.short_term_max_s
    return {
        "momentary": band,
        "short_term": line,
        "targets": [
            {"name": ", ".join(names), "lufs": f"{level:g}", "y": _percent(top - level, _RANGE_LU)}
            for level, names in targets.items()
        ],
        "grid": [
            {"lufs": f"{level:g}", "y": _percent(top - level, _RANGE_LU)}
            for level in np.arange(top, bottom - 0.1, -6.0).tolist()[1:-1]
        ],
        "ticks": _ticks(duration),
        "loudest": None if loudest is None else round(loudest / duration * WIDTH),
        "overs": sorted(
            {round(over.time_s / duration * WIDTH) for over in result.measurements.peaks_over_limit}
        ),
        "words": _words(result),
    }


def _targets(result: MixResult) -> dict[float, list[str]]:
    """Return the loudness that destinations aim at, each once, with their names."""
    targets: dict[float, list[str]] = {}
    for destination in result.destinations:
        level = shown_target(result, destination)
        if level is not None:
            name = destination.name
            if destination.two_speakers != two_speakers(result):
                name += f" ({destination.target_lufs:g} on two speakers)"
            targets.setdefault(round(level, 1), []).append(name)
    return targets


def _percent(part: float, whole: float) -> str:
    return f"{100.0 * part / whole:.2f}%"


def _ticks(duration_s: float) -> list[dict[str, str]]:
    step = next((s for s in _STEPS_S if duration_s / s <= _MOST_STEPS), 2 * _STEPS_S[-1])
    return [
        {"x": _percent(s, duration_s), "words": f"{s // 60}:{s % 60:02d}"}
        for s in range(0, math.ceil(duration_s), step)
        if s <= 0.97 * duration_s
    ]


def _words(result: MixResult) -> str:
    """Return what the drawing shows, for those who cannot see it."""
    loudness = result.measurements.loudness
    places = len(result.measurements.peaks_over_limit)
    parts = [
        f"Loudness over {clock(result.source.duration_s)}: integrated "
        f"{number(loudness.integrated_lufs, 1, 'LUFS')}"
    ]
    if loudness.short_term_max_s is not None:
        parts.append(f"loudest 3 s at {clock(loudness.short_term_max_s)}")
    parts += [f"target {level:g} LUFS of {', '.join(n)}" for level, n in _targets(result).items()]
    parts.append(f"{counted(places, 'place')} over the peak limit")
    return "; ".join(parts)


def _lead(result: MixResult) -> dict[str, Any] | None:
    """Return the drawing of the voice over its bed, where both stems were given."""
    leads = result.over_time.voice_to_bed_lu
    stems = result.measurements.stems
    if leads is None or stems is None:
        return None
    values = np.array([math.nan if lead is None else lead for lead in leads])
    low, high = LEAD_RANGE_LU
    places, least, _ = columns(values, WIDTH)
    duration, over_time = _end_s(result) or 1.0, result.over_time
    middles = over_time.start_s + places * over_time.step_s + _SHORT_TERM_S / 2
    across = middles / duration * WIDTH
    down = (high - np.clip(least, low, high)) / (high - low) * LEAD_HEIGHT
    judged = next((check for check in result.checks if check.fact == "voice_to_bed_lu"), None)
    wanted = None if judged is None else judged.lowest
    return {
        "path": curve_path(across, down),
        "wanted": None
        if wanted is None
        else {"lu": f"{wanted:g}", "y": _percent(high - wanted, high - low)},
        "closest": stems.closest_s and round(stems.closest_s / duration * WIDTH),
        "words": (
            f"Voice over bed: {number(result.measurements.voice_to_bed_lu, 1, 'LU')} where the "
            f"voice is active, least {number(stems.closest_lu, 1, 'LU')}"
        ),
    }


def _lines(result: MixResult) -> list[dict[str, Any]]:
    """Return the lines of the voice-over, in the order of the mix."""
    lines = sorted(result.lines or (), key=lambda line: (line.start_s is None, line.start_s))
    return [
        {
            "name": line.line,
            "verdict": line.verdict,
            "verdict_word": VERDICTS[line.verdict],
            "lead": line_words.lead_words(line),
            "words": line_words.what(line),
            "place": None if line.start_s is None else _place(max(0.0, line.start_s)),
        }
        for line in lines
    ]


def _written(written: WrittenMix) -> dict[str, Any]:
    """Return what was written at the target, or why nothing was."""
    told = written.refused is None
    return {
        "verdict": (written.verdict or "fail").replace(" ", "-"),
        "verdict_word": VERDICTS[written.verdict] if written.verdict else "Not written",
        "headline": copy_words.headline(written),
        "means": copy_words.means(written),
        "changes": copy_words.changes(written) if told else "",
        "verdict_words": copy_words.verdict(written) if told else "",
        "stored": copy_words.stored(written) if told else "",
        "encoded": [copy_words.after_codec(peak) for peak in written.after_encoding],
    }


def _limited(result: MixResult) -> dict[str, Any] | None:
    """Return the drawing of what the limiter of a copy takes away over time."""
    limiting = None if result.written is None else result.written.limiting
    if limiting is None:
        return None
    places, _, most = columns(np.array(limiting.reduction_db), WIDTH)
    deepest = max(1.0, math.ceil(limiting.most_db))
    duration = _end_s(result) or 1.0
    middles = result.source.start_s + (places + 0.5) * limiting.step_s
    across = np.minimum(middles / duration, 1.0) * WIDTH
    down = np.minimum(most / deepest, 1.0) * LEAD_HEIGHT
    return {
        "path": curve_path(across, down),
        "deepest": f"{deepest:g}",
        "words": f"The limiter of the copy over time: {limiting.most_db:.1f} dB at most",
    }


def _overs(result: MixResult) -> dict[str, Any] | None:
    measured = result.measurements
    places = measured.peaks_over_limit
    if not places:
        return None
    words = overs(measured)
    worst = sorted(places, key=lambda over: -over.level_dbtp)[:MOST_PLACES]
    which = f"; the {MOST_PLACES} highest" if len(places) > MOST_PLACES else ""
    return {
        "words": f"{words[:1].upper()}{words[1:]}{which}:",
        "places": [
            _place(over.time_s) | {"level": number(over.level_dbtp, 1, "dBTP")}
            for over in sorted(worst, key=lambda over: over.time_s)
        ],
    }


def _place(time_s: float) -> dict[str, Any]:
    return {"s": round(time_s, 3), "clock": clock(time_s)}


def _facts(result: MixResult) -> list[dict[str, Any]]:
    m, stems = result.measurements, result.measurements.stems
    loudness, peak, source = m.loudness, m.true_peak, result.source

    def told(field: str, value: float | None, unit: str) -> str:
        return loudness.not_measured[field] if value is None else number(value, 1, unit)

    rows: list[tuple[str, str, float | None]] = [
        ("Loudness", loudness_words(result), None),
        (
            "Loudest 3 s",
            told("short_term_max_lufs", shown_lufs(result, loudness.short_term_max_lufs), "LUFS"),
            loudness.short_term_max_s,
        ),
        (
            "Loudest 0.4 s",
            told("momentary_max_lufs", shown_lufs(result, loudness.momentary_max_lufs), "LUFS"),
            loudness.momentary_max_s,
        ),
        ("Loudness range", told("range_lu", loudness.range_lu, "LU"), None),
        ("True peak", number(peak.level_dbtp, 1, "dBTP"), peak.time_s),
    ]
    if m.mono_fold_down_lu is not None:
        rows.append(("Played in mono", mono_words(m.mono_fold_down_lu), None))
    if m.mono_worst_lu is not None:
        rows.append(("Worst 3 s in mono", mono_words(m.mono_worst_lu), m.mono_worst_s))
    if m.correlation is not None:
        rows.append(("Correlation of the sides", number(m.correlation, 2), None))
    if m.louder_side is not None:
        rows.append((f"Louder: {m.louder_side}", number(m.balance_db, 1, "dB"), None))
    if stems is not None and (found := stems_in_mix(stems.in_mix)):
        rows.append(("Stems", found, None))
    if m.voice_to_bed_lu is not None:
        rows.append(("Voice over bed", number(m.voice_to_bed_lu, 1, "LU"), None))
    if stems is not None and stems.closest_lu is not None:
        rows.append(("Voice closest to bed", number(stems.closest_lu, 1, "LU"), stems.closest_s))
    if m.dialogue_lufs is not None:
        rows.append(("With the voice", number(m.dialogue_lufs, 1, "LUFS"), None))
    if silent := digital_silence(m):
        rows.append(("Digital silence", silent, None))
    rows += [
        (
            "Channels",
            {1: "mono", 2: "stereo", 6: "5.1"}.get(source.channels, str(source.channels)),
            None,
        ),
        ("Sample rate", f"{source.rate_hz / 1000:g} kHz", None),
        ("Coding", coding(result), None),
        ("Length", extent(result) or clock(source.duration_s), None),
    ]
    return [
        {"name": name, "words": words, "place": None if place is None else _place(place)}
        for name, words, place in rows
    ]
