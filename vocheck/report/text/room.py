"""A room in the terminal: the answer in words first, then the bands."""

from __future__ import annotations

import os

from vocheck.plain import shown_plainly
from vocheck.policy.judge import Finding
from vocheck.report.text.style import bold, dim, paint, table, wrap
from vocheck.room import RoomBand, RoomNoise, RoomResult
from vocheck.room.positions import PositionsResult
from vocheck.wording.positions import sentence, verdict
from vocheck.wording.vocabulary import number

_HANG = " " * 10


@shown_plainly
def render_room(result: RoomResult) -> str:
    """Return a room measurement as text, ending in a newline."""
    name = os.path.basename(result.path) if result.path else "recording"
    more = f" and {len(result.paths) - 1} more" if len(result.paths) > 1 else ""
    blocks = [f"{bold('ROOM')}  {name}{more}  {dim(_kind(result))}"]
    blocks[0] += "\n" + "\n".join(wrap(line, "  ") for line in _answer(result))
    blocks += [_finding(finding) for finding in result.findings]
    if result.bands:
        blocks.append(_bands(result.bands))
    if result.noise:
        blocks.append(_noise_bands(result.noise))
    if result.comparisons:
        blocks.append(_comparisons(result))
    notes = [wrap(remark, "    ", "  - ") for remark in result.remarks]
    notes += _band_notes(result.bands)
    if notes:
        blocks.append(f"  {bold('notes')}\n" + "\n".join(notes))
    return "\n\n".join(blocks) + "\n"


def _kind(result: RoomResult) -> str:
    count = len(result.responses)
    if result.excitation == "room tone":
        return "room tone"
    word = result.excitation if count == 1 else f"{result.excitation}s"
    return f"{count} {word}"


def _answer(result: RoomResult) -> list[str]:
    lines = []
    if result.mid_t_s is not None:
        spread = f", {result.mid_spread_s:.2f} s between responses" if result.mid_spread_s else ""
        scatter = f" ± {result.mid_scatter_s:.2f}" if result.mid_scatter_s else ""
        bands = "500 Hz and 1 kHz" if _octaves(result) else "400 Hz to 1.25 kHz"
        lines.append(
            f"Mid-band RT60 {result.mid_t_s:.2f}{scatter} s (T20, {bands}{spread}): "
            f"{result.character}."
        )
    elif result.bands:
        reason = result.not_measured.get("mid_t_s", "")
        lines.append(f"Mid-band RT60: cannot tell, {reason}.")
        if result.voice_t_s is not None:
            heard = " and ".join(_hz(hz) for hz in result.voice_bands_hz)
            lines.append(f"At {heard} it is {result.voice_t_s:.2f} s (T20): {result.character}.")
    if result.mid_c50_db is not None:
        lines.append(f"Clarity C50 {result.mid_c50_db:.0f} dB where the microphone stood.")
    if result.noise:
        lines += _noise_answer(result.noise, result)
    elif "noise" in result.not_measured:
        lines.append(f"Noise: cannot tell, {result.not_measured['noise']}.")
    return lines


def _octaves(result: RoomResult) -> bool:
    return result.bands[1].centre_hz / result.bands[0].centre_hz > 1.5


def _noise_answer(noise: RoomNoise, result: RoomResult) -> list[str]:
    level = f"{number(noise.floor_dbfs, 0, 'dBFS')} ({number(noise.floor_a_dbfs, 0)} A-weighted)"
    lines = [f"Background noise {level}, from {noise.duration_s:.1f} s of quiet."]
    if noise.nc is not None and noise.nc_hz is not None:
        bound = f"{noise.nc_bound} " if noise.nc_bound else ""
        ratings = [f"{bound}NC-{noise.nc} (set by {_hz(noise.nc_hz)})"]
        if noise.nr is not None and noise.nr_hz is not None:
            ratings.append(f"NR-{noise.nr} (set by {_hz(noise.nr_hz)})")
        lines.append(
            f"In the room that is {number(noise.level_a_db, 0)} dB(A): {' and '.join(ratings)}."
        )
    else:
        reason = result.not_measured.get("noise.nc", "")
        lines.append(f"NC and NR class: {reason}.")
    if noise.mains_hz is not None:
        lines.append(f"Mains hum of {noise.mains_hz:g} Hz, {number(noise.hum_dbfs, 0, 'dBFS')}.")
    return lines


def _finding(finding: Finding) -> str:
    lines = [
        f"{paint(f'{finding.severity:<8}', finding.severity)}  "
        f"{wrap(finding.message, _HANG).lstrip()}",
        wrap(finding.now, _HANG + " " * 6, f"{_HANG}{bold('now')}   "),
        wrap(finding.later, _HANG + " " * 6, f"{_HANG}{bold('later')} "),
    ]
    source = f"limit {finding.limit:g} {finding.unit}: {finding.source}"
    lines += [
        dim(line)
        for line in wrap(f"{source} ({finding.status})", _HANG + " " * 6, _HANG).split("\n")
    ]
    return "\n".join(lines)


def _bands(bands: tuple[RoomBand, ...]) -> str:
    head = ("band", "T20 s", "T30 s", "EDT s", "C50 dB", "D50", "Ts ms", "range dB", "")
    rows = [tuple(dim(word) for word in head)]
    for band in bands:
        ts = None if band.ts_s is None else 1000.0 * band.ts_s
        rows.append(
            (
                _hz(band.centre_hz),
                number(band.t20_s, 2),
                number(band.t30_s, 2),
                number(band.edt_s, 2),
                number(band.c50_db, 1),
                number(band.d50, 2),
                number(ts, 0),
                number(band.dynamic_range_db, 0),
                band.reason or "",
            )
        )
    return table(rows, "  ")


def _noise_bands(noise: RoomNoise) -> str:
    rows = [(dim("noise"), *(_hz(band.centre_hz) for band in noise.bands), "")]
    rows.append((dim("dBFS"), *(number(band.level_dbfs, 0) for band in noise.bands), ""))
    if noise.full_scale_db is not None:
        rows.append((dim("dB SPL"), *(number(band.level_db, 0) for band in noise.bands), ""))
    return table(rows, "  ")


def _comparisons(result: RoomResult) -> str:
    lines = [f"  {bold('beside published values')}"]
    for comparison in result.comparisons:
        place = f"{comparison.low_s:.2f} to {comparison.high_s:.2f} s"
        lines.append(wrap(f"{comparison.verdict}: {comparison.name}, {place}", "    ", "  - "))
        source = f"{comparison.source} ({comparison.status})"
        lines += [dim(line) for line in wrap(source, "      ").split("\n")]
    return "\n".join(lines)


def _band_notes(bands: tuple[RoomBand, ...]) -> list[str]:
    """Return each remark once, with the bands it is about."""
    about: dict[str, list[str]] = {}
    for band in bands:
        for remark in band.remarks:
            about.setdefault(remark, []).append(_hz(band.centre_hz))
    return [
        wrap(f"{', '.join(centres)}: {remark}.", "    ", "  - ")
        for remark, centres in about.items()
        if "direct sound" not in remark  # said once for the whole measurement
    ]


def _hz(frequency_hz: float) -> str:
    return f"{frequency_hz / 1000:g} kHz" if frequency_hz >= 1000 else f"{frequency_hz:g} Hz"


@shown_plainly
def render_positions(result: PositionsResult) -> str:
    """Return the comparison of two positions as text, ending in a newline."""
    names = [
        os.path.basename(path) if path else word
        for path, word in ((result.first, "first"), (result.second, "second"))
    ]
    lines = [f"{bold('COMPARE')}  first: {names[0]}, second: {names[1]}  {dim(result.kind)}"]
    lines.append(wrap(bold(verdict(result)), "  "))
    lines += [
        wrap(sentence(difference, result), "    ", "  - ") for difference in result.differences
    ]
    lines += [dim(wrap(remark, "  ")) for remark in result.remarks]
    return "\n".join(lines) + "\n"
