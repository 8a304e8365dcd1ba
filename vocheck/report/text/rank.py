"""A ranked session in the terminal: each line's takes in order, with reasons and flags."""

from __future__ import annotations

import os

from vocheck.plain import shown_plainly
from vocheck.policy.words import fill
from vocheck.report.text.style import VERDICT_WORDS, as_sentence, bold, dim, paint, wrap
from vocheck.report.text.take import delivery_sentence, places, render_failure
from vocheck.takes.rank import LineRanking, RankedTake, Ranking

_INDENT = " " * 4


@shown_plainly
def render_ranking(ranking: Ranking) -> str:
    """Return a whole session as text, ending in a newline."""
    blocks = [wrap(session_sentence(ranking))]
    blocks += [_line(line) for line in ranking.lines]
    blocks += [render_failure(failure).rstrip() for failure in ranking.failures]
    if any(_one_channel(take) for line in ranking.lines for take in line.order):
        blocks.append(dim(wrap(ONE_CHANNEL)))
    if ranking.left_out:
        names = ", ".join(os.path.basename(path) for path in ranking.left_out)
        blocks.append(dim(wrap(f"Left out, not named like takes: {names}")))
    return "\n\n".join(blocks) + "\n"


ONE_CHANNEL = (
    "Loudness against a target: a take of one channel is counted as played on two speakers."
)


def _one_channel(take: RankedTake) -> bool:
    return bool(take.result.delivery) and take.result.source.channels == 1


def session_sentence(ranking: Ranking) -> str:
    """Return in a sentence whether every line has a clean take."""
    if not ranking.lines:
        return "No take could be ranked."
    missing = [
        line.line
        for line in ranking.lines
        if not any(take.verdict == "keep" for take in line.order)
    ]
    lines, takes = len(ranking.lines), sum(len(line.order) for line in ranking.lines)
    counted = fill(
        "{lines} {lines?line|lines}, {takes} {takes?take|takes}.", lines=lines, takes=takes
    )
    if missing:
        return f"{counted} Still needs a clean take: {', '.join(missing)}."
    return f"{counted} Every line has a clean take."


def _line(line: LineRanking) -> str:
    head = bold(f"Line {line.line}")
    if line.undecided:
        head += dim("  first two cannot be told apart")
    parts = [head, *(_take(take) for take in line.order)]
    if line.nearest_clean:
        parts.append(
            wrap(
                f"The circled take needs a retake; the nearest clean one is "
                f"{os.path.basename(line.nearest_clean)}.",
                "  ",
            )
        )
    return "\n".join(parts)


def _take(take: RankedTake) -> str:
    word = paint(f"{VERDICT_WORDS[take.verdict]:<8}", take.verdict)
    name = os.path.basename(take.path) if take.path else "recording"
    circled = " (circled)" if take.circled else ""
    points = f"{-take.score:.1f} points of damage" if take.score < -0.05 else "no extra damage"
    lines = [f"  {take.position}  {word} {bold(name)}{circled}  {dim(points)}"]
    lines += [
        wrap(as_sentence(reason), _INDENT + " " * 4, _INDENT + "  ") for reason in take.reasons
    ]
    for finding in take.result.findings:
        if finding.severity == "note":
            continue
        where = f" At {places(finding, 4)}." if finding.times_s else ""
        mark = paint(finding.severity, finding.severity)
        body = wrap(f"{finding.message}{where}", _INDENT + " " * 11)
        lines.append(f"{_INDENT}  {mark}{' ' * (9 - len(finding.severity))}{body.lstrip()}")
    lines += [
        dim(line)
        for delivery in take.result.delivery
        for line in wrap(delivery_sentence(delivery), _INDENT + " " * 4, _INDENT + "  ").split("\n")
    ]
    if take.note.remark:
        lines.append(wrap(f"Note: {take.note.remark}", _INDENT + " " * 4, _INDENT + "  "))
    return "\n".join(lines)
