"""``vocheck take``: whether to keep a take or go again."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vocheck.commands.guard import Command, Output
from vocheck.commands.options import (
    complain,
    deliver,
    exit_status,
    fail_on_option,
    format_option,
    output_option,
    progress,
    session_options,
)

if TYPE_CHECKING:
    from vocheck.session.take import TakeResult

MARKER_SUFFIXES = (".vtt", ".csv", ".wav")


@click.command("take", cls=Command)
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--to", "targets", multiple=True, metavar="NAME", help="Delivery target; repeatable.")
@click.option(
    "--markers",
    type=Output(*MARKER_SUFFIXES),
    help="Also write the places found, for the edit: OUT.vtt, OUT.csv, or OUT.wav (a copy of the "
    "take with labels).",
)
@format_option("text", "json", "jsonl", "csv")
@output_option
@fail_on_option
@session_options
def command(
    files: tuple[Path, ...],
    targets: tuple[str, ...],
    markers: Path | None,
    form: str,
    output: Path | None,
    fail_on: str,
    script_file: Path | None,
    pattern: str | None,
    jobs: int | None,
    quiet: bool,
) -> int:
    """Say of each take whether to keep it or go again.

    FILES are recordings or folders of them. The verdict comes first, then what was found, where in
    the take, what to change in the booth now and what the edit can still do. With a script, also
    whether its words were read.

    Exit status: 0 nothing to fix, 1 findings at or above --fail-on, 2 a file could not be done.
    """
    from vocheck.commands.pool import take_settings

    with take_settings(files, jobs, script_file, targets=targets, pattern=pattern) as work:
        from vocheck.session.each import Failure
        from vocheck.session.take import TakeResult, check_all

        paths, settings = work
        if markers is not None and markers.suffix.lower() != ".csv" and len(paths) > 1:
            raise click.UsageError(f"--markers {markers}: one take at a time, or .csv for many")
        results = list(progress(quiet)(check_all(paths, settings), len(paths)))
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
    if markers is not None and takes:
        write_markers(takes, markers)
    for failure in failures:
        complain(failure.error)
    found = [finding.severity for take in takes for finding in take.findings]
    return exit_status(found, fail_on, len(failures))


def write_markers(takes: Sequence[TakeResult], output: Path) -> None:
    """Write what was found as markers, in the format that the suffix names."""
    from vocheck.report.markers import markers_of, render_marker_csv, render_vtt

    suffix = output.suffix.lower()
    if suffix == ".csv":
        deliver(render_marker_csv(takes), output)
    elif suffix == ".vtt":
        deliver(render_vtt(takes[0]), output)
    else:
        from vocheck.audio.broadcast_wav import mark

        mark(takes[0].path or "", output, markers_of(takes[0]))
