"""Options that several commands share, and how a report leaves the program."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from vocheck.commands.guard import Output
from vocheck.plain import plain, plain_lines

if TYPE_CHECKING:
    from vocheck.script.text import Script
    from vocheck.session.cache import Cache

F = TypeVar("F", bound=Callable[..., Any])
T = TypeVar("T")

_NO_CACHE = "vocheck.no_cache"
SEVERITY_RANKS = {"note": 0, "fixable": 1, "retake": 2}


def output_option(function: F) -> F:
    """Add ``--output``."""
    return click.option(
        "-o",
        "--output",
        type=Output(),
        help="Write the report to a file instead of the terminal.",
    )(function)


def format_option(*formats: str) -> Callable[[F], F]:
    """Add ``--format`` with these choices, the first being the default."""
    return click.option(
        "--format",
        "form",
        type=click.Choice(formats),
        default=formats[0],
        show_default=True,
        help="How to write the report.",
    )


def fail_on_option(function: F) -> F:
    """Add ``--fail-on`` for takes."""
    return click.option(
        "--fail-on",
        type=click.Choice([*SEVERITY_RANKS, "never"]),
        default="retake",
        show_default=True,
        help="Exit with status 1 if a finding is at least this severe.",
    )(function)


def quiet_option(function: F) -> F:
    """Add ``--quiet``."""
    return click.option("-q", "--quiet", is_flag=True, help="No progress on stderr.")(function)


def jobs_option(function: F) -> F:
    """Add ``--jobs``."""
    return click.option(
        "-j",
        "--jobs",
        type=click.IntRange(min=1),
        default=None,
        help="Takes measured at the same time.  [default: one per core]",
    )(function)


def cache_option(function: F) -> F:
    """Add ``--no-cache``; without it, what was measured before is not measured again."""

    def note(context: click.Context, _: click.Parameter, without: bool) -> None:
        context.meta[_NO_CACHE] = without

    return click.option(
        "--no-cache",
        is_flag=True,
        expose_value=False,
        callback=note,
        help="Measure anew what was measured before.",
    )(function)


def cache_of_command() -> Cache | None:
    """Return the user's cache, unless the command that runs was told to do without."""
    from vocheck.session.cache import user_cache

    context = click.get_current_context(silent=True)
    without = context is not None and context.meta.get(_NO_CACHE, False)
    return None if without else user_cache()


def session_options(function: F) -> F:
    """Add what concerns the takes of a session: script, names, how they are measured and shown."""
    for add in (quiet_option, jobs_option, cache_option, pattern_option, script_option):
        function = add(function)
    return function


def page_options(what: str, sound: str) -> Callable[[F], F]:
    """Add ``--html`` for a page of `what`, and ``--embed-audio`` to put `sound` into it."""

    def add(function: F) -> F:
        function = click.option("--embed-audio", is_flag=True, help=f"Put {sound} in the page.")(
            function
        )
        return click.option(
            "--html",
            "page",
            type=Output(),
            metavar="OUT.html",
            help=f"Also write a page {what}; one file, works offline.",
        )(function)

    return add


def pdf_option(what: str) -> Callable[[F], F]:
    """Add ``--pdf`` for a sheet of `what`."""
    return click.option(
        "--pdf",
        "sheet",
        type=Output(),
        metavar="OUT.pdf",
        help=f"Also write a PDF, {what}.",
    )


def pattern_option(function: F) -> F:
    """Add ``--pattern``."""
    return click.option(
        "--pattern",
        help="Regular expression that finds (?P<line>...) and (?P<take>...) in a file name.",
    )(function)


def script_option(function: F) -> F:
    """Add ``--script`` for takes."""
    return click.option(
        "--script",
        "script_file",
        type=click.Path(dir_okay=False, path_type=Path),
        metavar="FILE",
        help="Also hold each take against its line of this script.  "
        "[default: script of [session] in vocheck.toml, or script.txt or script.csv beside the "
        "takes]",
    )(function)


def read_session_script(file: Path) -> Script:
    """Read the script of a session; say on stderr what is missing to check its words."""
    from vocheck.script.text import read_script

    script = read_script(file)
    tell_what_words_need()
    return script


def tell_what_words_need() -> None:
    """Say on stderr what to install where words cannot be checked."""
    from vocheck.script.reading import NEEDS_EXTRA, can_hear_words

    if not can_hear_words():
        complain(f"the words are not checked; {NEEDS_EXTRA}")


def deliver(report: str, output: Path | None) -> None:
    """Print a report, or write it to a file under a temporary name and rename it."""
    if output is None:
        click.echo(plain_lines(report), nl=False)
        return
    from vocheck.files import replacing

    with replacing(output) as temporary:
        # Line ends as they are: a report is the same bytes on every system.
        temporary.write_bytes(plain_lines(click.unstyle(report)).encode())


def complain(message: object) -> None:
    """Say on stderr, in one line, what went wrong."""
    click.echo(f"vocheck: {plain(str(message))}", err=True)


def progress(quiet: bool) -> Callable[[Iterable[T], int], Iterable[T]]:
    """Return what shows a progress bar on stderr while a stream of results is read.

    Nothing is shown where stderr is no terminal, for a single item, or with ``--quiet``.
    """

    def show(results: Iterable[T], total: int) -> Iterable[T]:
        hidden = quiet or total < 2 or not sys.stderr.isatty()
        with click.progressbar(
            results, length=total, label="measuring", file=sys.stderr, hidden=hidden
        ) as bar:
            yield from bar

    return show


def exit_status(severities: Iterable[str], fail_on: str, failures: int) -> int:
    """Return 2 if a file could not be done, 1 if a finding is severe enough, else 0."""
    if failures:
        return 2
    if fail_on == "never":
        return 0
    asked = SEVERITY_RANKS[fail_on]
    return int(any(SEVERITY_RANKS[severity] >= asked for severity in severities))
