"""``vocheck watch``: stands by in the booth and judges each take as it is recorded."""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vocheck.commands.guard import Command, Output, refuse_idle
from vocheck.commands.options import cache_option, complain, pattern_option
from vocheck.plain import plain

if TYPE_CHECKING:
    from vocheck.booth import Booth
    from vocheck.booth.folder import Event, Watcher
    from vocheck.booth.linelog import LineLog
    from vocheck.booth.serve import PageServer
    from vocheck.session.each import Failure
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
    help="Address of the page; 0.0.0.0 lets other devices in this network read it.",
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
    from vocheck.report.text.watch import render_farewell

    if not page:
        refuse_idle(ctx, ("host", "port"), "without --page")

    terminal = sys.stdout.isatty()
    ink = _ink(sys.stdout.encoding) if terminal else ""
    settings = session_settings([folder], script_file, pattern=pattern)
    booth = Booth([*filter(None, settings.script or ()), *lines], wanted, settings.policy)
    watcher = Watcher(folder)
    with ExitStack() as stack:
        log = stack.enter_context(LineLog(output or folder / RESULTS_NAME))
        server = stack.enter_context(_page_server(host, port)) if page else None
        rings = terminal if bell is None else bell
        settings = replace(settings, executor=stack.enter_context(worker_pool()))
        desk = _Desk(watcher, booth, log, server, settings, ink, rings)
        stack.callback(lambda: click.echo(render_farewell(booth), nl=False))
        desk.warm_up()
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
            desk.catch_up(events)
            for event in events:
                _guarded(desk, event)
            if events:
                last_event = time.monotonic()
    return int(any(line.needed for line in booth.lines))


def _guarded(desk: _Desk, event: Event) -> None:
    """Handle an event; a fault of vocheck's own costs one take its verdict, not the session."""
    from vocheck.booth.folder import Renamed
    from vocheck.errors import VocheckError

    try:
        desk.handle(event)
    except VocheckError:
        raise  # concerns every take: the results cannot be written, or the limits are malformed
    except Exception as error:
        if os.environ.get("VOCHECK_DEBUG"):
            raise
        path = event.new if isinstance(event, Renamed) else event.path
        complain(f"{path}: internal error: {type(error).__name__}: {error}")


def _ink(encoding: str) -> str:
    """Return what large letters are drawn with: blocks where the terminal can show them."""
    try:
        "█".encode(encoding)
    except UnicodeEncodeError:
        return "#"
    return "█"


@contextmanager
def _page_server(host: str, port: int) -> Iterator[PageServer]:
    from vocheck.booth.serve import PageServer
    from vocheck.report.booth_page import PAGE

    with PageServer(PAGE, host, port) as server:
        click.echo(f"Page for the tablet: {server.url}")
        yield server


class _Desk:
    """Takes in what the watcher tells, and says, shows and writes down what follows from it."""

    def __init__(
        self,
        watcher: Watcher,
        booth: Booth,
        log: LineLog,
        server: PageServer | None,
        settings: Settings,
        ink: str,
        bell: bool,
    ) -> None:
        from vocheck.booth.linelog import read_lines
        from vocheck.script.reading import can_hear_words
        from vocheck.wording.booth import standing_by

        self._watcher = watcher
        self._booth = booth
        self._log = log
        self._server = server
        self._settings = settings if can_hear_words() else replace(settings, script=None)
        self._ink = ink
        self._bell = bell
        self._written = {
            (line.get("path"), line.get("sha256"), bool(line.get("reading")))
            for line in read_lines(log.path)
        }
        self._last: TakeResult | None = None
        self._screen = standing_by()
        self._rings = 0
        # Where the terminal can be drawn on, one verdict stands there at a time.
        self._framed = bool(ink) and os.environ.get("TERM", "dumb") != "dumb"
        self._publish()

    def warm_up(self) -> None:
        """Start a worker now, and import here what it sends, or the first take waits for it."""
        import vocheck.session.take  # noqa: F401  what comes back is made of its classes

        if self._settings.executor is not None:
            self._settings.executor.submit(os.getpid).result()

    def catch_up(self, events: list[Event]) -> None:
        """Take in what was recorded before the watching began, without a word on each."""
        from vocheck.booth.folder import Finished
        from vocheck.report.text.watch import render_lines
        from vocheck.session.each import Failure
        from vocheck.session.take import check_all

        there = [e.path for e in events if isinstance(e, Finished) and e.before]
        if not there:
            return
        click.echo(f"Recorded before: {len(there)}. Measuring.")
        for result in check_all(there, self._settings):
            self._write(result)
            if not isinstance(result, Failure) and _is_take(result):
                self._booth.add(result)
        click.echo(render_lines(self._booth.lines))
        self._publish()

    def handle(self, event: Event) -> None:
        """Do what one event asks for."""
        from vocheck.booth.folder import Finished, Gone

        if isinstance(event, Finished):
            if not event.before:
                self._measure(event.path)
        elif isinstance(event, Gone):
            if (take := self._booth.remove(str(event.path))) is not None:
                self._last = None if self._last is take else self._last
                self._say(plain(f"{event.path.name} was deleted."))
        elif (take := self._booth.remove(str(event.old))) is not None:
            self._rename(take, event.new)
        else:
            self._measure(event.new)

    def _measure(self, path: Path) -> None:
        from vocheck.session.each import Failure
        from vocheck.session.take import check_all

        (result,) = check_all([path], replace(self._settings, script=None))
        if not self._watcher.is_settled(path):
            return  # written to or taken away meanwhile: another event will tell
        known = self._booth.known(str(path))
        self._write(result)
        if known is not None and known.sha256 == getattr(result, "sha256", None):
            return  # touched, not recorded again
        if isinstance(result, Failure):
            self._booth.remove(str(path))
        screen = self._taken_in(result, again=known is not None)
        self._show(screen)
        self._ring(screen.kind == "retake")
        if self._booth.known(str(path)) is result:
            self._listen(result)

    def _taken_in(self, result: TakeResult | Failure, *, again: bool) -> Screen:
        """Note what was recorded, and return what is shown of it."""
        from vocheck.booth import forecast_headroom, is_test_read
        from vocheck.session.each import Failure
        from vocheck.wording import booth as wording

        if isinstance(result, Failure):
            return wording.screen_of_failure(result)
        if is_test_read(result.path or ""):
            self._booth.test_read = forecast_headroom(result, self._settings.policy)
            return wording.screen_of_test_read(result, self._booth.test_read)
        if not _is_take(result):
            self._booth.room_tone = result
            return wording.screen_of_tone(result)
        self._booth.add(result)
        self._last = result
        return wording.screen_of_take(result, self._booth, again=again)

    def _listen(self, take: TakeResult) -> None:
        """Hold a take against the script, which takes longer than its verdict may."""
        from vocheck.report.text.watch import render_words
        from vocheck.session.each import Failure, each
        from vocheck.session.take import hear_words
        from vocheck.wording.booth import is_worse, kind_of, screen_of_take

        text, path = self._text(take), Path(take.path or "")
        if text is None:
            return
        work = partial(hear_words, result=take, text=text, rules=self._settings.policy.words)
        (heard,) = each(work, [path], self._settings)
        if isinstance(heard, Failure):
            return  # taken away meanwhile: another event will tell
        if self._watcher.is_settled(path):
            self._booth.add(heard)
            self._last = heard if self._last is take else self._last
            self._write(heard)
            screen = screen_of_take(heard, self._booth)
            if self._framed or screen.kind != self._screen.kind:
                self._show(screen, anew=False)
            else:
                click.echo(render_words(heard, self._booth), nl=False)
                self._screen = screen
                self._publish()
            self._ring(is_worse(kind_of(heard), kind_of(take)))

    def _show(self, screen: Screen, note: str = "", *, anew: bool = True) -> None:
        """Show what came last in terminal and page.

        Parameters
        ----------
        screen : Screen
        note : str
            What has happened beside it.
        anew : bool
            Whether it is about another recording than what is shown: that is then kept above.
        """
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
        self._publish()

    def _ring(self, needed: bool) -> None:
        """Ring in the terminal, where that is wanted, and on the page."""
        if not needed:
            return
        self._rings += 1
        if self._bell:
            click.echo("\a", nl=False)
        self._publish()

    def _text(self, take: TakeResult) -> str | None:
        from vocheck.script.text import text_of

        return text_of(self._settings.script, take.line)

    def _rename(self, take: TakeResult, path: Path) -> None:
        """Move a take in the table; nothing is measured again, unless its words are now others."""
        renamed = self._under_name(take, path)
        told = plain(f"{Path(take.path or '').name} is now {path.name}.")
        if self._text(renamed) != self._text(take):
            click.echo(f"\n{told}")
            self._measure(path)
            return
        self._last = renamed if self._last is take else self._last
        self._booth.add(renamed)
        self._write(renamed)
        self._say(told)

    def _under_name(self, take: TakeResult, path: Path) -> TakeResult:
        """Return a take as its new name tells line and number."""
        from vocheck.session.lineup import take_name

        name = take_name(path, self._settings.pattern, self._settings.notes)
        return replace(
            take,
            path=str(path),
            line=name.line if name else None,
            take=name.take if name else None,
            source=replace(take.source, path=str(path)),
        )

    def _say(self, note: str) -> None:
        """Tell what has happened to a take that was told before."""
        from vocheck.report.text.watch import render_lines
        from vocheck.wording.booth import screen_of_take, standing_by

        last = self._last
        screen = standing_by() if last is None else screen_of_take(last, self._booth)
        if self._framed:
            self._show(screen, note, anew=False)
        else:
            click.echo(f"\n{note}\n{render_lines(self._booth.lines)}")
            self._screen = screen
            self._publish()

    def _write(self, result: TakeResult | Failure) -> None:
        """Write a result down, unless an earlier session has it already."""
        from vocheck.report.json import render_json_line

        sha256, reading = getattr(result, "sha256", None), getattr(result, "reading", None)
        key = (result.path, sha256, reading is not None)
        if key not in self._written:
            self._written.add(key)
            self._log.append(render_json_line(result))

    def _publish(self) -> None:
        if self._server is not None:
            from vocheck.report.booth_page import render_state

            self._server.publish(render_state(self._screen, self._booth, self._rings))


def _is_take(result: TakeResult) -> bool:
    """Whether a recording is a take: its name says so, or somebody speaks in it."""
    from vocheck.booth import has_speech, is_test_read

    if result.take is not None:
        return True
    return has_speech(result) and not is_test_read(result.path or "")
