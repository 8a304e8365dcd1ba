"""``vocheck comp``: which take is best where, phrase by phrase."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from vocheck.commands.cutting import edit_options
from vocheck.commands.guard import Command, refuse_idle
from vocheck.commands.options import (
    complain,
    deliver,
    format_option,
    output_option,
    page_options,
    progress,
    session_options,
)

if TYPE_CHECKING:
    from vocheck.edit.plan import LineEdit


@click.command("comp", cls=Command)
@click.argument("takes", nargs=-1, required=True, type=click.Path(path_type=Path))
@page_options("with the grid, to look at and to play from", "listening copies of the takes")
@edit_options("the path of each line")
@format_option("text", "json")
@output_option
@session_options
@click.pass_context
def command(
    ctx: click.Context,
    takes: tuple[Path, ...],
    page: Path | None,
    embed_audio: bool,
    timeline: Path | None,
    render: Path | None,
    frame_rate: str,
    form: str,
    output: Path | None,
    script_file: Path | None,
    pattern: str | None,
    jobs: int | None,
    quiet: bool,
) -> int:
    """Compare the takes of each line phrase by phrase.

    TAKES are folders or files. The cleanest path through the phrases stands first, beside the best
    single take; then the grid of phrases and takes, and what a take has possibly misread.
    """
    from vocheck.commands.cutting import check_timeline, hand_over
    from vocheck.commands.pages import folder_name, write_comp_page
    from vocheck.commands.pool import take_settings
    from vocheck.takes.comp import comp_takes
    from vocheck.takes.overview import make_overview

    if page is None:
        refuse_idle(ctx, ("embed_audio",), "without --html")
    if timeline is None:
        refuse_idle(ctx, ("frame_rate",), "without --timeline")
    check_timeline(timeline)
    with take_settings(takes, jobs, script_file, pattern=pattern) as (paths, settings):
        overview = None
        if page is None:
            comp = comp_takes(paths, settings, progress=progress(quiet))
        else:
            overview = make_overview(paths, settings, progress=progress(quiet))
            comp = overview.comp
        policy = settings.policy
        lines: tuple[LineEdit, ...] = ()
        if timeline or render or embed_audio:
            from vocheck.edit.plan import plan_comp

            lines = plan_comp(comp, policy.edit.lengths)
        joined = hand_over(lines, policy, folder_name(paths), timeline, frame_rate, render)
        if overview is not None and page is not None:
            write_comp_page(overview, page, lines if embed_audio else (), policy.edit, joined)
    if form == "json":
        from vocheck.report.json import render_json

        report = render_json(comp.sheets)
    else:
        from vocheck.report.text.comp import render_sheets

        report = render_sheets(comp.sheets)
    deliver(report, output)
    from vocheck.wording.ranking import session_notes

    for told in (*comp.problems, *session_notes(comp.ranking)):
        complain(told)
    for failure in comp.failures:
        complain(failure.error)
    return 2 if comp.failures else 0
