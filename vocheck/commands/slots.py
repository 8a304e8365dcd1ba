"""``vocheck slots``: whether each line fits its place under the picture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from vocheck.commands.cutting import frame_rate_option
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
    from vocheck.edit.slots import SlotsResult


@click.command("slots", cls=Command)
@click.argument("picture", type=click.Path(dir_okay=False, path_type=Path))
@click.argument("takes", nargs=-1, required=True, type=click.Path(path_type=Path))
@frame_rate_option("of an EDL, which does not say it")
@click.option(
    "--markers",
    type=Output(".vtt", ".csv"),
    metavar="OUT",
    help="Also write the places that do not fit, in the time of the picture: WebVTT or CSV.",
)
@format_option("text", "json")
@output_option
@fail_on_option
@session_options
def command(
    picture: Path,
    takes: tuple[Path, ...],
    frame_rate: str,
    markers: Path | None,
    form: str,
    output: Path | None,
    fail_on: str,
    script_file: Path | None,
    pattern: str | None,
    jobs: int | None,
    quiet: bool,
) -> int:
    """Hold the take to use of each line against its place under the picture.

    PICTURE is an EDL (CMX 3600), an OpenTimelineIO timeline (.otio) or captions (.srt, .vtt); TAKES
    are folders or files. Does each line fit its slot, where does it go over a cut or into the next
    line, how fast would it have to be read, which pauses are too short or too long?
    """
    from vocheck.commands.pool import take_settings
    from vocheck.edit.picture import read_picture
    from vocheck.edit.slots import fit_session
    from vocheck.edit.timecode import RATES
    from vocheck.takes.rank import rank_takes

    shown = read_picture(picture, RATES[frame_rate])
    with take_settings(takes, jobs, script_file, pattern=pattern) as (paths, settings):
        ranking = rank_takes(paths, settings, progress=progress(quiet))
        result = fit_session(ranking, shown, settings.policy, settings.script)
    if markers is not None:
        _write_markers(result, markers)
    if form == "json":
        from vocheck.report.json import render_json

        deliver(render_json(result), output)
    else:
        from vocheck.report.text.slots import render_slots

        deliver(render_slots(result), output)
    for told in (*ranking.problems, *(failure.error for failure in ranking.failures)):
        complain(told)
    found = [misfit.severity for fit in result.lines for misfit in fit.misfits]
    return exit_status(found, fail_on, len(ranking.failures))


def _write_markers(result: SlotsResult, markers: Path) -> None:
    from vocheck.report.markers import render_slot_csv, render_slot_vtt

    is_csv = markers.suffix.lower() == ".csv"
    deliver(render_slot_csv(result) if is_csv else render_slot_vtt(result), markers)
