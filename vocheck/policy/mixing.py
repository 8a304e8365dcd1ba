"""What is said and done of a mix beside the rules of its destination: the rows of ``mix.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from vocheck.errors import TargetError
from vocheck.policy.config import Config
from vocheck.policy.loader import shown
from vocheck.policy.rows import Row, Section, not_negative, positive


@dataclass(frozen=True, kw_only=True)
class SameLevel(Row):
    """``[mix.same_level]``: the change of level that leaves a mix about as it is."""

    within_lu: float

    def check(self, where: str) -> None:
        """Check the number.

        Raises
        ------
        TargetError
            If it is negative.
        """
        not_negative(self.within_lu, f"{where}: within_lu")


@dataclass(frozen=True, kw_only=True)
class LimiterRow(Row):
    """``[mix.limiter]``: how far and how fast a copy at the target is limited."""

    most_db: float
    ceiling_dbtp: float
    attack_ms: float
    hold_ms: float
    release_db_per_s: float

    def check(self, where: str) -> None:
        """Check the numbers.

        Raises
        ------
        TargetError
            If one is negative, or a time or the release is nothing.
        """
        not_negative(self.most_db, f"{where}: most_db")
        not_negative(self.hold_ms, f"{where}: hold_ms")
        positive(self.attack_ms, f"{where}: attack_ms")
        positive(self.release_db_per_s, f"{where}: release_db_per_s")


@dataclass(frozen=True, kw_only=True)
class CopyRow(Row):
    """``[mix.copy]``: how the sound of a copy is stored."""

    kbps_per_channel: float

    def check(self, where: str) -> None:
        """Check the number.

        Raises
        ------
        TargetError
            If it is nothing or less.
        """
        positive(self.kbps_per_channel, f"{where}: kbps_per_channel")


Weight = Literal["pass", "warn", "fail"]


@dataclass(frozen=True, kw_only=True)
class LineRow(Row):
    """``[mix.line]``: the lines of the voice-over in the mix."""

    weak_lu: float
    sunk_lu: float
    missing: Weight
    another: Weight
    clipped: Weight

    def check(self, where: str) -> None:
        """Check the numbers.

        Raises
        ------
        TargetError
            If the limits are in the wrong order.
        """
        if self.sunk_lu > self.weak_lu:
            raise TargetError(
                f"{where}: sunk_lu must not be above weak_lu, {shown(self.weak_lu)}, "
                f"not {shown(self.sunk_lu)}"
            )


MIX = Section(
    "mix",
    "mix.toml",
    SameLevel,
    others={"limiter": LimiterRow, "copy": CopyRow, "line": LineRow},
)


@dataclass(frozen=True)
class MixRules:
    """What is said and done of a mix beside the rules of its destination."""

    same_level: SameLevel
    limiter: LimiterRow
    copy: CopyRow
    line: LineRow


def load_mix(config: Config | None = None) -> MixRules:
    """Return what a mix is held to beside its destination, with a studio's overrides.

    Raises
    ------
    TargetError
        If an override is malformed.
    """
    return MixRules(**MIX.load(config))
