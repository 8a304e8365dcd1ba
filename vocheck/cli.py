"""The ``vocheck`` command: a group that loads each command when it is called.

Exit status, decided here for every command: 0 nothing to fix; 1 findings at or above the asked
severity; 2 could not do the job (bad usage, unreadable file, internal error); 130 interrupted;
141 the reader of the output went away.
"""

from __future__ import annotations

import io
import os
import sys
from importlib import import_module
from typing import Any

import click

import vocheck
from vocheck.errors import VocheckError
from vocheck.plain import ENCODE_ERRORS, plain

EXIT_FAILED = 2
EXIT_INTERRUPTED = 130
EXIT_BROKEN_PIPE = 141

COMMANDS = {
    "take": "Check takes: keep it or go again?",
    "rank": "Rank the takes of each line in a folder, and say why.",
    "comp": "Compare the takes of a line phrase by phrase.",
    "match": "Compare pickups with a reference take.",
    "desk": "Open a session in a window, live.",
    "watch": "Stand by in the booth and judge each take as it is recorded.",
    "passes": "Find each reading of each line in one long recording.",
    "script": "Predict the read time of a script.",
    "slots": "Hold each line against its place under the picture.",
    "room": "Measure the booth from a clap, a sweep or room tone.",
    "mix": "Check a final mix against where it goes.",
    "deliver": "Pack checked mixes and stems for a client, with check sums and a sheet to sign.",
    "survey": "Measure any number of recordings into a file, on this machine or many.",
    "targets": "List the delivery targets, with source and status.",
    "explain": "Explain a measurement or a finding.",
    "demo": "Copy the demo session here, rank it and show the result.",
}
"""Name and summary of every command, in the order of the job. Kept here so that ``--help`` imports
no command."""


class LazyGroup(click.Group):
    """A group whose commands live in ``vocheck.commands.NAME`` and are imported when run."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 (click's signature)
        """Return the names in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import one command, or return ``None`` for an unknown name."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(f"vocheck.commands.{cmd_name}").command
        return command

    def format_commands(
        self,
        ctx: click.Context,  # noqa: ARG002
        formatter: click.HelpFormatter,
    ) -> None:
        """List names and summaries without importing a command."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=(
        "Monitor at safe levels. The recipient's contract and own check win over any table here."
    ),
)
@click.version_option(vocheck.__version__, prog_name="vocheck")
def group() -> None:
    """Check the recording quality of voice-over takes."""


def main(args: list[str] | None = None) -> None:
    """Run the command line and exit with its status."""
    # Before numpy is loaded: our matrix products are short, and OpenBLAS's other threads would only
    # spin between them. Several takes at once run in processes instead.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from vocheck.commands.alone import WHOLE_PROGRAM, leave

    leave(run(args, WHOLE_PROGRAM))


def run(args: list[str] | None = None, obj: object = None) -> int:
    """Run the command line and return its exit status; no traceback reaches the user."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=ENCODE_ERRORS)  # no encoding can end a command
    color = False if os.environ.get("NO_COLOR") else None
    try:
        status: Any = group.main(
            args, prog_name="vocheck", standalone_mode=False, color=color, obj=obj
        )
        sys.stdout.flush()
    except click.exceptions.Abort:
        return _say("interrupted", EXIT_INTERRUPTED)
    except KeyboardInterrupt:
        return _say("interrupted", EXIT_INTERRUPTED)
    except BrokenPipeError:
        # Point stdout elsewhere, or the interpreter complains once more when it flushes at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_BROKEN_PIPE
    except click.ClickException as error:
        vars(error)["message"] = plain(error.message)  # file names of a glob stand in it
        error.show()
        return EXIT_FAILED
    except VocheckError as error:
        return _say(str(error), EXIT_FAILED)
    except OSError as error:
        return _say(f"{error.filename or 'file'}: {error.strerror or error}", EXIT_FAILED)
    except Exception as error:
        if os.environ.get("VOCHECK_DEBUG"):
            raise
        return _say(
            f"internal error: {type(error).__name__}: {error} "
            "(set VOCHECK_DEBUG=1 to see where; please report it)",
            EXIT_FAILED,
        )
    return status if isinstance(status, int) else 0


def _say(message: str, status: int) -> int:
    click.echo(f"vocheck: {plain(message)}", err=True)
    return status
