"""``vocheck match``: will the cut between a pickup and a reference take be heard."""

from __future__ import annotations

from pathlib import Path

import click

from vocheck.commands.guard import Command
from vocheck.commands.options import (
    cache_option,
    complain,
    deliver,
    format_option,
    jobs_option,
    output_option,
)


@click.command("match", cls=Command)
@click.argument("reference", type=click.Path(path_type=Path))
@click.argument("takes", nargs=-1, required=True, type=click.Path(path_type=Path))
@format_option("text", "json")
@output_option
@click.option(
    "--fail-on",
    type=click.Choice(["can be matched", "differs", "never"]),
    default="differs",
    show_default=True,
    help="Exit with status 1 if a take differs at least this much.",
)
@jobs_option
@cache_option
def command(
    reference: Path,
    takes: tuple[Path, ...],
    form: str,
    output: Path | None,
    fail_on: str,
    jobs: int | None,
) -> int:
    """Compare pickups with a reference take.

    Level, tone, noise, room, pitch and pace of each TAKE against REFERENCE, with tolerances and
    their sources, a suggested gain and equalizer, and a hint of the distance to the microphone.
    """
    from vocheck.commands.pool import take_settings
    from vocheck.errors import AudioError
    from vocheck.session.each import Failure
    from vocheck.session.take import TakeResult, check_all
    from vocheck.takes.match import match_results

    if reference.is_dir():
        raise AudioError(f"{reference}: is a folder, not a recording")
    with take_settings([reference, *takes], jobs) as (paths, settings):
        first, *others = check_all(paths, settings)
    failures = [result for result in (first, *others) if isinstance(result, Failure)]
    results = []
    if isinstance(first, TakeResult):
        results = [
            match_results(first, take, settings.policy)
            for take in others
            if isinstance(take, TakeResult)
        ]
    if form == "json":
        from vocheck.report.json import render_json

        deliver(render_json(results), output)
    elif results:
        from vocheck.report.text.match import render_matches

        deliver(render_matches(results), output)
    for failure in failures:
        complain(failure.error)
    if failures:
        return 2
    severe = {"can be matched": ("can be matched", "differs"), "differs": ("differs",), "never": ()}
    return int(any(result.verdict in severe[fail_on] for result in results))
