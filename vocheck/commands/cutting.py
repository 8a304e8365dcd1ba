"""Handing chosen takes to the edit, for every command that offers it: a timeline."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from vocheck.commands.guard import Output
from vocheck.errors import VocheckError

if TYPE_CHECKING:
    from vocheck.edit.plan import LineEdit
    from vocheck.policy.every import Policy

F = TypeVar("F", bound=Callable[..., Any])

FRAME_RATES = (*("23.976", "24", "25", "29.97", "29.97df", "30", "50", "59.94", "59.94df", "60"),)
"""The names of `vocheck.edit.timecode.RATES`, so that ``--help`` imports nothing."""


def timeline_options(function: F) -> F:
    """Add ``--timeline`` and ``--frame-rate``."""
    function = frame_rate_option("of the timeline")(function)
    return click.option(
        "--timeline",
        type=Output(".otio", ".edl"),
        metavar="OUT",
        help="Also write a timeline for the edit: OpenTimelineIO (.otio) or CMX 3600 (.edl).",
    )(function)


def frame_rate_option(what: str) -> Callable[[F], F]:
    """Add ``--frame-rate``."""
    return click.option(
        "--frame-rate",
        type=click.Choice(FRAME_RATES),
        default="25",
        show_default=True,
        help=f"Frames a second {what}; df is drop frame.",
    )


def check_timeline(timeline: Path | None) -> None:
    """See before anything is measured that the timeline can be written.

    Raises
    ------
    VocheckError
        If the extra that writes it is not installed.
    """
    from importlib.util import find_spec

    from vocheck.edit.timecode import NEEDS_EXTRA

    if timeline is not None and timeline.suffix.lower() == ".otio":
        if find_spec("opentimelineio") is None:
            raise VocheckError(f"{timeline}: {NEEDS_EXTRA}")


def write_timeline(
    lines: Sequence[LineEdit], policy: Policy, timeline: Path, title: str, frame_rate: str
) -> None:
    """Write the timeline of chosen takes.

    Raises
    ------
    VocheckError
        If there is no line to lay, or it cannot be written.
    """
    from vocheck.edit.layout import lay_out
    from vocheck.edit.timecode import RATES
    from vocheck.files import replacing
    from vocheck.report.timeline import render_edl, render_otio

    if not lines:
        raise VocheckError(f"{timeline}: there is no take to lay on a timeline")
    layout = lay_out(
        lines,
        title,
        RATES[frame_rate],
        gap_s=policy.edit["between_lines"].seconds,
        fade_s=policy.edit["crossfade"].seconds,
    )
    if timeline.suffix.lower() == ".edl":
        text = render_edl(layout)
    else:
        text = render_otio(layout, timeline.absolute().parent)
    with replacing(timeline) as temporary:
        temporary.write_bytes(text.encode())
