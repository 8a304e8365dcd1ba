"""What a command reads and what it writes, known before it starts.

Every command is a `Command`. Its parameters of type `Output` are where it writes to; every other
path it is given is read. So a new option is covered by itself: one that writes and is not declared
so cannot replace anything either, because its file counts as read.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from vocheck.errors import VocheckError
from vocheck.files import KEPT_NAME, SETTINGS_NAMES, protecting, refuse_to_write


class Output(click.Path):
    """A file that is written; with `suffixes`, one of the kinds that they name."""

    def __init__(self, *suffixes: str) -> None:
        super().__init__(path_type=Path)
        self.suffixes = suffixes


class Command(click.Command):
    """A command that refuses, before it measures, to write over what it or a session needs."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command with every file that it reads protected."""
        outputs = list(_outputs(ctx))
        with protecting(_inputs(ctx)):
            for name, path, suffixes in outputs:
                _check(name, path, suffixes)
            _check_distinct(outputs)
            return super().invoke(ctx)


def refuse_idle(ctx: click.Context, options: tuple[str, ...], because: str) -> None:
    """Refuse options that were given and would do nothing.

    Parameters
    ----------
    ctx : click.Context
    options : tuple of str
        Names of parameters of the command.
    because : str
        Ends the sentence "--option does nothing ...".
    """
    for parameter in ctx.command.params:
        if (
            parameter.name in options
            and ctx.get_parameter_source(parameter.name) is not ParameterSource.DEFAULT
        ):
            raise VocheckError(f"{parameter.opts[-1]} does nothing {because}")


def _check(name: str, path: Path, suffixes: tuple[str, ...]) -> None:
    try:
        device = path.exists() and not path.is_file() and not path.is_dir()
    except OSError:
        device = False
    if suffixes and not device and path.suffix.lower() not in suffixes:
        *others, last = suffixes
        wanted = f"{', '.join(others)} or {last}" if others else last
        raise VocheckError(f"{name} {path}: must end in {wanted}")
    refuse_to_write(path)
    if path.name.lower() in SETTINGS_NAMES:  # where there is none yet, too: it would be read
        raise VocheckError(f"{path}: {KEPT_NAME}")


def _check_distinct(outputs: list[tuple[str, Path, tuple[str, ...]]]) -> None:
    """Refuse two outputs in one file: the second would replace the first."""
    seen: dict[Path, str] = {}
    for name, path, _ in outputs:
        place = path.resolve()
        if place in seen and (place.is_file() or not place.exists()):
            raise VocheckError(f"{path}: is named by {seen[place]} and by {name}")
        seen[place] = name


def _outputs(ctx: click.Context) -> Iterator[tuple[str, Path, tuple[str, ...]]]:
    for parameter in ctx.command.params:
        if isinstance(parameter.type, Output):
            for path in _paths(ctx.params.get(parameter.name or "")):
                yield parameter.opts[-1], path, parameter.type.suffixes


def _inputs(ctx: click.Context) -> list[Path]:
    """Return every path that is no output, its ``vocheck.toml``, and the script named there."""
    read = [
        path
        for parameter in ctx.command.params
        if not isinstance(parameter.type, Output)
        for path in _paths(
            ctx.params.get(parameter.name or ""), isinstance(parameter.type, click.Path)
        )
    ]
    if any(path.exists() for _, path, _ in _outputs(ctx)):
        from vocheck.policy.config import find_config, find_script

        for path in {Path.cwd(), *read, *(path.parent for path in read)}:
            with suppress(VocheckError, OSError):  # which the command will tell itself
                read += filter(None, (find_config(path), find_script(path)))
    return read


def _paths(value: Any, text: bool = False) -> Iterator[Path]:
    """Yield the paths in a parameter's value; text counts only where paths are asked for."""
    if isinstance(value, Path) or (text and isinstance(value, str)):
        yield Path(value)
    elif isinstance(value, Mapping):
        for item in value.values():
            yield from _paths(item, text)
    elif isinstance(value, (tuple, list)):
        for item in value:
            yield from _paths(item, text)
