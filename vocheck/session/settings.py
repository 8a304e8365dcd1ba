"""What a session is worked on with, made once and passed on as one value."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypedDict, Unpack

from vocheck.errors import SessionError
from vocheck.policy.config import find_config
from vocheck.policy.every import Policy, load_policy
from vocheck.policy.limits import Limits
from vocheck.policy.pattern import NamePattern
from vocheck.script.text import Script
from vocheck.session.cache import Cache
from vocheck.session.names import compile_pattern
from vocheck.session.notes import Notes

if TYPE_CHECKING:  # most takes are held against no destination
    from vocheck.policy.destinations import Destination


class Options(TypedDict, total=False):
    """What a caller may choose; all of it can be left out.

    Attributes
    ----------
    limits : Limits
        Where omitted: the shipped ones, with the overrides of the ``vocheck.toml``.
    targets : sequence of str
        Delivery targets by name, e.g. ``"social"``.
    pattern : str
        Regular expression that tells line and take from a file's name.
    script : mapping of str to str
        Text by line (see `vocheck.script.text.read_script`); each take is held against that of its
        line.
    notes : Notes
        What the session notes say; where omitted, ``notes.csv`` beside the takes is read.
    cache : Cache
        What was measured before is taken from it, and kept in it; without one, nothing is.
    executor : concurrent.futures.Executor
        Where the work is done: processes (`vocheck.session.workers.WorkerPool`) or threads of this
        machine, or a cluster's executor. This thread where omitted.
    """

    limits: Limits | None
    targets: Sequence[str]
    pattern: str | None
    script: Script | None
    notes: Notes | None
    cache: Cache | None
    executor: Executor | None


@dataclass(frozen=True)
class Settings:
    """Everything that does not change from take to take; see `Options`.

    It can be pickled, and goes to another process without its executor.

    Attributes
    ----------
    policy : Policy
        What judges.
    own_limits : Limits or None
        What takes are held to instead of the policy's limits, where that was asked for.
    destinations : tuple of Destination
        Where the takes will go.
    pattern : NamePattern or None
        Tells line and take from a file's name; ``None`` for the usual shapes.
    script : Script or None
    notes : Notes or None
        ``None`` to read those beside the takes.
    cache : Cache or None
    executor : Executor or None
    """

    policy: Policy
    own_limits: Limits | None = None
    destinations: tuple[Destination, ...] = ()
    pattern: NamePattern | None = None
    script: Script | None = None
    notes: Notes | None = None
    cache: Cache | None = None
    executor: Executor | None = field(default=None, compare=False, repr=False)

    @property
    def limits(self) -> Limits:
        """What takes are held to."""
        return self.policy.limits if self.own_limits is None else self.own_limits

    @property
    def script_file(self) -> Path | None:
        """The script that the ``vocheck.toml`` names, if any."""
        name, config = self.policy.session.script, self.policy.path
        return None if name is None or config is None else config.parent / name

    def __getstate__(self) -> dict[str, Any]:
        plain = {f.name: getattr(self, f.name) for f in fields(self)}
        return {**plain, "executor": None}


def make_settings(paths: Iterable[str | os.PathLike[str]], **options: Unpack[Options]) -> Settings:
    """Make the settings for takes or folders of them, from the ``vocheck.toml`` nearest to them.

    Raises
    ------
    SessionError
        If the pattern is malformed, or there are two such files: which one counts?
    TargetError
        If a target is unknown or a ``vocheck.toml`` malformed.
    """
    policy = load_policy(_config_of(paths))
    targets = options.get("targets", ())
    return Settings(
        policy=policy,
        own_limits=options.get("limits"),
        destinations=policy.find_destinations(targets) if targets else (),
        pattern=compile_pattern(options.get("pattern") or policy.session.pattern),
        script=options.get("script"),
        notes=options.get("notes"),
        cache=options.get("cache"),
        executor=options.get("executor"),
    )


def settings_or(
    settings: Settings | None,
    paths: Iterable[str | os.PathLike[str]],
    options: Options,
) -> Settings:
    """Return the settings that were given, or make them of single options.

    Raises
    ------
    TypeError
        If both are given.
    """
    if settings is None:
        return make_settings(paths, **options)
    if options:
        raise TypeError(f"settings were given, and {', '.join(options)} beside them")
    return settings


def _config_of(paths: Iterable[str | os.PathLike[str]]) -> Path | None:
    folders = {path if path.is_dir() else path.parent: path for path in map(Path, paths)}
    found = {config: path for f, path in folders.items() if (config := find_config(f))}
    if len(found) > 1:
        (first, one), (second, other), *_ = found.items()
        raise SessionError(
            f"{first} counts for {one}, but {second} for {other}: check them one after the other"
        )
    return next(iter(found), None)
