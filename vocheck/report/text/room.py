"""A room in the terminal: the answer in words first, then the bands."""

from __future__ import annotations

from vocheck.plain import shown_plainly
from vocheck.policy.judge import Finding
from vocheck.report.text.style import bold, dim, paint, table, wrap
from vocheck.room import RoomBand, RoomNoise, RoomResult
from vocheck.room.positions import PositionsResult
from vocheck.wording.findings import later, now, what
from vocheck.wording.positions import sentence, verdict
from vocheck.wording.room import (
    answers,
    comparison_name,
    excitation_words,
    notes,
    notice_sentence,
)
from vocheck.wording.vocabulary import file_name, hertz, number

_HANG = " " * 10


@shown_plainly
def render_room(result: RoomResult) -> str:
    """Return a room measurement as text, ending in a newline."""
    name = file_name(result.path)
    more = f" and {len(result.paths) - 1} more" if len(result.paths) > 1 else ""
    blocks = [f"{bold('ROOM')}  {name}{more}  {dim(excitation_words(result))}"]
    blocks[0] += "\n" + "\n".join(wrap(line, "  ") for line in answers(result))
    blocks += [_finding(finding) for finding in result.findings]
    if result.bands:
        blocks.append(_bands(result.bands))
    if result.noise:
        blocks.append(_noise_bands(result.noise))
    if result.comparisons:
        blocks.append(_comparisons(result))
    if told := [wrap(note, "    ", "  - ") for note in notes(result)]:
        blocks.append(f"  {bold('notes')}\n" + "\n".join(told))
    return "\n\n".join(blocks) + "\n"


def _finding(finding: Finding) -> str:
    lines = [
        f"{paint(f'{finding.severity:<8}', finding.severity)}  "
        f"{wrap(what(finding), _HANG).lstrip()}",
        wrap(now(finding), _HANG + " " * 6, f"{_HANG}{bold('now')}   "),
        wrap(later(finding), _HANG + " " * 6, f"{_HANG}{bold('later')} "),
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
                hertz(band.centre_hz),
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
    rows = [(dim("noise"), *(hertz(band.centre_hz) for band in noise.bands), "")]
    rows.append((dim("dBFS"), *(number(band.level_dbfs, 0) for band in noise.bands), ""))
    if noise.full_scale_db is not None:
        rows.append((dim("dB SPL"), *(number(band.level_db, 0) for band in noise.bands), ""))
    return table(rows, "  ")


def _comparisons(result: RoomResult) -> str:
    lines = [f"  {bold('beside published values')}"]
    for comparison in result.comparisons:
        place = f"{comparison.low_s:.2f} to {comparison.high_s:.2f} s"
        lines.append(
            wrap(f"{comparison.verdict}: {comparison_name(comparison)}, {place}", "    ", "  - ")
        )
        source = f"{comparison.source} ({comparison.status})"
        lines += [dim(line) for line in wrap(source, "      ").split("\n")]
    return "\n".join(lines)


@shown_plainly
def render_positions(result: PositionsResult) -> str:
    """Return the comparison of two positions as text, ending in a newline."""
    first, second = file_name(result.first, "first"), file_name(result.second, "second")
    lines = [f"{bold('COMPARE')}  first: {first}, second: {second}  {dim(result.kind)}"]
    lines.append(wrap(bold(verdict(result)), "  "))
    lines += [
        wrap(sentence(difference, result), "    ", "  - ") for difference in result.differences
    ]
    lines += [dim(wrap(notice_sentence(notice), "  ")) for notice in result.notices]
    return "\n".join(lines) + "\n"
