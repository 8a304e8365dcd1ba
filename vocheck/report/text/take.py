"""A take in the terminal: keep it or go again, then why."""

from __future__ import annotations

from string import Formatter

from vocheck.measurements import MEASUREMENTS, group_name
from vocheck.plain import shown_plainly
from vocheck.policy.judge import Finding
from vocheck.report.text.style import bold, dim, paint, table, wrap
from vocheck.results import Group, Row
from vocheck.session.each import Failure
from vocheck.session.take import TakeResult
from vocheck.wording.findings import later, limit_source, measured, now, places, what
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
    blocks = [f"{_headline(result)}\n{wrap(advice(result), '  ')}"]
    blocks += [_finding(finding) for finding in result.findings]
    if result.reading is not None:
        blocks.append(wrap(reading_sentence(result.reading), "  "))
    if details:
        blocks.append(_facts(result))
    if result.delivery:
        from vocheck.wording.delivery import delivery_sentence

        blocks += [wrap(delivery_sentence(delivery), "  ") for delivery in result.delivery]
    return "\n\n".join(blocks) + "\n"


@shown_plainly
def render_failure(failure: Failure) -> str:
    """Return one line for a file that could not be done."""
    return f"{paint('UNREAD', 'fail')}   {failure.error}\n"


def _headline(result: TakeResult) -> str:
    """Return the first line: the verdict in one word, and which take it is about."""
    word = paint(f"{verdict_word(result.verdict):<8}", result.verdict)
    source = result.source
    parts = [f"{source.duration_s:.1f} s", hertz(source.rate_hz), channels(source.channels)]
    if source.bits:
        parts.insert(2, f"{source.bits} bit")
    return f"{word}  {bold(file_name(result.path))}  {dim(', '.join(parts))}"


def _finding(finding: Finding) -> str:
    severity = paint(f"{finding.severity:<8}", finding.severity)
    lines = [f"{severity}  {wrap(what(finding), _INDENT).lstrip()}"]
    found = measured(finding)
    if finding.times_s:
        found = f"{found}{' · ' if found else ''}at {places(finding)}"
    if found:
        lines.append(wrap(found, _INDENT + " " * 6, f"{_INDENT}found "))
    lines.append(wrap(now(finding), _INDENT + " " * 6, f"{_INDENT}{bold('now')}   "))
    lines.append(wrap(later(finding), _INDENT + " " * 6, f"{_INDENT}{bold('later')} "))
    source = f"limit {limit_source(finding)}"
    lines.append(
        "\n".join(dim(line) for line in wrap(source, _INDENT + " " * 6, _INDENT).split("\n"))
    )
    return "\n".join(lines)


def _facts(result: TakeResult) -> str:
    reasons = result.not_measured
    rows = []
    for module in MEASUREMENTS:
        group: Group = getattr(result.measurements, group_name(module))
        shown: list[Row] = [row for row in module.ROWS if row.shown]
        for row in shown:
            reason = reasons.get(f"{group_name(module)}.{row.field}", "")
            rows.append((dim(row.label), _fact(group, row, reason)))
    return table(rows, "  ")


def _fact(group: Group, row: Row, reason: str) -> str:
    value = getattr(group, row.field)
    if value is None:
        return _short(reason)
    text = number(value, row.digits, row.unit)
    values = vars(group)
    beside = {name for _, name, _, _ in Formatter().parse(row.beside) if name}
    if beside and all(values[name] is not None for name in beside):
        text += f" ({row.beside.format(**values)})"
    return text


def _short(reason: str) -> str:
    return f"cannot tell: {reason}" if reason else "–"
