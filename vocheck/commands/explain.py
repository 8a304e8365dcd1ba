"""``vocheck explain``: what a measurement or a finding means."""

from __future__ import annotations

from pathlib import Path

import click

from vocheck.commands.guard import Command
from vocheck.commands.options import output_option


@click.command("explain", cls=Command)
@click.argument("name", required=False)
@output_option
def command(name: str | None, output: Path | None) -> int:
    """Explain a measurement or a finding: meaning, method, source, limits of validity.

    NAME is a measurement (noise), a field of one (noise.snr_db), a finding (noise_floor) or another
    number that judges (drift.level); without it, all of them are listed. A vocheck.toml in this
    folder or above it counts.
    """
    from vocheck.commands.options import deliver
    from vocheck.policy.every import policy_for
    from vocheck.report.text.explain import render_explanation, render_names

    policy = policy_for(Path.cwd())
    rules, rows = policy.rules, policy.rows
    text = render_names(rules, rows) if name is None else render_explanation(name, rules, rows)
    deliver(text, output)
    return 0
