"""``vocheck desk``: the session in a window."""

from __future__ import annotations

import sys
from contextlib import ExitStack, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vocheck.commands.guard import Command, refuse_idle
from vocheck.commands.options import cache_option, complain, pattern_option, script_option
from vocheck.plain import plain

if TYPE_CHECKING:
    from vocheck.desk.access import Keys
    from vocheck.desk.serve import Server
    from vocheck.desk.session import Session


@click.command("desk", cls=Command)
@click.argument(
    "folder",
    required=False,
    type=click.Path(exists=True, file_okay=False, path_type=Path),
)
@click.option("--demo", is_flag=True, help="Open a copy of the demo session, to look around.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    help="Port of the page; 0 takes any free one.  [default: 8470, or a free one]",
)
@click.option(
    "--browser/--no-browser",
    default=True,
    help="Whether to open the page; with --no-browser its address is the first line that is "
    "printed.",
)
@click.option(
    "--share", is_flag=True, help="Let others in this network look, by an address and a QR code."
)
@click.option("--share-write", is_flag=True, help="Let them change notes and settings, too.")
@script_option
@pattern_option
@cache_option
@click.pass_context
def command(
    ctx: click.Context,
    folder: Path | None,
    demo: bool,
    port: int | None,
    browser: bool,
    share: bool,
    share_write: bool,
    script_file: Path | None,
    pattern: str | None,
) -> int:
    """Open a session in a window: everything from the test read to the mix.

    FOLDER is where the takes are recorded to; without it, this folder if it holds recordings, else
    the one that was opened last. The page follows what happens there. Recordings are only read;
    notes are saved to notes.csv and limits to vocheck.toml, as you change them. Only this computer
    can open the page, unless you share it. Ctrl-C ends it.
    """
    from vocheck.commands.pool import session_settings, worker_pool
    from vocheck.commands.rank import DEFAULT_TARGETS
    from vocheck.desk.access import make_keys
    from vocheck.desk.recent import demo_folder, remember, session_folder
    from vocheck.desk.session import Session

    if demo:
        refuse_idle(ctx, ("folder",), "beside --demo")
    place = demo_folder() if demo else session_folder(folder)
    settings = session_settings([place], script_file, pattern=pattern, targets=DEFAULT_TARGETS)
    keys = make_keys(place, share=share, share_write=share_write)
    # Ctrl-C is how a session ends; the workers see it, and wait for nothing that is half done.
    with suppress(KeyboardInterrupt), ExitStack() as stack:
        settings = replace(settings, executor=stack.enter_context(worker_pool()))
        bench, hand = (stack.enter_context(worker_pool(count)) for count in (None, 1))
        session = Session(place, settings, bench, hand)
        stack.callback(session.close)
        server = stack.enter_context(_served(session, keys, port))
        remember(place)
        _tell(server, place, browser)
        session.start()
        session.run(lambda: False)
    return 0


def _served(session: Session, keys: Keys, port: int | None) -> Server:
    """Return the server, at the usual port or, where another program has it, at a free one."""
    from vocheck.desk.access import LOOPBACK
    from vocheck.desk.app import make_app
    from vocheck.desk.serve import PORT, Server
    from vocheck.errors import VocheckError

    host = "0.0.0.0" if keys.shared else LOOPBACK
    app, end = make_app(session.answers), session.answers.end
    if port is not None:
        return Server(app, keys, host, port, end)
    try:
        return Server(app, keys, host, PORT, end)
    except VocheckError:
        return Server(app, keys, host, 0, end)


def _tell(server: Server, place: Path, browser: bool) -> None:
    """Print the address, and open it where asked."""
    click.echo(server.url)
    click.echo(f"The desk of {plain(str(place))}. Ctrl-C ends it.")
    if server.shared_url:
        import segno

        click.echo(f"For others in this network: {server.shared_url}")
        if sys.stdout.isatty():
            segno.make(server.shared_url, error="l").terminal(compact=True)
    sys.stdout.flush()
    if browser:
        import webbrowser

        if not webbrowser.open(server.url):
            complain("no browser was found: open the address above")
