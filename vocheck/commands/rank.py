"""``vocheck rank``: the takes of each line in order."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vocheck.commands.cutting import edit_options
from vocheck.commands.guard import Command, refuse_idle
from vocheck.commands.options import (
    complain,
    deliver,
    exit_status,
    fail_on_option,
    format_option,
    output_option,
    page_options,
    pdf_option,
    progress,
    session_options,
)

if TYPE_CHECKING:
    from vocheck.session.lineup import Session
    from vocheck.session.settings import Options
    from vocheck.takes.rank import Ranking

DEFAULT_TARGETS = ("social",)


@click.command("rank", cls=Command)
@click.argument("takes", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--to",
    "targets",
    multiple=True,
    metavar="NAME",
    default=DEFAULT_TARGETS,
    show_default=True,
    help="Delivery target that each take is held against; repeatable.",
)
@click.option(
    "--notes",
    "notes_file",
    type=click.Path(path_type=Path),
    help="Session notes as CSV (file name, scene, take, circled, rating, notes).  "
    "[default: notes.csv by the takes]",
)
@click.option(
    "--explain",
    multiple=True,
    metavar="LINE",
    help="Tell everything about the takes of a line instead of the table; repeatable.",
)
@page_options("to look at, listen to and note on", "listening copies of the takes")
@pdf_option("a page per line")
@edit_options("the takes to use")
@format_option("text", "json", "csv")
@output_option
@fail_on_option
@session_options
@click.pass_context
def command(
    ctx: click.Context,
    takes: tuple[Path, ...],
    targets: tuple[str, ...],
    notes_file: Path | None,
    explain: tuple[str, ...],
    page: Path | None,
    sheet: Path | None,
    embed_audio: bool,
    timeline: Path | None,
    render: Path | None,
    frame_rate: str,
    form: str,
    output: Path | None,
    fail_on: str,
    script_file: Path | None,
    pattern: str | None,
    jobs: int | None,
    quiet: bool,
) -> int:
    """Rank the takes of each line, and say why.

    TAKES are folders or files. Lines and takes are told by the file names: 02_kiln_t3.wav is take 3
    of line 02_kiln. A take circled in the notes stands first.
    """
    from vocheck.commands.cutting import check_timeline, hand_over
    from vocheck.commands.pages import folder_name, write_page, write_sheet
    from vocheck.commands.pool import take_settings
    from vocheck.session.lineup import open_session
    from vocheck.session.notes import parse_notes
    from vocheck.takes.rank import rank_takes

    notes, problems = parse_notes(notes_file) if notes_file else (None, ())
    if page is None:
        refuse_idle(ctx, ("embed_audio",), "without --html")
    if timeline is None:
        refuse_idle(ctx, ("frame_rate",), "without --timeline")
    check_timeline(timeline)
    chosen: Options = {"targets": targets, "pattern": pattern, "notes": notes}
    with take_settings(takes, jobs, script_file, **chosen) as (paths, settings):
        if explain:
            _known_lines(explain, open_session(paths, settings.pattern, settings.notes))
        if page is None and sheet is None:
            ranking = rank_takes(paths, settings, progress=progress(quiet))
        else:
            from vocheck.takes.overview import make_overview

            overview = make_overview(paths, settings, progress=progress(quiet))
            ranking = overview.ranking
            if page is not None:
                write_page(overview, page, embed_audio)
            if sheet is not None:
                write_sheet(overview, sheet)
        if timeline or render:
            from vocheck.edit.plan import plan_ranking

            lines = plan_ranking(ranking, settings.policy.edit.lengths)
            hand_over(lines, settings.policy, folder_name(paths), timeline, frame_rate, render)
    ranked = [take for line in ranking.lines for take in line.order]
    deliver(_report(ranking, form, explain), output)
    for problem in (*problems, *ranking.problems):
        complain(problem)
    for failure in ranking.failures:
        complain(failure.error)
    found = [finding.severity for take in ranked for finding in take.result.findings]
    return exit_status(found, fail_on, len(ranking.failures))


def _report(ranking: Ranking, form: str, explain: tuple[str, ...]) -> str:
    if form == "json":
        from vocheck.report.json import render_json

        return render_json(ranking)
    if form == "csv":
        from vocheck.report.csv import render_ranking_csv

        return render_ranking_csv(ranking)
    from vocheck.report.text.rank import render_ranking

    return render_ranking(ranking, explain)


def _known_lines(asked: Iterable[str], session: Session) -> None:
    """See that lines to explain are there before anything is measured."""
    import difflib

    if session.unsure:
        return  # only their sound will tell which lines there are
    known = list(session.lines)
    for name in asked:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.4)
            hint = f"; did you mean {near[0]}?" if near else f"; there are {', '.join(known)}"
            raise click.BadParameter(f"no line {name}{hint}", param_hint="--explain")
