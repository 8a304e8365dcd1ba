"""Everything that judges, as one value: `Policy`, made by `load_policy`."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vocheck.policy.config import SECTIONS, Config, SessionRow, find_config, load_config
from vocheck.policy.limits import LIMITS, ROOM, WORDS
from vocheck.policy.rule import Rules

# One take is judged by its limits alone: what reads the rest is imported when it is asked for.
if TYPE_CHECKING:
    from vocheck.policy.costs import JoinCost, Ranking
    from vocheck.policy.destinations import Destination, Destinations
    from vocheck.policy.mixing import MixRules
    from vocheck.policy.obstacles import Most
    from vocheck.policy.rows import Row
    from vocheck.policy.tolerances import (
        Audible,
        Character,
        DriftRules,
        Edit,
        Fit,
        HeadroomRow,
        Match,
        Pace,
        RoomLike,
    )


@dataclass(frozen=True)
class Policy:
    """Every rule and number that judges: as shipped, with a studio's overrides.

    Each part is read when it is first asked for, and kept. Two policies of the same settings are
    equal; a policy can be pickled, and goes to another process without its parts.

    Attributes
    ----------
    config : Config
        The studio's settings.
    """

    config: Config = Config()

    @property
    def path(self) -> Path | None:
        """The studio's file, if there is one."""
        return self.config.path

    @property
    def session(self) -> SessionRow:
        """How file names tell line and take, and the script's file."""
        return self.config.session

    @cached_property
    def limits(self) -> Rules:
        """What a take's sound is held to."""
        return LIMITS.load(self.config)

    @cached_property
    def words(self) -> Rules:
        """What it means that a take departs from its script."""
        return WORDS.load(self.config)

    @cached_property
    def room(self) -> Rules:
        """What a recording room is held to."""
        return ROOM.load(self.config)

    @property
    def rules(self) -> Rules:
        """Every rule that `vocheck explain` knows, by name."""
        return {**self.limits, **self.words, **self.room}

    @property
    def rows(self) -> Mapping[str, Row]:
        """Every other number that judges, by the names of its tables: ``drift.level``."""
        from vocheck.policy import costs, mixing, obstacles, tolerances

        sections = (
            *(costs.RANKING, costs.COMP, obstacles.OBSTACLES, mixing.MIX),
            *(tolerances.MATCH, tolerances.DRIFT, tolerances.HEADROOM, tolerances.POSITIONS),
            *(tolerances.CHARACTER, tolerances.COMPARE, tolerances.PACE),
            *(tolerances.SLOTS, tolerances.EDIT),
        )
        return {
            f"{section.name}.{name}": row
            for section in sections
            for name, row in section.load(self.config).items()
        }

    @cached_property
    def compare(self) -> Mapping[str, RoomLike]:
        """What a room's reverberation time is laid beside."""
        from vocheck.policy.tolerances import COMPARE

        return COMPARE.load(self.config)

    @cached_property
    def character(self) -> Mapping[str, Character]:
        """What a room's reverberation time means for a voice, shortest first."""
        from vocheck.policy.tolerances import CHARACTER

        return CHARACTER.load(self.config)

    @cached_property
    def positions(self) -> Mapping[str, Audible]:
        """From which difference on two positions are not alike."""
        from vocheck.policy.tolerances import POSITIONS

        return POSITIONS.load(self.config)

    @cached_property
    def match(self) -> Match:
        """What a pickup is held to."""
        from vocheck.policy.tolerances import load_match

        return load_match(self.config)

    @cached_property
    def drift(self) -> DriftRules:
        """What a running session is held to."""
        from vocheck.policy.tolerances import load_drift

        return load_drift(self.config)

    @cached_property
    def headroom(self) -> HeadroomRow:
        """What the test read says about the takes."""
        from vocheck.policy.tolerances import HEADROOM

        row: HeadroomRow = HEADROOM.load(self.config)["test_read"]
        return row

    @cached_property
    def ranking(self) -> Ranking:
        """What facts cost when takes are put in order."""
        from vocheck.policy.costs import load_ranking

        return load_ranking(self.config, self.limits)

    @cached_property
    def comp(self) -> Mapping[str, JoinCost]:
        """What a change of take costs."""
        from vocheck.policy.costs import COMP

        return COMP.load(self.config)

    @cached_property
    def mix(self) -> MixRules:
        """What is said and done of a mix beside the rules of its destination."""
        from vocheck.policy.mixing import load_mix

        return load_mix(self.config)

    @cached_property
    def obstacles(self) -> Mapping[str, Most]:
        """What the gain to a destination's target cannot save in a take."""
        from vocheck.policy.obstacles import OBSTACLES

        return OBSTACLES.load(self.config)

    @cached_property
    def pace(self) -> Mapping[str, Pace]:
        """How fast a script is read."""
        from vocheck.policy.tolerances import PACE

        return PACE.load(self.config)

    @cached_property
    def edit(self) -> Edit:
        """How chosen takes are laid on a timeline and in an assembly."""
        from vocheck.policy.tolerances import load_edit

        return load_edit(self.config)

    @cached_property
    def slots(self) -> Mapping[str, Fit]:
        """What it means that a line does not fit its place under the picture."""
        from vocheck.policy.tolerances import SLOTS

        return SLOTS.load(self.config)

    @cached_property
    def destinations(self) -> Destinations:
        """Where the sound can go."""
        from vocheck.policy.destinations import load_destinations

        return load_destinations(self.config)

    def find_destinations(self, names: Iterable[str]) -> tuple[Destination, ...]:
        """Return the destinations of these names, each once.

        Raises
        ------
        TargetError
            If a name is unknown; the message offers the closest ones.
        """
        from vocheck.policy.destinations import pick

        return pick(names, self.destinations)

    def __getstate__(self) -> dict[str, Any]:
        return {"config": self.config}


def policy_for(path: str | os.PathLike[str]) -> Policy:
    """Return what judges a take or a folder: with the overrides of the nearest ``vocheck.toml``.

    Raises
    ------
    TargetError
        As `load_policy`.
    """
    file = find_config(path)
    if file is None:
        return load_policy()
    state = file.stat()
    return _loaded(file, state.st_mtime_ns, state.st_size)


@lru_cache(maxsize=8)
def _loaded(file: Path, _changed_ns: int, _size: int) -> Policy:
    return load_policy(file)


def load_policy(path: Path | None = None) -> Policy:
    """Return what judges: as shipped, or with the overrides of a ``vocheck.toml``.

    All that the file says is checked here, so that no mistake in it waits for its event.

    Raises
    ------
    TargetError
        If the file cannot be read or is malformed; one line that names the file, the table and the
        key.
    """
    policy = Policy(load_config(path))
    for section in SECTIONS:
        if policy.config.section(section) or policy.config.keys_of(section):
            getattr(policy, section)
    return policy
