"""``vocheck demo``: the main job on the session that comes with vocheck."""

from __future__ import annotations

from pathlib import Path

import click

from vocheck.commands.guard import Command
from vocheck.commands.options import quiet_option


@click.command("demo", cls=Command)
@click.argument("folder", default="vocheck-demo", type=click.Path(file_okay=False, path_type=Path))
@quiet_option
def command(folder: Path, quiet: bool) -> int:
    """Copy the demo session here, rank it and show the result.

    FOLDER (default ./vocheck-demo) receives the takes of an invented portrait of a potter in a
    river town, and the ranking as JSON beside them. Files that are there already are kept.
    """
    from vocheck.commands.options import deliver, progress
    from vocheck.commands.pool import take_settings
    from vocheck.commands.rank import DEFAULT_TARGETS
    from vocheck.files import refuse_to_write
    from vocheck.plain import plain
    from vocheck.report.json import render_json
    from vocheck.report.text.rank import render_ranking
    from vocheck.session.demo import copy_session
    from vocheck.takes.rank import rank_takes

    report = folder / "ranking.json"
    if folder.is_dir():
        refuse_to_write(report)
    takes = copy_session(folder)
    with take_settings([folder], None, targets=DEFAULT_TARGETS) as (_, settings):
        ranking = rank_takes([folder], settings, progress=progress(quiet))
    deliver(render_json(ranking), report)
    deliver(render_ranking(ranking), None)
    shown = Path(plain(str(folder)))
    click.echo(
        f"\nThe takes are in {shown}, the ranking with every number in {shown / report.name}."
    )
    click.echo(f"Next: vocheck rank {shown} --explain 02_kiln")
    click.echo(f"      vocheck take {shown / takes[0].name}")
    click.echo(f"      vocheck mix {shown / 'mix.flac'} --to social")
    return 0
