"""``vocheck passes``: what is read where in one long recording."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from vocheck.commands.guard import Command, Output
from vocheck.commands.options import deliver, format_option, output_option

if TYPE_CHECKING:
    from vocheck.passes.results import Passes

MARKER_SUFFIXES = (".vtt", ".csv", ".wav")


@click.command("passes", cls=Command)
@click.argument("recording", type=click.Path(path_type=Path))
@click.option(
    "--script",
    "script_file",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Tell the lines by the words of this script (English; needs 'vocheck[script]').",
)
@click.option(
    "--split",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Also write each reading as a WAV copy, with 0.5 s on either side. Nothing is written "
    "over; the recording stays as it is.",
)
@click.option(
    "--markers",
    type=Output(*MARKER_SUFFIXES),
    help="Also write what was found for the edit: OUT.vtt, OUT.csv, or OUT.wav (a copy of the "
    "recording with labels).",
)
@format_option("text", "json")
@output_option
def command(
    recording: Path,
    script_file: Path | None,
    folder: Path | None,
    markers: Path | None,
    form: str,
    output: Path | None,
) -> int:
    """Find where each line is read in RECORDING, and each attempt of it.

    For a session that was recorded in one go: readings, false starts, slates and talk, each with
    its times. With --script, lines are told by their words. Without, what is said more than once by
    the voice that reads is a line.
    """
    from vocheck.commands.alone import go_on_in_a_copy
    from vocheck.errors import AudioError

    if recording.is_dir():
        raise AudioError(f"{recording}: is a folder; name one recording")
    go_on_in_a_copy(recording)
    from vocheck.passes.find import find_passes

    script = None
    if script_file is not None:
        from vocheck.errors import SessionError
        from vocheck.script.reading import can_hear_words
        from vocheck.script.text import read_script

        if not can_hear_words():
            raise SessionError(
                "to tell lines by their words: pip install 'vocheck[script]'; without --script "
                "they are told by their sound"
            )
        script = read_script(script_file)
    passes = find_passes(recording, script, str(script_file))
    parts = []
    if folder is not None:
        from vocheck.takes.split import parts_of

        parts = parts_of(passes, folder)  # what is in the way is told before anything is written
    if form == "json":
        from vocheck.report.json import render_json

        report = render_json(passes)
    else:
        from vocheck.report.text.passes import render_passes

        report = render_passes(passes, script)
    deliver(report, output)
    if markers is not None:
        _write_markers(passes, markers)
    if parts:
        from vocheck.takes.split import split

        split(recording, parts)
    return 0


def _write_markers(passes: Passes, output: Path) -> None:
    from vocheck.report.markers import markers_of_passes, render_passes_csv, render_passes_vtt

    suffix = output.suffix.lower()
    if suffix == ".wav":
        from vocheck.audio.broadcast_wav import mark

        mark(passes.path, output, markers_of_passes(passes))
    else:
        deliver((render_passes_csv if suffix == ".csv" else render_passes_vtt)(passes), output)
