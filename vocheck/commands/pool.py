"""What the commands on takes work with: the settings of the session, made once, and its workers."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

from vocheck.commands.alone import go_on_in_a_copy
from vocheck.commands.options import cache_of_command, read_session_script

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from vocheck.session.settings import Options, Settings


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
    settings = session_settings(paths, script_file, **options)
    if len(paths) < 2:
        go_on_in_a_copy(paths[0])
        yield paths, settings
        return
    with worker_pool(min(jobs or _cores(), len(paths))) as executor:
        yield paths, replace(settings, executor=executor)


def session_settings(
    paths: Sequence[Path], script_file: Path | None = None, **options: Unpack[Options]
) -> Settings:
    """Return the settings for takes: with the cache, and the script that was asked for."""
    from vocheck.session.settings import make_settings

    options["cache"] = cache_of_command()
    settings = make_settings(paths, **options)
    file = script_file or settings.script_file
    return settings if file is None else replace(settings, script=read_session_script(file))


def worker_pool(workers: int | None = None) -> Executor:
    """Return processes to measure takes in, one per core where no number is given."""
    from vocheck.session.workers import WorkerPool

    return WorkerPool(workers or _cores())


def _cores() -> int:
    return os.cpu_count() or 1
