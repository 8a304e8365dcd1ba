"""A single take, measured in a copy of this process: if that is lost, a line is left to be said."""

from __future__ import annotations

import gc
import os
import signal
import sys
from contextlib import suppress
from pathlib import Path
from typing import NoReturn

import click


def go_on_in_a_copy(path: Path) -> None:
    """Let a copy of this process do the rest of the command, and end with its exit status.

    A decoder that crashes, hangs or fills the memory ends the copy; this process says so in one
    line. The copy costs a millisecond, where a new process would import everything again. Nothing
    is done where the command is not the whole program (a test, somebody's script), and on systems
    other than Linux, which promise less of a copy.

    Raises
    ------
    click.exceptions.Exit
        In this process, when the copy has ended.
    """
    context = click.get_current_context(silent=True)
    if sys.platform != "linux" or context is None or context.obj is not WHOLE_PROGRAM:
        return
    from vocheck.session.workers import how_it_died, limit_this_process

    sys.stdout.flush()
    sys.stderr.flush()
    gc.freeze()  # a collection in the copy would touch, and so copy, every object that is there
    copy = os.fork()
    _ends_at_once.append(True)
    if copy == 0:
        limit_this_process()
        return
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda number, _: os.kill(copy, number))
    _, status = os.waitpid(copy, 0)
    if os.WIFSIGNALED(status):
        ended_by = os.WTERMSIG(status)
        if ended_by in (signal.SIGTERM, signal.SIGHUP):
            signal.signal(ended_by, signal.SIG_DFL)
            os.kill(os.getpid(), ended_by)
        click.echo(f"vocheck: {path}: cannot be measured: {how_it_died(ended_by)}", err=True)
        raise click.exceptions.Exit(2)
    raise click.exceptions.Exit(os.WEXITSTATUS(status))


def leave(status: int) -> NoReturn:
    """End the program.

    After `go_on_in_a_copy` neither process takes the interpreter down object by object: in the copy
    that would copy every page only to free it. Nothing waits to be done at the end: files are
    written, no other process was started.
    """
    if _ends_at_once:
        for stream in (sys.stdout, sys.stderr):
            with suppress(OSError, ValueError):
                stream.flush()
        os._exit(status)
    sys.exit(status)


_ends_at_once: list[bool] = []

WHOLE_PROGRAM = object()
"""What a command's context holds where it runs as a program of its own."""
