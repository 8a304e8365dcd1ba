"""``vocheck mix``: a final mix against where it goes."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vocheck.commands.guard import Command, Output, refuse_idle
from vocheck.commands.options import (
    complain,
    deliver,
    format_option,
    output_option,
    page_options,
    pdf_option,
    progress,
    quiet_option,
)
from vocheck.plain import plain

if TYPE_CHECKING:
    from vocheck.audio.codecs import Coding
    from vocheck.mix import MixResult

WAVE_SUFFIXES = (".wav", ".wave", ".bwf", ".rf64")
VIDEO_SUFFIXES = (".mov", ".mp4", ".m4v", ".mkv", ".webm")
"""As in `vocheck.audio.video`, which ``--help`` need not load."""
FAIL_ON = {"warn": ("warn", "fail"), "fail": ("fail",), "never": ()}


def _stem(
    ctx: click.Context,  # noqa: ARG001 (click's signature)
    param: click.Parameter,  # noqa: ARG001
    values: tuple[str, ...],
) -> dict[str, Path]:
    stems = {}
    for value in values:
        name, equals, path = value.partition("=")
        if not equals or not path or name not in ("voice", "bed"):
            raise click.BadParameter(f"{value!r}: wants voice=FILE or bed=FILE")
        stems[name] = Path(path)
    return stems


def _names(
    ctx: click.Context,  # noqa: ARG001 (click's signature)
    param: click.Parameter,  # noqa: ARG001
    incomplete: str,
) -> list[str]:
    from vocheck.policy.destinations import load_destinations

    return [name for name in load_destinations() if name.startswith(incomplete)]


@click.command("mix", cls=Command)
@click.argument("files", nargs=-1, required=True, metavar="FILE...", type=click.Path())
@click.option(
    "--to",
    "targets",
    multiple=True,
    metavar="NAME",
    default=("social",),
    show_default=True,
    shell_complete=_names,
    help="Where it goes; repeatable. `vocheck targets` lists the names.",
)
@click.option(
    "--stem",
    "stems",
    multiple=True,
    metavar="voice=FILE|bed=FILE",
    callback=_stem,
    help="A stem of the same mix, to measure how far the voice stands over the bed.",
)
@click.option(
    "--encode",
    metavar="CODEC:KBPS,...",
    help="Codecs to try for the true peak after encoding, e.g. aac:128,opus:96,mp3:192; "
    "none for none.  [default: what the destinations make of it]",
)
@click.option(
    "--track",
    type=click.IntRange(min=1),
    metavar="N",
    help="Which audio track of a file with several.  [default: the first main one that sounds]",
)
@click.option("--verify", is_flag=True, help="Show an independent meter's reading beside ours.")
@click.option(
    "--stamp",
    type=Output(*WAVE_SUFFIXES),
    metavar="OUT.wav",
    help="Write a copy as Broadcast WAV with the loudness in its header.",
)
@click.option(
    "--write",
    "copy",
    type=Output(*WAVE_SUFFIXES, *VIDEO_SUFFIXES),
    metavar="OUT.wav",
    help="Write a copy at the target of --to: by gain alone where the peaks allow it, else with a "
    "limiter; not where too much would be limited. Of a video: OUT.mov and the like, its picture "
    "as it is.",
)
@click.option(
    "--takes",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="The takes of the voice-over: find each line in the mix, and tell how far it stands over "
    "its bed. Of several takes of a line the circled one, or else the first as ranked, is chosen.",
)
@click.option(
    "--markers",
    type=Output(".vtt", ".csv"),
    metavar="OUT.vtt|OUT.csv",
    help="With --takes: write the lines that are not in order as markers for the edit.",
)
@pdf_option("a sheet per mix, to be signed: verdict, file and hash, loudness over time, checks")
@page_options("to look at and listen to", "a listening copy of the mix")
@format_option("text", "json", "csv")
@output_option
@click.option(
    "--fail-on",
    type=click.Choice(list(FAIL_ON)),
    default="fail",
    show_default=True,
    help="Exit with status 1 if a verdict is at least this severe.",
)
@quiet_option
@click.pass_context
def command(
    ctx: click.Context,
    files: tuple[str, ...],
    targets: tuple[str, ...],
    stems: dict[str, Path],
    encode: str | None,
    track: int | None,
    verify: bool,
    stamp: Path | None,
    copy: Path | None,
    takes: Path | None,
    markers: Path | None,
    sheet: Path | None,
    page: Path | None,
    embed_audio: bool,
    form: str,
    output: Path | None,
    fail_on: str,
    quiet: bool,
) -> int:
    """Check a final mix against where it goes.

    FILE is the sound or the finished video; of a video the main audio track is measured, and which
    one is said. For each
    destination: pass, warn or fail, and why. Where a platform publishes no number, that is said,
    and nothing is judged in its name.

    Exit status: 0 nothing to fix, 1 a verdict at or above --fail-on (with --write, that of the
    copy), 2 a file could not be done or no copy could be written.
    """
    if page is None:
        refuse_idle(ctx, ("embed_audio",), "without --html")
    if takes is None:
        refuse_idle(ctx, ("markers",), "without --takes")
    alone = {"--stem": stems, "--stamp": stamp, "--write": copy, "--takes": takes}
    if len(files) > 1 and any(alone.values()):
        raise click.UsageError("--stem, --stamp, --write and --takes go with one FILE")
    if copy is not None and len(targets) > 1:
        raise click.UsageError("--write goes with one --to NAME")
    codings = _codings(encode)
    results: list[MixResult] = []
    failures = 0
    for file in files:
        found = _checked(file, targets, stems, codings, track, verify, quiet, alone=len(files) == 1)
        failures += found is None
        results += [] if found is None else [found]
    if takes is not None:
        results = [_with_lines(results[0], takes, track, quiet)]
    if markers is not None:
        _write_markers(results[0], markers)
    if copy is not None:
        results = [_write(results[0], copy, stems, codings, quiet)]
    _write_beside(results, stamp, sheet, page, embed_audio, track)
    deliver(_render(results, form), output)
    if stamp is not None:
        click.echo(f"{plain(str(stamp))}: written, with the loudness in its header", err=True)
    return 2 if failures else max((_status(result, fail_on) for result in results), default=0)


def _codings(encode: str | None) -> tuple[Coding, ...] | None:
    from vocheck.audio.codecs import parse_codings

    return None if encode is None else parse_codings("" if encode == "none" else encode)


def _checked(
    file: str,
    targets: tuple[str, ...],
    stems: dict[str, Path],
    codings: tuple[Coding, ...] | None,
    track: int | None,
    verify: bool,
    quiet: bool,
    *,
    alone: bool,
) -> MixResult | None:
    """Return what is said of a mix; ``None`` where it cannot be done and others can."""
    from vocheck.errors import VocheckError
    from vocheck.mix import check_mix

    try:
        with _progress(file, quiet) as bar:
            return check_mix(
                file, targets, stems, codings, track=track, verify=verify, progress=bar
            )
    except VocheckError as error:
        if alone:
            raise
        complain(error)
        return None


def _with_lines(result: MixResult, folder: Path, track: int | None, quiet: bool) -> MixResult:
    """Return a result with the lines of the voice-over."""
    from dataclasses import replace

    from vocheck.mix import LineTakes, find_lines

    lines = {
        name: LineTakes(str(chosen), tuple(map(str, others)))
        for name, (chosen, others) in _chosen_takes(folder, quiet).items()
    }
    return replace(result, lines=find_lines(result.path, lines, track=track))


def _chosen_takes(folder: Path, quiet: bool) -> dict[str, tuple[Path, list[Path]]]:
    """Return of each line the take to use and the others: circled, or else ranked first."""
    import os

    from vocheck.session.lineup import open_session

    session = open_session([folder])
    chosen = {}
    for name, takes in session.lines.items():
        paths = [path for path, _ in takes]
        circled = [path for path in paths if session.notes[os.path.abspath(path)].circled]
        if len(paths) == 1 or len(circled) == 1:
            chosen[name] = (circled or paths)[0]
    if len(chosen) < len(session.lines):
        from vocheck.commands.pool import take_settings
        from vocheck.takes.rank import rank_takes

        with take_settings((folder,), None, None) as (paths, settings):
            ranking = rank_takes(paths, settings, progress=progress(quiet))
        for line in ranking.lines:
            best = line.order[0].path if line.order else None
            if best is not None and line.line not in chosen:
                chosen[line.line] = Path(best)
    return {
        name: (chosen[name], [path for path, _ in takes if path != chosen[name]])
        for name, takes in session.lines.items()
        if name in chosen
    }


def _write_markers(result: MixResult, output: Path) -> None:
    from vocheck.report.markers import render_line_csv, render_line_vtt

    render = render_line_csv if output.suffix.lower() == ".csv" else render_line_vtt
    deliver(render(result), output)


def _write_beside(
    results: list[MixResult],
    stamp: Path | None,
    sheet: Path | None,
    page: Path | None,
    embed_audio: bool,
    track: int | None,
) -> None:
    """Write what was asked for beside the report."""
    if not results:
        return
    if stamp is not None:
        _stamp(results[0], stamp)
    if sheet is not None:
        _write_sheet(results, sheet)
    if page is not None:
        from vocheck.commands.pages import write_mix_page

        write_mix_page(results, page, embed_audio, track)


def _status(result: MixResult, fail_on: str) -> int:
    """Return the exit status of one mix; with a copy, that of the copy."""
    asked = FAIL_ON[fail_on]
    lines = any(line.verdict in asked for line in result.lines or ())
    written = result.written
    if written is None:
        return int(lines or result.verdict in asked)
    return 2 if written.refused else int(lines or written.verdict in asked)


def _write(
    result: MixResult,
    copy: Path,
    stems: dict[str, Path],
    codings: tuple[Coding, ...] | None,
    quiet: bool,
) -> MixResult:
    from vocheck.mix import write_mix

    with _progress(str(copy), quiet) as bar:
        return write_mix(result, copy, stems, codings, progress=bar)


def _render(results: list[MixResult], form: str) -> str:
    if form == "json":
        from vocheck.report.json import render_json

        return render_json(results[0] if len(results) == 1 else results)
    if form == "csv":
        from vocheck.report.mix_csv import render_mix_csv

        return render_mix_csv(results)
    from vocheck.report.text.mix import render_mix

    return "\n".join(map(render_mix, results))


def _write_sheet(results: list[MixResult], sheet: Path) -> None:
    from datetime import datetime

    from vocheck.files import replacing
    from vocheck.report.sheet_mix import SheetHead, render_mix_pdf

    hashes = {result.path: _sha256(result.path) for result in results}
    head = SheetHead(checked=datetime.now().astimezone(), sha256=hashes)
    content = render_mix_pdf(results, head)
    with replacing(sheet) as temporary:
        temporary.write_bytes(content)


def _sha256(path: str) -> str:
    import hashlib

    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _stamp(result: MixResult, output: Path) -> None:
    from vocheck.audio.broadcast_wav import LoudnessFields, stamp

    loudness = result.measurements.loudness
    stamp(
        result.path,
        output,
        LoudnessFields(
            integrated_lufs=loudness.integrated_lufs,
            range_lu=loudness.range_lu,
            level_dbtp=result.measurements.true_peak.level_dbtp,
            momentary_max_lufs=loudness.momentary_max_lufs,
            short_term_max_lufs=loudness.short_term_max_lufs,
        ),
    )


@contextmanager
def _progress(file: str, quiet: bool) -> Iterator[Callable[[float, float], None] | None]:
    """Show a bar on stderr while a mix is read, where stderr is a terminal."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    with click.progressbar(range(1000), label=plain(Path(file).name), file=sys.stderr) as bar:

        def update(done_s: float, whole_s: float) -> None:
            share = min(1.0, done_s / whole_s) if whole_s > 0 else 1.0
            bar.update(max(0, round(1000 * share) - bar.pos))  # a copy is read more than once

        yield update
