"""Handing chosen takes to the edit, for every command that offers it: a timeline, an assembly."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from vocheck.commands.guard import Output
from vocheck.commands.options import complain
from vocheck.errors import VocheckError

if TYPE_CHECKING:
    from vocheck.edit.assembly import Assembly
    from vocheck.edit.plan import LineEdit
    from vocheck.policy.every import Policy

F = TypeVar("F", bound=Callable[..., Any])

FRAME_RATES = (*("23.976", "24", "25", "29.97", "29.97df", "30", "50", "59.94", "59.94df", "60"),)
"""The names of `vocheck.edit.timecode.RATES`, so that ``--help`` imports nothing."""


def edit_options(what: str) -> Callable[[F], F]:
    """Add ``--timeline``, ``--frame-rate``, and ``--render`` for an assembly of `what`."""

    def add(function: F) -> F:
        function = frame_rate_option("of the timeline")(function)
        function = click.option(
            "--render",
            type=Output(".wav"),
            metavar="OUT.wav",
            help=f"Also write a rough assembly of {what}: joined, equally loud, room tone between.",
        )(function)
        return click.option(
            "--timeline",
            type=Output(".otio", ".edl"),
            metavar="OUT",
            help="Also write a timeline for the edit: OpenTimelineIO (.otio) or CMX 3600 (.edl).",
        )(function)

    return add


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


def hand_over(
    lines: Sequence[LineEdit],
    policy: Policy,
    title: str,
    timeline: Path | None,
    frame_rate: str,
    render: Path | None,
) -> Assembly | None:
    """Write the timeline and the assembly of chosen takes, whichever is asked for.

    Parameters
    ----------
    lines : sequence of LineEdit
    policy : Policy
    title : str
        Of the timeline.
    timeline, render : Path or None
        Where they go.
    frame_rate : str

    Returns
    -------
    Assembly or None
        What was rendered.

    Raises
    ------
    VocheckError
        If there is no line to lay, or a file cannot be written.
    """
    for output in (timeline, render):
        if output is not None and not lines:
            raise VocheckError(f"{output}: there is no take to lay")
    if timeline is not None:
        _write_timeline(lines, policy, timeline, title, frame_rate)
    if render is None:
        return None
    from vocheck.edit.assembly import assemble
    from vocheck.wording.edit import assembly_sentences

    assembly = assemble(lines, render, policy.edit)
    for told in assembly_sentences(assembly):
        complain(told)
    return assembly


def _write_timeline(
    lines: Sequence[LineEdit], policy: Policy, timeline: Path, title: str, frame_rate: str
) -> None:
    from vocheck.edit.layout import lay_out
    from vocheck.edit.timecode import RATES
    from vocheck.files import replacing
    from vocheck.report.timeline import render_edl, render_otio

    layout = lay_out(
        lines,
        title,
        RATES[frame_rate],
        gap_s=policy.edit.lengths["between_lines"].seconds,
        fade_s=policy.edit.lengths["crossfade"].seconds,
    )
    if timeline.suffix.lower() == ".edl":
        text = render_edl(layout)
    else:
        text = render_otio(layout, timeline.absolute().parent)
    with replacing(timeline) as temporary:
        temporary.write_bytes(text.encode())
