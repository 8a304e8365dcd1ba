"""The sheet of a final mix: the page that is signed, as a PDF.

What was checked comes first (file, hash, date, version), then the verdict, the loudness over
time, and every check with its source; at the foot a line to sign. What does not fit goes on on
the next page.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from vocheck import __version__
from vocheck.mix.results import DestinationResult, MixResult
from vocheck.plain import shown_plainly
from vocheck.policy.delivery import Check
from vocheck.report.page.drawing import columns
from vocheck.report.paper import ACCENT, COLORS, INK, SOFT, WAVE, blank_page, pdf_of, quiet
from vocheck.wording.delivery import check_source, check_words, reason
from vocheck.wording.mix import (
    at,
    coding,
    digital_silence,
    extent,
    gain,
    loudness_words,
    mono_words,
    one_channel,
    sentence,
    shown_lufs,
    shown_target,
    track,
    two_speakers,
)
from vocheck.wording.vocabulary import clock, file_name, number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LEFT, _WIDTH, _BOTTOM = 0.08, 0.84, 0.15
_LINE = 0.0135  # of the height of the page, for 8 points
_COLUMNS = 500  # of the drawing
_MOMENTARY_S, _SHORT_TERM_S = 0.4, 3.0
_TICKS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
_MOST_TICKS = 9  # their numbers do not touch
_RANGE_LU = 36.0  # our choice: speech and most of its pauses
_FINE_S = 600.0  # for more than that, momentary loudness is one solid block on paper
_CONTRACT = (
    "This sheet tells what vocheck measured in the file named above. The recipient's contract and "
    "own check win over any number here."
)

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class SheetHead:
    """What a sheet says of the check itself; given, so that the same results give the same bytes.

    Attributes
    ----------
    title : str
    checked : datetime or None
        When the mix was checked.
    sha256 : mapping of str to str
        Of each file, by the mix's path.
    """

    title: str = "Check of a final mix"
    checked: datetime | None = None
    sha256: Mapping[str, str] = field(default_factory=dict)


@shown_plainly
def render_mix_pdf(results: Sequence[MixResult], head: SheetHead | None = None) -> bytes:
    """Return final mixes as a PDF to be signed, each from a page of its own on.

    Parameters
    ----------
    results : sequence of MixResult
    head : SheetHead, optional
    """
    head = head or SheetHead()
    names = ", ".join(file_name(result.path) for result in results)
    return pdf_of(
        chain.from_iterable(pages_of(result, head) for result in results),
        title=f"{head.title}: {names}",
        creator=f"vocheck {__version__}",
        made=head.checked,
    )


@dataclass(frozen=True)
class Words:
    """A paragraph of a sheet.

    Attributes
    ----------
    text : str
    size : float
        In points.
    color, weight : str
    indent : float
        Of the width of the page.
    space : float
        Above it, of the height of the page.
    """

    text: str
    size: float = 8.0
    color: str = INK
    weight: str = "normal"
    indent: float = 0.0
    space: float = 0.0

    @property
    def lines(self) -> list[str]:
        """The text, wrapped to the width of the page."""
        return textwrap.wrap(self.text, round(118 * 8.0 / self.size * (1 - self.indent))) or [""]

    @property
    def height(self) -> float:
        """With the space above, of the height of the page."""
        return self.space + _LINE * self.size / 8.0 * len(self.lines)


def pages_of(result: MixResult, head: SheetHead) -> list[Figure]:
    """Return the drawn pages of one mix."""
    page = blank_page()
    y = _written(page, 0.95, _head(result, head))
    y = _written(page, y, _verdict(result))
    _loudness_over_time(page, (_LEFT + 0.02, y - 0.22, _WIDTH - 0.02, 0.19), result)
    y -= 0.26
    more = f"{head.title}: {file_name(result.path)}, continued"
    return _finished(page, y, _body(result), more, _CONTRACT)


def sheet_pages(body: Iterable[Words], more: str, foot: str) -> list[Figure]:
    """Return pages of paragraphs, each with a line to sign.

    Parameters
    ----------
    body : iterable of Words
    more : str
        Heads every page but the first.
    foot : str
        Stands above the line to sign.
    """
    return _finished(blank_page(), 0.95, body, more, foot)


def _finished(page: Figure, y: float, body: Iterable[Words], more: str, foot: str) -> list[Figure]:
    """Write paragraphs from a height on, on as many pages as they need."""
    pages = [page]
    for words in body:
        if y - words.height < _BOTTOM:
            page = blank_page()
            pages.append(page)
            y = _written(page, 0.95, [Words(more, 10, weight="bold")]) - 0.01
        y = _written(page, y, [words])
    for i, page in enumerate(pages, start=1):
        _foot(page, f"page {i} of {len(pages)}", foot)
    return pages


def _written(page: Figure, y: float, paragraphs: Sequence[Words]) -> float:
    """Write paragraphs below each other and return where the next one goes."""
    for words in paragraphs:
        page.text(
            _LEFT + words.indent * _WIDTH,
            y - words.space,
            "\n".join(words.lines),
            size=words.size,
            color=words.color,
            weight=words.weight,
            va="top",
            linespacing=1.25,
            parse_math=False,
        )
        y -= words.height
    return y


def _head(result: MixResult, head: SheetHead) -> list[Words]:
    sha256 = head.sha256.get(result.path)
    lines = [
        Words(head.title, 10, SOFT),
        Words(file_name(result.path), 16, weight="bold", space=0.004),
        Words(", ".join([coding(result), *_form(result)]), 8, SOFT, space=0.004),
    ]
    if sha256:
        lines.append(Words(f"SHA-256 {sha256}", 8, SOFT))
    checked = f"checked {head.checked:%Y-%m-%d %H:%M %Z}".rstrip() if head.checked else ""
    lines.append(Words(", ".join(filter(None, [checked, f"vocheck {__version__}"])), 8, SOFT))
    if words := track(result):
        lines.append(Words(words, 8, SOFT))
    return lines


def _form(result: MixResult) -> list[str]:
    source = result.source
    channels = {1: "one channel", 2: "stereo", 6: "5.1"}.get(source.channels)
    length = extent(result) or f"{clock(source.duration_s)} long"
    rate = f"{source.rate_hz / 1000:g} kHz"
    return [rate, channels or f"{source.channels} channels", length]


def _verdict(result: MixResult) -> list[Words]:
    color = COLORS[result.verdict]
    return [
        Words(result.verdict.upper(), 20, color, "bold", space=0.012),
        Words(sentence(result), 10, space=0.004),
    ]


def _body(result: MixResult) -> Iterator[Words]:
    """Yield what stands below the drawing: faults and destinations first, then the numbers."""
    poor = [check for check in result.checks if check.verdict != "pass"]
    if poor:
        yield Words("The mix itself", 10, weight="bold", space=0.01)
        yield from map(_check, poor)
    for destination in sorted(result.destinations, key=lambda d: _ORDER.index(d.verdict)):
        yield from _destination(destination)
    yield Words("Measured", 10, weight="bold", space=0.01)
    for name, words in _facts(result):
        yield Words(f"{name}: {words}", indent=0.02)


_ORDER = ("fail", "cannot tell", "warn", "not published", "pass")


def _destination(result: DestinationResult) -> Iterator[Words]:
    head = f"{result.verdict.upper()}   {result.title} ({result.name})"
    yield Words(head, 10, COLORS[result.verdict], "bold", space=0.01)
    yield from map(_check, sorted(result.checks, key=lambda check: _ORDER.index(check.verdict)))
    if words := one_channel(result):
        yield Words(words, color=SOFT, indent=0.02)
    if words := gain(result):
        yield Words(f"gain: {words}", color=SOFT, indent=0.02)


def _check(check: Check) -> Words:
    why = reason(check) if check.verdict != "pass" else ""
    words = f"{check.verdict}: {check_words(check)} ({check_source(check)})"
    return Words(
        f"{words}. {why}" if why else words,
        color=INK if check.verdict == "pass" else COLORS[check.verdict],
        indent=0.02,
    )


def _facts(result: MixResult) -> Iterator[tuple[str, str]]:
    m = result.measurements
    yield "Loudness", loudness_words(result)
    for name, level, time_s in (
        ("Loudest 3 s", m.loudness.short_term_max_lufs, m.loudness.short_term_max_s),
        ("Loudest 0.4 s", m.loudness.momentary_max_lufs, m.loudness.momentary_max_s),
    ):
        if level is not None:
            yield name, at(number(shown_lufs(result, level), unit="LUFS"), time_s)
    if m.loudness.range_lu is not None:
        yield "Loudness range", number(m.loudness.range_lu, unit="LU")
    yield "True peak", at(number(m.true_peak.level_dbtp, unit="dBTP"), m.true_peak.time_s)
    if m.peaks_over_limit:
        limit = number(m.peak_limit_dbtp, unit="dBTP")
        yield f"Places over {limit}", str(len(m.peaks_over_limit))
    if silent := digital_silence(m):
        yield "Digital silence", silent
    if m.mono_fold_down_lu is not None:
        yield "Played in mono", mono_words(m.mono_fold_down_lu)
    if m.voice_to_bed_lu is not None:
        yield "Voice over bed", number(m.voice_to_bed_lu, unit="LU")
    if m.dialogue_lufs is not None:
        yield "With the voice", number(shown_lufs(result, m.dialogue_lufs), unit="LUFS")


def _foot(page: Figure, number_of_page: str, contract: str) -> None:
    lines = textwrap.fill(contract, 118)
    page.text(_LEFT, 0.115, lines, size=8, color=SOFT, va="top", parse_math=False)
    for x, words in ((0.0, "Name"), (0.36, "Date"), (0.56, "Signature")):
        page.text(_LEFT + x * _WIDTH, 0.048, words, size=7.5, color=SOFT, parse_math=False)
    axes = page.add_axes((_LEFT, 0.060, _WIDTH, 0.004))
    axes.axis("off")
    axes.set(xlim=(0, 1), ylim=(0, 1))
    for start, end in ((0.0, 0.33), (0.36, 0.53), (0.56, 1.0)):
        axes.plot([start, end], [0.5, 0.5], color=INK, linewidth=0.6)
    words = f"vocheck {__version__}, {number_of_page}"
    page.text(_LEFT, 0.022, words, size=7.5, color=SOFT, parse_math=False)


def _loudness_over_time(
    page: Figure, place: tuple[float, float, float, float], result: MixResult
) -> None:
    """Draw loudness against the middle of its windows, in the time of the file."""
    axes = page.add_axes(place)
    source = result.source
    end_s = source.start_s + source.duration_s
    highest = _curves(axes, result)
    targets: dict[float, list[str]] = {}
    for destination in result.destinations:
        level = shown_target(result, destination)
        if level is not None:
            targets.setdefault(round(level, 1), []).append(destination.name)
    for level, names in targets.items():
        axes.axhline(level, color=INK, linewidth=0.8, linestyle="--")
        words = f" {', '.join(names)} {level:g}"
        axes.text(0, level, words, size=7, color=INK, va="bottom", parse_math=False)
    top = 5.0 * math.ceil((max([highest, *targets]) + 1.0) / 5.0)
    step = next((s for s in _TICKS_S if end_s / s <= _MOST_TICKS), 2 * _TICKS_S[-1])
    ticks = np.arange(0.0, end_s + 0.01, step)
    axes.set(xlim=(0, end_s or 1.0), ylim=(top - _RANGE_LU, top))
    axes.set_xticks(ticks, [f"{int(s) // 60}:{int(s) % 60:02d}" for s in ticks])
    axes.set_xlabel("minutes:seconds", size=7, color=SOFT)
    read = ", as heard from two speakers" if two_speakers(result) else ""
    read = ", one channel as one" if source.channels == 1 and not read else read
    axes.set_ylabel(f"LUFS{read}", size=7, color=SOFT)
    axes.legend(loc="lower right", fontsize=7, frameon=False)
    quiet(axes)


def _curves(axes: Axes, result: MixResult) -> float:
    """Draw the curves and return the highest level of them."""
    over_time = result.over_time
    extra = shown_lufs(result, 0.0) or 0.0
    short_term = _levels(over_time.short_term_lufs) + extra
    momentary = _levels(over_time.momentary_lufs) + extra

    def middles(places: Floats, window_s: float) -> Floats:
        return over_time.start_s + places * over_time.step_s + window_s / 2

    if result.source.duration_s <= _FINE_S:
        band, window_s, name = momentary, _MOMENTARY_S, "momentary (0.4 s), least to greatest"
    else:
        band, window_s, name = short_term, _SHORT_TERM_S, "short-term (3 s), least to greatest"
    places, low, high = columns(band, _COLUMNS)
    axes.fill_between(
        middles(places, window_s), low, high, color=WAVE, alpha=0.45, linewidth=0.3, label=name
    )
    places, low, high = columns(short_term, _COLUMNS)
    middle = (low + high) / 2
    axes.plot(
        middles(places, _SHORT_TERM_S),
        middle,
        color=ACCENT,
        linewidth=1.3,
        label="short-term (3 s)",
    )
    known = np.concatenate([momentary, short_term])
    return float(np.nanmax(known)) if np.isfinite(known).any() else -_RANGE_LU


def _levels(lufs: Sequence[float]) -> Floats:
    """Return loudness over time with NaN for silence."""
    levels = np.array(lufs, dtype=np.float64)
    levels[~np.isfinite(levels)] = np.nan
    return levels
