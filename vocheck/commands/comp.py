"""``vocheck comp``: which take is best where, phrase by phrase."""

from __future__ import annotations

from pathlib import Path

import click

from vocheck.commands.options import (
    deliver,
    format_option,
    jobs_option,
    output_option,
    pattern_option,
)


@click.command("comp")
@click.argument("takes", nargs=-1, required=True, type=click.Path(path_type=Path))
@format_option("text", "json")
@output_option
@pattern_option
@jobs_option
def command(
    takes: tuple[Path, ...], form: str, output: Path | None, pattern: str | None, jobs: int | None
) -> int:
    """Compare the takes of each line phrase by phrase.

    TAKES are folders or files. The cleanest path through the phrases stands first, beside the best
    single take; then the grid of phrases and takes, and what a take has possibly misread.
    """
    from vocheck.commands.pool import take_pool
    from vocheck.comp import comp_takes
    from vocheck.session import find_recordings

    with take_pool(jobs, len(find_recordings(takes))) as executor:
        sheets = comp_takes(takes, pattern=pattern, executor=executor)
    if form == "json":
        from vocheck.report.json import render_json

        report = render_json(sheets)
    else:
        from vocheck.report.text.comp import render_sheets

        report = render_sheets(sheets)
    deliver(report, output)
    failures = [failure for sheet in sheets for failure in sheet.failures]
    for failure in failures:
        click.echo(f"vocheck: {failure.error}", err=True)
    return 2 if failures else 0
