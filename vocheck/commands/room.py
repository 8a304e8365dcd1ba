"""``vocheck room``: the booth, measured."""

from __future__ import annotations

from pathlib import Path

import click

from vocheck.commands.guard import Command, Output, refuse_idle
from vocheck.commands.options import (
    deliver,
    exit_status,
    fail_on_option,
    format_option,
    output_option,
)

_FILE = click.Path(path_type=Path)
_KINDS = ("impulse", "sweep", "tone")
_MAKE_RATE_HZ = 48_000
_OF_A_ROOM = ("sweep", "calibration", "spl", "kind", "thirds", "volume", "plot", "fail_on")


@click.command("room", cls=Command)
@click.argument("files", nargs=-1, type=_FILE)
@click.option("--sweep", type=_FILE, metavar="REFERENCE", help="The sweep that was played.")
@click.option("--make-sweep", type=Output(".wav"), metavar="OUT.wav", help="Write a sweep to play.")
@click.option(
    "--seconds",
    type=click.FloatRange(2.0, 60.0),
    default=10.0,
    show_default=True,
    help="Length of the sweep that is written.",
)
@click.option(
    "--calibration", type=_FILE, metavar="TONE", help="A calibrator's tone at the same gain."
)
@click.option(
    "--spl", type=float, default=94.0, show_default=True, help="Its sound pressure level in dB."
)
@click.option("--as", "kind", type=click.Choice(_KINDS), help="What FILES hold, if not recognised.")
@click.option("--thirds", is_flag=True, help="Third-octaves instead of octaves.")
@click.option("--volume", type=click.FloatRange(min=0.1), metavar="M3", help="Of the room.")
@click.option("--compare", is_flag=True, help="Compare two microphones or positions.")
@click.option(
    "--plot",
    type=Output(".png", ".pdf", ".svg"),
    metavar="OUT.png|.pdf",
    help="Draw decays and noise.",
)
@format_option("text", "json", "csv")
@output_option
@fail_on_option
@click.pass_context
def command(
    ctx: click.Context,
    files: tuple[Path, ...],
    sweep: Path | None,
    make_sweep: Path | None,
    seconds: float,
    calibration: Path | None,
    spl: float,
    kind: str | None,
    thirds: bool,
    volume: float | None,
    compare: bool,
    plot: Path | None,
    form: str,
    output: Path | None,
    fail_on: str,
) -> int:
    """Measure the booth from claps, balloons, a sweep or room tone.

    \b
    vocheck room claps.wav                      clap three times, two seconds apart
    vocheck room tone.wav claps.wav             with half a minute of room tone beside it
    vocheck room --make-sweep sweep.wav         a sweep to play from a loudspeaker
    vocheck room played.wav --sweep sweep.wav   ... and its recording
    vocheck room tone.wav --calibration cal.wav --spl 94
    vocheck room --compare near.wav far.wav     the same words, or the same clap

    Exit status: 0 nothing to fix, 1 findings at or above --fail-on, 2 nothing could be measured.
    """  # noqa: D301 (click's mark for a paragraph that is not rewrapped)
    if make_sweep is not None:
        if files:
            raise click.UsageError("--make-sweep takes no FILES")
        refuse_idle(ctx, (*_OF_A_ROOM, "compare", "form", "output"), "with --make-sweep")
        _write_sweep(make_sweep, seconds)
        return 0
    if compare:
        if len(files) != 2:
            raise click.UsageError("--compare takes two FILES")
        refuse_idle(ctx, (*_OF_A_ROOM, "seconds"), "with --compare")
        return _compare(files[0], files[1], form, output)
    if not files:
        raise click.UsageError("Missing argument 'FILES...'.")
    refuse_idle(ctx, ("seconds",), "without --make-sweep")
    if calibration is None:
        refuse_idle(ctx, ("spl",), "without --calibration")
    from vocheck.dsp.impulses import Excitation
    from vocheck.room import measure_room

    kinds: dict[str, Excitation] = {"impulse": "impulse", "sweep": "sweep", "tone": "room tone"}
    result = measure_room(
        files,
        sweep,
        calibration,
        spl_db=spl,
        excitation=kinds[kind] if kind else None,
        fraction=3 if thirds else 1,
        volume_m3=volume,
    )
    if plot is not None:
        from vocheck.report.room_figure import draw_room

        draw_room(result, plot)
    if form == "json":
        from vocheck.report.json import render_json

        report = render_json(result)
    elif form == "csv":
        from vocheck.report.room_csv import render_room_csv

        report = render_room_csv(result)
    else:
        from vocheck.report.text.room import render_room

        report = render_room(result)
    deliver(report, output)
    nothing = result.noise is None and result.voice_t_s is None
    return exit_status([f.severity for f in result.findings], fail_on, int(nothing))


def _write_sweep(path: Path, seconds: float) -> None:
    import numpy as np
    import soundfile

    from vocheck.dsp.sweep import LEVEL_DBFS, exponential_sweep
    from vocheck.files import replacing
    from vocheck.plain import plain

    silence = np.zeros(_MAKE_RATE_HZ // 2)
    sweep = exponential_sweep(_MAKE_RATE_HZ, seconds)
    with replacing(path) as temporary:
        soundfile.write(
            temporary, np.concatenate((silence, sweep, silence)), _MAKE_RATE_HZ, "PCM_24"
        )
    shown = plain(str(path))
    click.echo(
        f"Wrote {shown}: a sweep of {seconds:g} s from 40 Hz to 20 kHz, peak {LEVEL_DBFS:g} dBFS.\n"
        "Turn the loudspeaker down before you play it, stay out of the room or wear ear "
        "protection, and raise the level only as far as the sweep is clearly heard: a sweep holds "
        "each frequency long enough to harm ears and tweeters.\n"
        "Record from a second before it to two seconds after it, then run: "
        f"vocheck room RECORDING --sweep {shown}",
        err=True,
    )


def _compare(first: Path, second: Path, form: str, output: Path | None) -> int:
    from vocheck.room.positions import compare_positions

    result = compare_positions(first, second)
    if form == "json":
        from vocheck.report.json import render_json

        report = render_json(result)
    elif form == "csv":
        from vocheck.report.room_csv import render_positions_csv

        report = render_positions_csv(result)
    else:
        from vocheck.report.text.room import render_positions

        report = render_positions(result)
    deliver(report, output)
    return 0
