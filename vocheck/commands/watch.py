"""``vocheck watch``: stands by in the booth and judges each take as it is recorded."""

from __future__ import annotations

import os
import shutil
import sys
import time
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vocheck.commands.guard import Command, Output, refuse_idle
from vocheck.commands.options import cache_option, complain, pattern_option
from vocheck.plain import plain

if TYPE_CHECKING:
    from vocheck.booth import Booth
    from vocheck.desk.standby import Stage
    from vocheck.session.settings import Settings
    from vocheck.session.take import TakeResult
    from vocheck.wording.booth import Screen

RESULTS_NAME = "vocheck-watch.jsonl"

_SCROLLED = "\x1b[{rows};1H{ends}"
"""Moves what a terminal shows up into what it remembers (ECMA-48, CUP, then line feeds)."""
_CLEAR = "\x1b[H\x1b[J"
"""Home, and erase from there (ECMA-48, CUP and ED)."""


@click.command("watch", cls=Command)
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option(
    "-o",
    "--output",
    type=Output(),
    help=f"Results as JSON Lines, added to as takes come in.  [default: FOLDER/{RESULTS_NAME}]",
)
@click.option(
    "--script",
    "script_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Script whose lines must be recorded, and whose words must be read.  [default: script of "
    "[session] in vocheck.toml, or script.txt or script.csv in FOLDER]",
)
@click.option(
    "--line",
    "lines",
    multiple=True,
    metavar="NAME",
    help="A line that must be recorded; repeatable. Others join as they are recorded.",
)
@click.option(
    "--wanted",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    help="Clean takes that each line needs.",
)
@click.option("--page", is_flag=True, help="Also show the verdicts on a web page, for a tablet.")
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="Address of the page; 0.0.0.0 lets other devices in this network read it, by the address "
    "that is printed.",
)
@click.option(
    "--port", type=click.IntRange(0, 65535), default=8470, show_default=True, help="Its port."
)
@click.option(
    "--bell/--no-bell",
    default=None,
    help="Ring on retake, and where missing words make a verdict worse.  [default: in a terminal]",
)
@click.option(
    "--every",
    "every_s",
    type=click.FloatRange(min=0.05),
    default=0.2,
    show_default=True,
    metavar="SECONDS",
    help="How often to look at the folder.",
)
@click.option(
    "--until-idle",
    "idle_s",
    type=click.FloatRange(min=0),
    metavar="SECONDS",
    help="Stop when nothing has come for so long.  [default: only on Ctrl-C]",
)
@pattern_option
@cache_option
@click.pass_context
def command(
    ctx: click.Context,
    folder: Path,
    output: Path | None,
    script_file: Path | None,
    lines: tuple[str, ...],
    wanted: int,
    page: bool,
    host: str,
    port: int,
    bell: bool | None,
    every_s: float,
    idle_s: float | None,
    pattern: str | None,
) -> int:
    """Stand by while takes are recorded into FOLDER, and judge each when it is finished.

    The verdict stands there in large letters, with the one thing to do before the next take, why,
    and the table of lines: which have a clean take, and which still need one. The bell rings on a
    retake. With a script, whether its words were read follows a moment later: LISTEN where some
    may be missing. Every result is written at
    once, so nothing is lost. Ctrl-C ends the session.

    A recording with "test" in its name is the test read: it tells whether the gain leaves headroom.

    Exit status: 130 on Ctrl-C; with --until-idle 0, or 1 if a line still needs a clean take.
    """
    from vocheck.booth import Booth
    from vocheck.booth.folder import Watcher
    from vocheck.booth.linelog import LineLog
    from vocheck.commands.pool import session_settings, worker_pool
    from vocheck.desk.standby import Standby, handle_safely
    from vocheck.report.text.watch import render_farewell

    if not page:
        refuse_idle(ctx, ("host", "port"), "without --page")

    terminal = sys.stdout.isatty()
    settings = session_settings([folder], script_file, pattern=pattern)
    booth = Booth([*filter(None, settings.script or ()), *lines], wanted, settings.policy)
    watcher = Watcher(folder)
    with ExitStack() as stack:
        log = stack.enter_context(LineLog(output or folder / RESULTS_NAME))
        rings = terminal if bell is None else bell
        ink = _ink(sys.stdout.encoding) if terminal else ""
        stages: list[Stage] = [_Terminal(booth, ink, rings)]
        if page:
            stages.append(_page(stack, booth, settings, folder, host, port))
        settings = replace(settings, executor=stack.enter_context(worker_pool()))
        standby = Standby(watcher, booth, settings, log, stages)
        stack.callback(lambda: click.echo(render_farewell(booth), nl=False))
        standby.warm_up()
        click.echo(
            f"Standing by: {plain(str(folder))}. Results go to {plain(str(log.path))}. "
            "Ctrl-C ends the session."
        )
        watcher.poll(time.monotonic())  # what is there now was recorded before
        last_event = time.monotonic()
        problem = ""
        while idle_s is None or time.monotonic() - last_event < idle_s:
            time.sleep(every_s)
            events = watcher.poll(time.monotonic())
            if watcher.problem != problem:
                problem = watcher.problem
                complain(problem or f"{folder}: is back")
            standby.catch_up(events)
            for event in events:
                if wrong := handle_safely(standby, event):
                    complain(wrong)
            if events:
                last_event = time.monotonic()
    return int(any(line.needed for line in booth.lines))


def _ink(encoding: str) -> str:
    """Return what large letters are drawn with: blocks where the terminal can show them."""
    try:
        "█".encode(encoding)
    except UnicodeEncodeError:
        return "#"
    return "█"


def _page(
    stack: ExitStack, booth: Booth, settings: Settings, folder: Path, host: str, port: int
) -> Stage:
    """Serve the booth's view of the desk; what leads here may look, and changes nothing."""
    from vocheck.desk.access import booth_keys
    from vocheck.desk.app import Answers, make_app
    from vocheck.desk.board import Board
    from vocheck.desk.boothview import BoothView
    from vocheck.desk.serve import Server

    board = Board()
    view = BoothView(board, booth, settings.script)
    answers = Answers(board)
    server = Server(make_app(answers), booth_keys(folder), host, port, answers.end)
    stack.enter_context(server)
    click.echo(f"Page for the tablet: {server.shared_url or server.url}")
    return view


class _Terminal:
    """The stage that the terminal is."""

    def __init__(self, booth: Booth, ink: str, bell: bool) -> None:
        from vocheck.wording.booth import standing_by

        self._booth = booth
        self._ink = ink
        self._bell = bell
        self._screen = standing_by()
        # Where the terminal can be drawn on, one verdict stands there at a time.
        self._framed = bool(ink) and os.environ.get("TERM", "dumb") != "dumb"

    def found(self, count: int) -> None:
        """Say how many were there before."""
        click.echo(f"Recorded before: {count}. Measuring.")

    def lines(self, screen: Screen) -> None:
        """Print the table of lines."""
        from vocheck.report.text.watch import render_lines

        self._screen = screen
        click.echo(render_lines(self._booth.lines))

    def verdict(self, screen: Screen, note: str = "", *, anew: bool = True) -> None:
        """Print what came last; with `anew`, what was shown before is kept above."""
        from vocheck.report.text.watch import render_screen

        self._screen = screen
        if self._framed:
            rows = shutil.get_terminal_size().lines - 1
            text = render_screen(screen, self._booth, ink=self._ink, note=note, rows=rows)
            click.echo((_SCROLLED.format(rows=rows + 1, ends="\n" * rows) if anew else "") + _CLEAR)
            click.echo(text, nl=False)
        else:
            text = render_screen(screen, self._booth, ink=self._ink, note=note)
            click.echo(f"\n{text}", nl=False)

    def words(self, screen: Screen, take: TakeResult) -> None:
        """Print what is said of the words; the whole screen where it now says something else."""
        from vocheck.report.text.watch import render_words

        if self._framed or screen.kind != self._screen.kind:
            self.verdict(screen, anew=False)
        else:
            self._screen = screen
            click.echo(render_words(take, self._booth), nl=False)

    def note(self, screen: Screen, note: str) -> None:
        """Print what has happened, and the table."""
        from vocheck.report.text.watch import render_lines

        if self._framed:
            self.verdict(screen, note, anew=False)
        else:
            self._screen = screen
            click.echo(f"\n{note}\n{render_lines(self._booth.lines)}")

    def ring(self) -> None:
        """Ring the bell, where that is wanted."""
        if self._bell:
            click.echo("\a", nl=False)
