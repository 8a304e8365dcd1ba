"""``vocheck survey``: any number of recordings, measured into a file of JSON Lines."""

from __future__ import annotations

import sys
import time
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vocheck.commands.guard import Command, Output
from vocheck.commands.options import (
    cache_of_command,
    cache_option,
    complain,
    deliver,
    pattern_option,
    quiet_option,
)

if TYPE_CHECKING:
    from vocheck.session.settings import Settings
    from vocheck.survey.run import Crew, Progress
    from vocheck.survey.summary import Summary


@click.command("survey", cls=Command)
@click.argument("files", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    type=Output(".jsonl"),
    metavar="OUT.jsonl",
    help="Where the lines go, one per recording, sorted by path. If it is there already, only what "
    "is new or has changed is measured.",
)
@click.option(
    "--parquet",
    type=Output(".parquet"),
    metavar="OUT.parquet",
    help="Also write them as a table for data tools.",
)
@click.option(
    "--summary-only",
    "known",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="OUT.jsonl",
    help="Measure nothing: summarize a file that is there.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json"]),
    default="text",
    show_default=True,
    help="How to write the summary.",
)
@click.option("--anew", is_flag=True, help="Do not go on with what OUT.jsonl holds: start anew.")
@click.option(
    "-j",
    "--workers",
    type=click.IntRange(min=1),
    default=None,
    help="Recordings measured at the same time.  [default: one per core]",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Let the workers of a dask scheduler measure, e.g. tcp://192.0.2.7:8786.",
)
@pattern_option
@cache_option
@quiet_option
def command(
    files: tuple[Path, ...],
    output: Path | None,
    parquet: Path | None,
    known: Path | None,
    form: str,
    anew: bool,
    workers: int | None,
    scheduler: str | None,
    pattern: str | None,
    quiet: bool,
) -> int:
    """Measure any number of recordings into a file, and summarize it.

    FILES are recordings, or folders of them to any depth. Each becomes a line of JSON, with what
    'vocheck take --format json' says. A run that was stopped goes on where it was; a second run
    measures what is new or has changed. See docs/scale.md for large archives and many machines.

    Exit status: 0 all measured, 2 a recording or a folder could not be read.
    """
    if known is not None:
        if files or output:
            raise click.UsageError("--summary-only goes without FILES and --output")
        return _tell(known, parquet, form)
    if not files or output is None:
        raise click.UsageError("name FILES to measure, and -o OUT.jsonl to write to")
    if scheduler and workers:
        raise click.UsageError("--workers counts those of this machine, --scheduler names others")
    if parquet is not None:
        from vocheck.report.parquet import load_pyarrow

        load_pyarrow()  # what is missing is told before hours of work
    from vocheck.report.json import render_json_line
    from vocheck.survey.run import run

    settings = _settings(files, pattern, with_cache=scheduler is None)
    with _crew(workers, scheduler) as crew:
        outcome = run(
            files,
            output,
            settings,
            render_json_line,
            crew,
            anew=anew,
            progress=None if quiet else _Shown(),
        )
    for folder in outcome.unread:
        complain(f"{folder.path}: cannot be looked into: {folder.error}")
    return max(_tell(output, parquet, form), 2 if outcome.unread else 0)


def _settings(files: tuple[Path, ...], pattern: str | None, *, with_cache: bool) -> Settings:
    from vocheck.session.settings import make_settings

    cache = cache_of_command() if with_cache else None
    return make_settings(files, pattern=pattern, cache=cache)


def _crew(workers: int | None, scheduler: str | None) -> AbstractContextManager[Crew]:
    if scheduler is not None:
        from vocheck.survey.cluster import Cluster

        return Cluster(scheduler)
    import os

    from vocheck.survey.run import Workers

    return nullcontext(Workers(workers or os.cpu_count() or 1))


def _tell(known: Path, parquet: Path | None, form: str) -> int:
    """Print the summary of a survey, write its table if asked, and return the exit status."""
    from vocheck.survey.summary import read_survey, summarize

    summary = summarize(known)
    deliver(_rendered(summary, form), None)
    if parquet is not None:
        from vocheck.files import replacing
        from vocheck.report.parquet import write_parquet

        with replacing(parquet) as temporary:
            write_parquet(read_survey(known), temporary)
    return 2 if summary.all.failed else 0


def _rendered(summary: Summary, form: str) -> str:
    if form == "json":
        from vocheck.report.json import render_json

        return render_json(summary)
    from vocheck.report.text.survey import render_summary

    return render_summary(summary)


class _Shown:
    """Shows on stderr how far a survey is: a line that changes, or in a log one every minute."""

    TERMINAL_S, LOG_S = 0.5, 60.0

    def __init__(self) -> None:
        self._terminal = sys.stderr.isatty()
        self._every_s = self.TERMINAL_S if self._terminal else self.LOG_S
        self._start = self._last = time.monotonic()

    def __call__(self, progress: Progress) -> None:
        now = time.monotonic()
        is_last = progress.done == progress.total
        if now - self._last < self._every_s and not (is_last and self._terminal):
            return
        self._last = now
        line = self._line(progress, now - self._start)
        if self._terminal:
            click.echo(f"\r\x1b[K{line}", nl=is_last, err=True)
        else:
            click.echo(line, err=True)

    @staticmethod
    def _line(progress: Progress, took_s: float) -> str:
        from vocheck.wording.survey import progress_line

        return progress_line(progress, took_s)
