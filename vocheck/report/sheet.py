"""The sheet of a session: on paper, as a PDF with one page per line.

The same results give the same bytes: no date is written and nothing depends on the clock.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

from vocheck.plain import shown_plainly
from vocheck.report.paper import (
    ACCENT,
    COLORS,
    INK,
    SOFT,
    WAVE,
    blank,
    paragraph,
    pdf_of,
    quiet,
    titled,
)
from vocheck.takes.comp import CompSheet
from vocheck.takes.overview import Overview, Picture
from vocheck.takes.rank import LineRanking, RankedTake
from vocheck.wording.comp import answer, deviation_sentence, short_names
from vocheck.wording.findings import what
from vocheck.wording.ranking import landing, row, session_sentence, standing_sentence, take_list
from vocheck.wording.vocabulary import NOT_TOLD, VERDICT_WORDS, number, shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

TAKES_PER_PAGE, LINES_PER_PAGE = 6, 30


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
    return pdf_of(chain(_table_pages(overview, title), pages), title=title)


def _table_pages(overview: Overview, title: str) -> Iterable[Figure]:
    """Draw the table of the session: a line each, as the terminal and the page have it."""
    ranking = overview.ranking
    rows = [row(line) for line in ranking.lines]
    for first in range(0, len(rows), LINES_PER_PAGE):
        page = titled(title, session_sentence(ranking))
        axes = blank(page, (0.07, 0.12, 0.87, 0.76))
        places = [0.0, 0.20, 0.38, 0.52, 0.60]
        head = ["line", "use", "as clean", "", "what to know"]
        _row(axes, 0, head, places, SOFT, of=LINES_PER_PAGE)
        for i, one in enumerate(rows[first : first + LINES_PER_PAGE], start=1):
            cells = [
                shortened(one.line, 26),
                shortened(f"{one.use} (circled)" if one.circled else one.use, 24),
                shortened(take_list(one.as_clean), 18) or NOT_TOLD,
                VERDICT_WORDS[one.verdict],
                shortened("; ".join(one.know), 56),
            ]
            _row(axes, i, cells, places, INK, {3: COLORS[one.verdict]}, of=LINES_PER_PAGE)
        paragraph(page, 0.07, 0.10, " ".join(landing(ranking)), 8.5, 110, SOFT)
        yield page


def _line_pages(sheet: CompSheet, overview: Overview, title: str) -> Iterable[Figure]:
    names = short_names(sheet)
    order = sheet.ranking.order
    for first in range(0, len(order), TAKES_PER_PAGE):
        part = order[first : first + TAKES_PER_PAGE]
        more = "" if first == 0 else ", continued"
        lines = [answer(sheet), *(deviation_sentence(d, names) for d in sheet.deviations)]
        page = titled(f"{title}: {sheet.line}{more}", " ".join(lines))
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
    axes = blank(page, (0.07, 0.72, 0.87, 0.18))
    head = ["", "take", "verdict", "how clean", "LUFS", "dBTP", "noise", "SNR", "RT60", "why"]
    places = [0.0, 0.03, 0.12, 0.20, 0.32, 0.38, 0.44, 0.50, 0.55, 0.60]
    _row(axes, 0, head, places, SOFT)
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
        _row(axes, i, cells, places, INK, {2: COLORS[ranked.verdict]})


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
    axes.fill_between(times, picture.low, picture.high, color=WAVE, linewidth=0)
    peak = max(float(np.abs(picture.low).max()), float(np.abs(picture.high).max()), 1e-6)
    for finding in ranked.result.findings:
        for time in finding.times_s:
            axes.axvline(time, color=COLORS[finding.severity], linewidth=1.2)
    words = " ".join(what(f) for f in ranked.result.findings if f.severity != "note")
    axes.set_title(
        textwrap.shorten(f"{ranked.position}  {name}   {words}", 100, placeholder=" ..."),
        loc="left",
        size=7.5,
        color=COLORS[ranked.verdict],
        pad=2,
        parse_math=False,
    )
    axes.set(xlim=(0, duration or 1), ylim=(-peak, peak), yticks=[])
    quiet(axes)


def _spectrum(page: Figure, place: tuple[float, float, float, float], ranked: RankedTake) -> None:
    axes = page.add_axes(place)
    bands = [b for b in ranked.result.measurements.tone.ltas or () if np.isfinite(b.level_db)]
    if bands:
        axes.semilogx([b.centre_hz for b in bands], [b.level_db for b in bands], color=ACCENT)
    axes.set(xlim=(50, 20_000), ylim=(-70, 0), yticks=[-60, -40, -20, 0])
    axes.set_xticks([100, 1000, 10_000], ["100 Hz", "1 kHz", "10 kHz"])
    axes.minorticks_off()
    axes.set_title("speech by third octaves, dB", loc="left", size=7, color=SOFT, pad=2)
    quiet(axes)
