"""What is read where in a long recording, in words."""

from __future__ import annotations

from collections.abc import Sequence

from vocheck.passes.results import Pass

UNSURE = 0.5
"""A pass that is told with less confidence is shown as one to look at: our choice."""


def kind_words(one: Pass) -> str:
    """Return what a pass is in words."""
    if one.kind == "read" and not one.complete:
        words = "read in part"
    elif one.kind == "read":
        words = "read whole"
    else:
        words = one.kind
    return f"{words}, not sure" if one.confidence < UNSURE else words


def pass_label(one: Pass) -> str:
    """Return a pass as a marker in an editor says it: ``02_kiln t3, read whole``."""
    if one.line is None:
        return kind_words(one)
    return f"{one.line} t{one.attempt}, {kind_words(one)}"


def line_words(line: str, passes: Sequence[Pass]) -> str:
    """Return in a sentence how often a line was read."""
    own = [one for one in passes if one.line == line]
    whole = sum(one.kind == "read" and bool(one.complete) for one in own)
    parts = sum(one.kind == "read" and not one.complete for one in own)
    broken = sum(one.kind == "false start" for one in own)
    told = [f"{whole} whole"]
    if parts:
        told.append(f"{parts} in part")
    if broken:
        told.append(f"{broken} false start{'s' if broken > 1 else ''}")
    return ", ".join(told)
