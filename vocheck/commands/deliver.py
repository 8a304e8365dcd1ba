"""``vocheck deliver``: checked mixes and stems as a package for a client."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vocheck.commands.guard import Command
from vocheck.commands.options import deliver, format_option, quiet_option
from vocheck.plain import plain

if TYPE_CHECKING:
    from vocheck.mix import Package
    from vocheck.policy.delivery import Verdict

FAIL_ON: dict[str, tuple[Verdict, ...]] = {"warn": ("warn", "fail"), "fail": ("fail",)}


@click.command("deliver", cls=Command)
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option(
    "--to",
    "targets",
    multiple=True,
    required=True,
    metavar="NAME",
    help="Where it goes; repeatable. `vocheck targets` lists the names.",
)
@click.option(
    "-o",
    "--out",
    "package_folder",
    required=True,
    metavar="OUT",
    type=click.Path(path_type=Path),
    help="The folder to make. One that is there already is not touched.",
)
@click.option("--title", help="Of the film.  [default: what the name of each file tells]")
@click.option(
    "--name",
    "pattern",
    default="{title}_{version}",
    show_default=True,
    help="How files are called: {title}, {version}, {destination}, {date}.",
)
@click.option(
    "--fail-on",
    type=click.Choice(list(FAIL_ON)),
    default="fail",
    show_default=True,
    help="Write nothing if a mix is at least this bad.",
)
@format_option("text", "json")
@quiet_option
def command(
    folder: Path,
    targets: tuple[str, ...],
    package_folder: Path,
    title: str | None,
    pattern: str,
    fail_on: str,
    form: str,
    quiet: bool,
) -> int:
    """Pack the mixes and stems of FOLDER for a client.

    Each mix is checked against where it goes; one whose name holds the name of a destination goes
    there only. WAV files get their loudness into their header, their samples stay as they are. With
    the files come check sums (SHA256SUMS), what was measured (delivery.json) and a sheet to sign
    (delivery.pdf). If a mix fails, nothing is written.

    Exit status: 0 written, 1 not written because a check failed, 2 could not do the job.
    """
    from datetime import datetime

    from vocheck import __version__
    from vocheck.errors import VocheckError
    from vocheck.mix import check_package

    if package_folder.exists() or package_folder.is_symlink():
        raise VocheckError(f"{package_folder}: is there already, and a package replaces nothing")
    if not package_folder.absolute().parent.is_dir():
        raise VocheckError(f"{package_folder}: the folder that it is to lie in does not exist")

    def tell(name: str) -> None:
        if not quiet:
            click.echo(f"checking {plain(name)}", err=True)

    package = check_package(
        folder,
        targets,
        pattern=pattern,
        title=title,
        now=datetime.now().astimezone(),
        version=__version__,
        fail_on=FAIL_ON[fail_on],
        progress=tell,
    )
    if not package.problems:
        with _becoming(package_folder) as temporary:
            package = _write(package, temporary)
    deliver(_render(package, form, package_folder), None)
    return int(bool(package.problems))


def _write(package: Package, folder: Path) -> Package:
    """Write everything that a package holds into an empty folder."""
    from vocheck.mix.package import REPORT, SHEET, SUMS, render_sums, write_files
    from vocheck.report.json import render_json
    from vocheck.report.sheet_delivery import render_package_pdf

    package = write_files(package, folder)
    (folder / REPORT).write_bytes(render_json(package).encode())
    (folder / SHEET).write_bytes(render_package_pdf(package))
    paths = [*(item.path for item in package.items), REPORT, SHEET]
    (folder / SUMS).write_bytes(render_sums(folder, paths).encode())
    return package


def _render(package: Package, form: str, folder: Path) -> str:
    if form == "json":
        from vocheck.report.json import render_json

        return render_json(package)
    from vocheck.report.text.deliver import render_package

    return render_package(package, None if package.problems else str(folder))


@contextmanager
def _becoming(folder: Path) -> Iterator[Path]:
    """Yield an empty folder that gets its name when the block ends well, and else goes away."""
    from vocheck.errors import VocheckError

    parent = folder.absolute().parent
    temporary = parent / f".vocheck-{os.getpid()}-{secrets.token_hex(8)}.part"
    try:
        temporary.mkdir()
        yield temporary
        if folder.exists() or folder.is_symlink():
            raise VocheckError(f"{folder}: is there already, and a package replaces nothing")
        temporary.rename(folder)
    except OSError as error:
        raise VocheckError(f"{folder}: cannot be written: {error.strerror or error}") from error
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
