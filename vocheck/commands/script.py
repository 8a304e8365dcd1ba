"""``vocheck script``: the read time of a script, and whether takes hold its words."""

from __future__ import annotations

from pathlib import Path

import click

from vocheck.commands.guard import Command, refuse_idle
from vocheck.commands.options import (
    cache_option,
    complain,
    deliver,
    format_option,
    output_option,
    pattern_option,
    tell_what_words_need,
)


@click.command("script", cls=Command)
@click.argument("script", type=click.Path(path_type=Path))
@click.argument("takes", nargs=-1, type=click.Path(path_type=Path))
@click.option("--slot", "slot_s", type=click.FloatRange(min=0.1), help="Time there is, in seconds.")
@format_option("text", "json")
@output_option
@pattern_option
@cache_option
@click.pass_context
def command(
    ctx: click.Context,
    script: Path,
    takes: tuple[Path, ...],
    slot_s: float | None,
    form: str,
    output: Path | None,
    pattern: str | None,
) -> int:
    """Predict the read time of a script; with TAKES, check that its words were read.

    SCRIPT is a text with one line per take id (02_kiln: Ida Marlow ...), or a CSV with the columns
    line and text. TAKES are files or folders, told apart by their names; checking them needs
    English and the extra: pip install 'vocheck[script]'.
    """
    from vocheck.policy.pace import read_time
    from vocheck.script.text import read_script

    if not takes:
        refuse_idle(ctx, ("pattern",), "without TAKES")
    elif form == "json":
        refuse_idle(ctx, ("slot_s",), "with TAKES and --format json")
    lines = read_script(script)
    if not takes:
        from vocheck.policy.every import policy_for

        paces = policy_for(script).pace
        times = [read_time(text, slot_s, line, paces) for line, text in lines.items()]
        if form == "json":
            from vocheck.report.json import render_json

            deliver(render_json(times), output)
        else:
            from vocheck.report.text.script import render_read_times

            whole = read_time(" ".join(lines.values()), slot_s, paces=paces)
            deliver(render_read_times(times, whole), output)
        return 0
    from dataclasses import replace

    from vocheck.commands.pool import take_settings
    from vocheck.takes.readings import check_takes

    with take_settings(takes, None, pattern=pattern) as (paths, settings):
        checked, failures = check_takes(paths, replace(settings, script=lines))
    if form == "json":
        from vocheck.report.json import render_json

        deliver(render_json(checked), output)
    else:
        from vocheck.report.text.script import render_readings

        deliver(render_readings(checked, slot_s), output)
    tell_what_words_need()
    for failure in failures:
        complain(failure.error)
    return 2 if failures else int(any(take.reading.misread for take in checked))
