"""``vocheck take``: whether to keep a take or go again."""

from __future__ import annotations

from pathlib import Path

import click

from vocheck.commands.options import (
    deliver,
    exit_status,
    fail_on_option,
    format_option,
    jobs_option,
    output_option,
    pattern_option,
    progress,
    quiet_option,
)


@click.command("take")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--to", "targets", multiple=True, metavar="NAME", help="Delivery target; repeatable.")
@format_option("text", "json", "jsonl", "csv")
@output_option
@fail_on_option
@pattern_option
@jobs_option
@quiet_option
def command(
    files: tuple[Path, ...],
    targets: tuple[str, ...],
    form: str,
    output: Path | None,
    fail_on: str,
    pattern: str | None,
    jobs: int | None,
    quiet: bool,
) -> int:
    """Say of each take whether to keep it or go again.

    FILES are recordings or folders of them. The verdict comes first, then what was found, where in
    the take, what to change in the booth now and what the edit can still do.

    Exit status: 0 nothing to fix, 1 findings at or above --fail-on, 2 a file could not be done.
    """
    from vocheck.commands.pool import take_pool
    from vocheck.session import find_recordings
    from vocheck.take import Failure, TakeResult, check_all

    paths = find_recordings(files)
    with take_pool(jobs, len(paths)) as executor:
        checked = progress(quiet)(
            check_all(paths, targets=targets, pattern=pattern, executor=executor), len(paths)
        )
        results = list(checked)
    takes = [result for result in results if isinstance(result, TakeResult)]
    failures = [result for result in results if isinstance(result, Failure)]
    if form == "csv":
        from vocheck.report.csv import render_csv

        report = render_csv(results)
    elif form == "jsonl":
        from vocheck.report.json import render_json_line

        report = "".join(map(render_json_line, results))
    elif form == "json":
        from vocheck.report.json import render_json

        report = render_json(results[0] if len(results) == 1 else results)
    else:
        from vocheck.report.text.take import render_take

        report = "\n".join(map(render_take, takes))
    deliver(report, output)
    for failure in failures:
        click.echo(f"vocheck: {failure.error}", err=True)
    found = [finding.severity for take in takes for finding in take.findings]
    return exit_status(found, fail_on, len(failures))
