"""``vocheck targets``: where the sound can go, what is asked there, and on whose word."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from vocheck.commands.guard import Command
from vocheck.commands.options import deliver, format_option, output_option


@click.command("targets", cls=Command)
@click.argument("names", nargs=-1, metavar="[NAME]...")
@format_option("text", "json")
@output_option
def command(names: tuple[str, ...], form: str, output: Path | None) -> int:
    """List the delivery targets, with source and status.

    With NAME, everything known about that destination. What was read more than a year ago is told:
    it may have changed. A vocheck.toml in this folder or above it
    may add destinations or change shipped ones.
    """
    from vocheck.policy.every import policy_for

    today = date.today()
    policy = policy_for(Path.cwd())
    chosen = policy.find_destinations(names) if names else tuple(policy.destinations.values())
    if form == "json":
        from vocheck.report.json import render_json

        report = render_json(chosen[0] if len(names) == 1 else chosen)
    elif names:
        from vocheck.report.text.targets import render_destination

        report = "\n".join(render_destination(destination, today) for destination in chosen)
    else:
        from vocheck.report.text.targets import render_destinations

        report = render_destinations(chosen, today)
    deliver(report, output)
    return 0
