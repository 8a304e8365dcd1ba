"""What the commands on takes work with: the settings of the session, made once, and its workers."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

from vocheck.commands.alone import go_on_in_a_copy
from vocheck.commands.options import (
    cache_of_command,
    complain,
    read_session_script,
    tell_what_words_need,
)

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from vocheck.script.text import Script
    from vocheck.session.settings import Options, Settings

SCRIPT_NAMES = ("script.txt", "script.csv")


@contextmanager
def take_settings(
    files: Sequence[Path],
    jobs: int | None,
    script_file: Path | None = None,
    **options: Unpack[Options],
) -> Iterator[tuple[list[Path], Settings]]:
    """Yield the takes among files and folders, and the settings for them.

    Many takes are measured in worker processes. For a single one that would cost as much again: it
    is measured here, in a copy of this process.
    """
    from vocheck.session.lineup import find_recordings

    paths = find_recordings(files)
    if len(paths) < 2:
        go_on_in_a_copy(paths[0])  # before the large imports: what is not there need not be copied
        yield paths, session_settings([*files, *paths], script_file, **options)
        return
    settings = session_settings([*files, *paths], script_file, **options)
    with worker_pool(min(jobs or _cores(), len(paths))) as executor:
        yield paths, replace(settings, executor=executor)


def session_settings(
    paths: Sequence[Path], script_file: Path | None = None, **options: Unpack[Options]
) -> Settings:
    """Return the settings for takes or folders of them: with the cache, and the script.

    The script is the one that was asked for, else that of ``vocheck.toml``, else the one that lies
    beside the takes.
    """
    from vocheck.session.settings import make_settings

    options["cache"] = cache_of_command()
    settings = make_settings(paths, **options)
    file = script_file or settings.script_file
    if file is not None:
        return replace(settings, script=read_session_script(file))
    return replace(settings, script=_script_beside(paths, settings))


def _script_beside(paths: Sequence[Path], settings: Settings) -> Script | None:
    """Return the script that lies beside takes. Nobody asked for it: one in doubt is not used."""
    from vocheck.errors import SessionError
    from vocheck.script.text import read_script
    from vocheck.session.lineup import take_name

    folders = dict.fromkeys(path if path.is_dir() else path.parent for path in paths)
    found = [
        next((folder / name for name in SCRIPT_NAMES if (folder / name).is_file()), None)
        for folder in folders
    ]
    files = [file for file in found if file is not None]
    if not files:
        return None
    if len(files) > 1:
        complain(f"{files[0]} and {files[1]}: to check the words, name one with --script")
        return None
    try:
        script = read_script(files[0])
    except SessionError as error:
        complain(f"{error}; the words are not checked")
        return None
    if set(script) == {""}:
        names = (take_name(p, settings.pattern, None) for p in paths if not p.is_dir())
        if len({name.line for name in names if name is not None}) > 1:
            complain(f"{files[0]}: does not say which words are which line; they are not checked")
            return None
    tell_what_words_need()
    return script


def worker_pool(workers: int | None = None) -> Executor:
    """Return processes to measure takes in, one per core where no number is given."""
    from vocheck.session.workers import WorkerPool

    return WorkerPool(workers or _cores())


def _cores() -> int:
    return os.cpu_count() or 1
