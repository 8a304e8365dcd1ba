"""The sheet: a session or a final mix on paper, as a PDF with one page per line or per mix.

The same results give the same bytes: no date is written and nothing depends on the clock.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Iterable, Sequence
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

from vocheck.mix.results import MixResult
from vocheck.plain import shown_plainly
from vocheck.policy.destinations import FACTS
from vocheck.takes.comp import CompSheet
from vocheck.takes.overview import Overview, Picture
from vocheck.takes.rank import LineRanking, RankedTake
from vocheck.wording.comp import answer, deviation_sentence, short_names
from vocheck.wording.mix import gain
from vocheck.wording.ranking import landing, row, session_sentence, standing_sentence, take_list
from vocheck.wording.vocabulary import NOT_TOLD, VERDICT_WORDS, clock, file_name, number, shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

A4_IN = (8.27, 11.69)
TAKES_PER_PAGE, LINES_PER_PAGE = 6, 30
_INK, _SOFT, _WAVE, _ACCENT = "#20262b", "#56606a", "#7c8b90", "#1f5f6b"
_COLORS = {
    **{"keep": "#1f6b3a", "fixable": "#7a5200", "retake": "#a3261b", "note": "#2b5a8c"},
    **{"pass": "#1f6b3a", "warn": "#7a5200", "fail": "#a3261b", "not published": "#56606a"},
}
_FOOT = "vocheck. The recipient's contract and own check win over any number here."


@shown_plainly
def render_session_pdf(overview: Overview, title: str) -> bytes:
    """Return the session as a PDF: which take to use, then the takes of each line drawn.

    Parameters
    ----------
    overview : Overview
    title : str
        Of the session.
    """
    pages = (page for sheet in overview.sheets for page in _line_pages(sheet, overview, title))
    return _pdf(chain(_table_pages(overview, title), pages))


@shown_plainly
def render_mix_pdf(results: Sequence[MixResult]) -> bytes:
    """Return final mixes as a PDF, a page each: loudness over time, peaks, destinations."""
    return _pdf(map(_mix_page, results))


def _pdf(pages: Iterable[Figure]) -> bytes:
    from matplotlib.backends.backend_pdf import PdfPages

    out = io.BytesIO()
    # Without a creation date the same pages are the same bytes.
    with PdfPages(out, metadata={"Creator": "vocheck", "CreationDate": None}) as pdf:
        for page in pages:
            pdf.savefig(page)
    return out.getvalue()


def _page(title: str, subtitle: str) -> Figure:
    from matplotlib.figure import Figure

    page = Figure(figsize=A4_IN)
    page.text(0.07, 0.955, title, size=16, weight="bold", color=_INK, parse_math=False)
    _paragraph(page, 0.07, 0.945, subtitle, size=10, width=92)
    page.text(0.07, 0.025, _FOOT, size=7.5, color=_SOFT)
    return page


def _paragraph(
    page: Figure, x: float, y: float, text: str, size: float, width: int, color: str = _INK
) -> None:
    page.text(x, y, textwrap.fill(text, width), size=size, color=color, va="top", parse_math=False)


def _table_pages(overview: Overview, title: str) -> Iterable[Figure]:
    """Draw the table of the session: a line each, as the terminal and the page have it."""
    ranking = overview.ranking
    rows = [row(line) for line in ranking.lines]
    for first in range(0, len(rows), LINES_PER_PAGE):
        page = _page(title, session_sentence(ranking))
        axes = _blank(page, (0.07, 0.12, 0.87, 0.76))
        places = [0.0, 0.20, 0.38, 0.52, 0.60]
        head = ["line", "use", "as clean", "", "what to know"]
        _row(axes, 0, head, places, _SOFT, of=LINES_PER_PAGE)
        for i, one in enumerate(rows[first : first + LINES_PER_PAGE], start=1):
            cells = [
                shortened(one.line, 26),
                shortened(f"{one.use} (circled)" if one.circled else one.use, 24),
                shortened(take_list(one.as_clean), 18) or NOT_TOLD,
                VERDICT_WORDS[one.verdict],
                shortened("; ".join(one.know), 56),
            ]
            _row(axes, i, cells, places, _INK, {3: _COLORS[one.verdict]}, of=LINES_PER_PAGE)
        _paragraph(page, 0.07, 0.10, " ".join(landing(ranking)), 8.5, 110, _SOFT)
        yield page


def _line_pages(sheet: CompSheet, overview: Overview, title: str) -> Iterable[Figure]:
    names = short_names(sheet)
    order = sheet.ranking.order
    for first in range(0, len(order), TAKES_PER_PAGE):
        part = order[first : first + TAKES_PER_PAGE]
        more = "" if first == 0 else ", continued"
        lines = [answer(sheet), *(deviation_sentence(d, names) for d in sheet.deviations)]
        page = _page(f"{title}: {sheet.line}{more}", " ".join(lines))
        _ranked_table(page, part, sheet.ranking, names[first:])
        top, height = 0.70, 0.62 / TAKES_PER_PAGE
        for i, ranked in enumerate(part):
            low = top - (i + 1) * height
            picture = overview.pictures[ranked.path or ""]
            _wave(
                page, (0.07, low + 0.022, 0.56, height - 0.040), ranked, names[first + i], picture
            )
            _spectrum(page, (0.70, low + 0.026, 0.24, height - 0.044), ranked)
        yield page


def _ranked_table(
    page: Figure, takes: Sequence[RankedTake], line: LineRanking, names: Sequence[str]
) -> None:
    axes = _blank(page, (0.07, 0.72, 0.87, 0.18))
    head = ["", "take", "verdict", "how clean", "LUFS", "dBTP", "noise", "SNR", "RT60", "why"]
    places = [0.0, 0.03, 0.12, 0.20, 0.32, 0.38, 0.44, 0.50, 0.55, 0.60]
    _row(axes, 0, head, places, _SOFT)
    for i, (ranked, name) in enumerate(zip(takes, names, strict=False), start=1):
        m = ranked.result.measurements
        cells = [
            str(ranked.position),
            f"{name} ○" if ranked.circled else name,
            VERDICT_WORDS[ranked.verdict],
            ranked.standing.grade if ranked.standing.kind != "best" else "cleanest",
            number(m.loudness.integrated_lufs),
            number(m.true_peak.level_dbtp),
            number(m.noise.floor_dbfs, 0),
            number(m.noise.snr_db, 0),
            number(m.reverberation.rt60_s, 2),
            textwrap.shorten(standing_sentence(ranked, line), 58, placeholder=" ..."),
        ]
        _row(axes, i, cells, places, _INK, {2: _COLORS[ranked.verdict]})


def _row(
    axes: Axes,
    number: int,
    cells: Sequence[str],
    places: Sequence[float],
    color: str,
    colors: dict[int, str] | None = None,
    of: int = TAKES_PER_PAGE,
) -> None:
    y = 1.0 - number / (of + 1)
    for i, (cell, x) in enumerate(zip(cells, places, strict=True)):
        ink = (colors or {}).get(i, color)
        axes.text(x, y, cell, size=7.5, color=ink, va="top", parse_math=False)


def _blank(page: Figure, place: tuple[float, float, float, float]) -> Axes:
    axes = page.add_axes(place)
    axes.set(xlim=(0, 1), ylim=(0, 1))
    axes.axis("off")
    return axes


def _wave(
    page: Figure,
    place: tuple[float, float, float, float],
    ranked: RankedTake,
    name: str,
    picture: Picture,
) -> None:
    axes = page.add_axes(place)
    duration = ranked.result.source.duration_s
    times = np.linspace(0.0, duration, len(picture.low))
    axes.fill_between(times, picture.low, picture.high, color=_WAVE, linewidth=0)
    peak = max(float(np.abs(picture.low).max()), float(np.abs(picture.high).max()), 1e-6)
    for finding in ranked.result.findings:
        for time in finding.times_s:
            axes.axvline(time, color=_COLORS[finding.severity], linewidth=1.2)
    words = " ".join(f.message for f in ranked.result.findings if f.severity != "note")
    axes.set_title(
        textwrap.shorten(f"{ranked.position}  {name}   {words}", 100, placeholder=" ..."),
        loc="left",
        size=7.5,
        color=_COLORS[ranked.verdict],
        pad=2,
        parse_math=False,
    )
    axes.set(xlim=(0, duration or 1), ylim=(-peak, peak), yticks=[])
    _quiet(axes)


def _spectrum(page: Figure, place: tuple[float, float, float, float], ranked: RankedTake) -> None:
    axes = page.add_axes(place)
    bands = [b for b in ranked.result.measurements.tone.ltas or () if np.isfinite(b.level_db)]
    if bands:
        axes.semilogx([b.centre_hz for b in bands], [b.level_db for b in bands], color=_ACCENT)
    axes.set(xlim=(50, 20_000), ylim=(-70, 0), yticks=[-60, -40, -20, 0])
    axes.set_xticks([100, 1000, 10_000], ["100 Hz", "1 kHz", "10 kHz"])
    axes.minorticks_off()
    axes.set_title("speech by third octaves, dB", loc="left", size=7, color=_SOFT, pad=2)
    _quiet(axes)


def _quiet(axes: Axes) -> None:
    axes.tick_params(labelsize=6.5, colors=_SOFT, length=2)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(_SOFT)


def _mix_page(result: MixResult) -> Figure:
    m = result.measurements
    facts = (
        f"{number(m.loudness.integrated_lufs, 1, 'LUFS')}, "
        f"true peak {number(m.true_peak.level_dbtp, 1, 'dBTP')}, "
        f"loudest 3 s {number(m.loudness.short_term_max_lufs, 1, 'LUFS')}, "
        f"{clock(result.source.duration_s)} long"
    )
    page = _page(file_name(result.path), facts)
    _loudness_over_time(page, (0.09, 0.62, 0.85, 0.27), result)
    axes = _blank(page, (0.07, 0.06, 0.87, 0.50))
    y = 1.0
    for destination in result.destinations:
        color = _COLORS[destination.verdict]
        head = f"{destination.verdict.upper()}   {destination.title}"
        axes.text(0, y, head, size=10, weight="bold", color=color, va="top", parse_math=False)
        y -= 0.05
        for check in destination.checks:
            value = check.value
            if not isinstance(value, str):
                value = number(value, FACTS[check.fact].decimals, check.unit)
            words = f"{check.verdict}: {check.what} {value}, {check.limit} ({check.status})"
            y = _written(axes, y, words, _INK)
        y = _written(axes, y, f"gain: {gain(destination)}", _SOFT) - 0.02
        if y < 0.05:
            break
    return page


def _written(axes: Axes, y: float, text: str, color: str) -> float:
    """Write a wrapped sentence and return where the next line goes."""
    lines = textwrap.wrap(text, 118)
    axes.text(0.02, y, "\n".join(lines), size=8, color=color, va="top", parse_math=False)
    return y - 0.028 * len(lines)


def _loudness_over_time(
    page: Figure, place: tuple[float, float, float, float], result: MixResult
) -> None:
    axes = page.add_axes(place)
    series: list[tuple[Sequence[float], str, str, float]] = [
        (result.over_time.momentary_lufs, "momentary (0.4 s)", _WAVE, 0.7),
        (result.over_time.short_term_lufs, "short-term (3 s)", _ACCENT, 1.6),
    ]
    for values, label, color, width in series:
        levels = np.array(values, dtype=np.float64)
        levels[~np.isfinite(levels)] = np.nan
        times = np.arange(len(levels)) * result.over_time.step_s
        axes.plot(times, levels, label=label, color=color, linewidth=width)
    for destination in result.destinations:
        level = destination.target_lufs
        if level is not None:
            axes.axhline(level, color=_INK, linewidth=0.8, linestyle="--")
            axes.text(
                0,
                level,
                f" {destination.name} {level:g}",
                size=7,
                color=_INK,
                va="bottom",
                parse_math=False,
            )
    axes.set(ylim=(-50, 0), xlabel="s", ylabel="LUFS")
    axes.legend(loc="lower right", fontsize=7, frameon=False)
    _quiet(axes)
