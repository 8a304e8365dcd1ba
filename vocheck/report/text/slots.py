"""Lines against the picture in the terminal: one row each, and what does not fit."""

from __future__ import annotations

from vocheck.edit.slots import LineFit, SlotsResult
from vocheck.plain import shown_plainly
from vocheck.report.text.style import bold, dim, paint, table, wrap
from vocheck.wording.slots import FITS, FOUND_BY, fit_text, remarks, take_name
from vocheck.wording.vocabulary import counted, file_name, number


@shown_plainly
def render_slots(result: SlotsResult) -> str:
    """Return how each line fits, as text ending in a newline."""
    head = ("line", "take", "slot", "read", "spare", "pause", "")
    rows = [tuple(map(dim, head)), *(_row(fit) for fit in result.lines)]
    parts = [table(rows)]
    told = [
        wrap(f"{bold(fit.line)}  {text}", "  ") for fit in result.lines if (text := fit_text(fit))
    ]
    if told:
        parts.append("\n".join(told))
    wrong = sum(fit.verdict != "keep" for fit in result.lines)
    found = FOUND_BY[result.found_by]
    rate = f" at {result.frame_rate} frames a second" if result.frame_rate else ""
    parts.append(
        wrap(
            f"{counted(len(result.lines), 'line')} in {file_name(result.picture)}{rate}, found "
            f"{found}: {f'{wrong} not fitting' if wrong else 'all fit'}.",
            "  ",
            "",
        )
    )
    parts += [wrap(remark, "  ", "") for remark in remarks(result)]
    return "\n\n".join(parts) + "\n"


def _row(fit: LineFit) -> tuple[str, ...]:
    return (
        fit.line,
        take_name(fit.path).removeprefix(f"{fit.line}_"),
        f"{fit.start} - {fit.end}",
        number(fit.read_s, 1, "s"),
        f"{fit.spare_s:+.2f} s",
        number(fit.pause_s, 1, "s"),
        paint(FITS[fit.verdict], fit.verdict),
    )
