"""What a survey found, for the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from vocheck.plain import shown_plainly
from vocheck.report.text.style import bold, dim, line_width, paint, table, wrap
from vocheck.survey.summary import Counts, Spread, Summary
from vocheck.wording.findings import named
from vocheck.wording.vocabulary import counted, number

MOST_FOLDERS, MOST_FINDINGS, MOST_WORST = 12, 12, 10
"""More would scroll off a screen; the JSON holds all."""

_QUANTILES = ("least", "5 %", "median", "95 %", "greatest")


@shown_plainly
def render_summary(summary: Summary) -> str:
    """Return how a survey's recordings are, what was found in them, and where."""
    every = summary.all
    parts = [
        bold(counted(every.recordings, "recording")),
        f"{every.hours:.1f} hours" if every.hours >= 1 else f"{60 * every.hours:.1f} minutes",
        *(
            paint(f"{count} {verdict}", verdict)
            for verdict, count in (
                ("keep", every.keep),
                ("fixable", every.fixable),
                ("retake", every.retake),
            )
        ),
    ]
    if every.failed:
        parts.append(paint(f"{every.failed} not measured", "fail"))
    sections = [", ".join(parts)]
    sections += filter(
        None, (_findings(summary), _spreads(summary), _worst(summary), _folders(summary.folders))
    )
    return "\n\n".join(sections) + "\n"


def _findings(summary: Summary) -> str:
    shown = summary.findings[:MOST_FINDINGS]
    width = len(str(summary.all.recordings))
    judged = summary.all.recordings - summary.all.failed
    rows = [
        [
            f"{100 * found.recordings / judged:5.1f} %",
            f"{found.recordings:>{width}}",
            named(found.name),
            dim(f"{found.retake} of them to retake") if found.retake else "",
        ]
        for found in shown
    ]
    return _section("What was found", rows, len(summary.findings) - len(shown), "more finding")


def _spreads(summary: Summary) -> str:
    shown = [spread for spread in summary.spreads if spread.shown]
    if not shown:
        return ""
    head = ["", "", *(dim(f"{word:>8}") for word in _QUANTILES)]
    rows = [head, *map(_spread, shown)]
    title = "Measurements"
    if summary.sampled:
        title += f" (5 %, median and 95 % of a sample of {summary.sampled})"
    return f"{bold(title)}\n{table(rows, '  ')}"


def _spread(spread: Spread) -> Sequence[str]:
    values = (spread.least, spread.p5, spread.median, spread.p95, spread.greatest)
    told = (f"{number(value, spread.digits):>8}" for value in values)
    return [spread.label, dim(spread.unit), *told]


def _worst(summary: Summary) -> str:
    shown = summary.worst[:MOST_WORST]
    rows = [
        [paint(bad.verdict, bad.verdict), bad.path, dim(", ".join(map(named, bad.findings)))]
        for bad in shown
    ]
    lines = [_section("Worst", rows)] if rows else []
    failures = summary.failures[:MOST_WORST]
    if failures:
        told = [wrap(failure, "    ", "  ", line_width()) for failure in failures]
        more = summary.all.failed - len(failures)
        told += [dim(f"  and {more} more")] if more else []
        lines.append("\n".join([bold("Not measured"), *told]))
    return "\n\n".join(lines)


def _folders(folders: Sequence[Counts]) -> str:
    if len(folders) < 2:
        return ""
    # Those with most to do first.
    order = sorted(folders, key=lambda one: (-(one.retake + one.failed), -one.fixable, one.folder))
    shown = order[:MOST_FOLDERS]
    columns = {"keep": "keep", "fixable": "fixable", "retake": "retake", "failed": "not measured"}
    head = ["", *map(dim, columns.values())]
    rows = [
        [
            one.folder or ".",
            *(f"{getattr(one, name):>{len(word)}}" for name, word in columns.items()),
        ]
        for one in shown
    ]
    return _section("By folder", [head, *rows], len(folders) - len(shown), "more folder")


def _section(title: str, rows: Sequence[Sequence[str]], more: int = 0, noun: str = "") -> str:
    if not rows:
        return ""
    lines = [bold(title), table(rows, "  ")]
    if more:
        lines.append(dim(f"  and {counted(more, noun)}"))
    return "\n".join(lines)
