"""What the gain to a destination's target cannot save in a raw take.

Every raw take fails a loudness target as it stands, and the gain of the mix mends that. What it
does not mend is told here: noise that comes up with the voice, peaks that would need a limiter to
work hard, and a recording that holds less than the destination asks for (rate, bits, channels, a
lossy format).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from vocheck.policy.destinations import Destination, Requirement
from vocheck.policy.rows import Row, Section
from vocheck.policy.rule import Judgment, Rule, Threshold
from vocheck.recording import Source

LOSSLESS = ("PCM", "FLAC", "ALAC")


@dataclass(frozen=True, kw_only=True)
class Obstacle(Judgment):
    """One thing that the gain to the target cannot save.

    Attributes
    ----------
    kind : {"noise", "peak", "rate", "bits", "channels", "format"}
    value : float or str
        Noise floor after the gain, how much a limiter would have to take, or what the file is.
    limit : float or str
        What may be, or what is asked at least.
    unit : str
    source, status : str
        On whose word.
    """

    kind: Literal["noise", "peak", "rate", "bits", "channels", "format"]
    value: float | str
    limit: float | str


@dataclass(frozen=True, kw_only=True)
class Most(Row):
    """One row of ``obstacles.toml``: how much may be left."""

    most: float
    unit: str

    @property
    def rule(self) -> Rule:
        """The row as a rule about what is left of that name."""
        threshold = Threshold("fixable", self.most, self.source, self.status)
        return Rule(name=self.name, fact=self.name, unit=self.unit, thresholds=(threshold,))


OBSTACLES = Section("obstacles", "obstacles.toml", Most)


def find_obstacles(
    target: Destination,
    source: Source,
    noise_floor_dbfs: float | None,
    limiter_db: float | None,
    rows: Mapping[str, Most] | None = None,
) -> tuple[Obstacle, ...]:
    """Return what keeps a raw take from the destination even with the gain to its target.

    Parameters
    ----------
    target : Destination
    source : Source
        What the file is.
    noise_floor_dbfs : float or None
        Where the noise floor lands with the gain.
    limiter_db : float or None
        How far a limiter would then have to pull the highest peaks down.
    rows : mapping of str to Most, optional
        How much may be left; as shipped where omitted.
    """
    rows = OBSTACLES.load() if rows is None else rows
    rules = {rule.fact: rule for rule in target.rules if rule.judged}
    found = [
        _noise(noise_floor_dbfs, rows["noise"], rules.get("floor_dbfs")),
        _most("peak", limiter_db, rows["peak"]),
        _least("rate", source.rate_hz, rules.get("rate_hz"), "Hz"),
        _least("bits", source.bits, rules.get("bits"), "bit"),
        _channels(source.channels, rules.get("channels")),
        _format(source, rules.get("codec")),
    ]
    return tuple(obstacle for obstacle in found if obstacle is not None)


def _noise(floor_dbfs: float | None, row: Most, rule: Requirement | None) -> Obstacle | None:
    if rule is not None and rule.maximum is not None:
        row = replace(row, most=rule.maximum, source=rule.source, status=rule.status)
    return _most("noise", floor_dbfs, row)


def _most(kind: Literal["noise", "peak"], value: float | None, row: Most) -> Obstacle | None:
    # A value is judged as it is shown.
    if value is None or row.rule.passed(round(value, 1)) is None:
        return None
    return Obstacle(
        kind=kind,
        value=value,
        limit=row.most,
        unit=row.unit,
        source=row.source,
        status=row.status,
    )


def _least(
    kind: Literal["rate", "bits"], value: int | None, rule: Requirement | None, unit: str
) -> Obstacle | None:
    """Return that a file holds less than the least that is accepted: converting adds nothing."""
    if rule is None or value is None:
        return None
    accepted = [item for item in rule.one_of or (rule.minimum,) if isinstance(item, int | float)]
    if not accepted or value >= min(accepted):
        return None
    return _of_rule(kind, value, min(accepted), unit, rule)


def _channels(count: int, rule: Requirement | None) -> Obstacle | None:
    """Return that a file has more channels than is accepted; one channel is placed by the mix."""
    accepted = [item for item in (rule.one_of if rule else None) or () if isinstance(item, int)]
    if rule is None or not accepted or count <= max(2, *accepted, 0):
        return None
    return _of_rule("channels", count, max(accepted), "channels", rule)


def _format(source: Source, rule: Requirement | None) -> Obstacle | None:
    """Return that a take was recorded lossy where only a lossless file is accepted."""
    accepted = [str(item) for item in (rule.one_of if rule else None) or ()]
    lossy = source.bitrate_kbps is not None
    if rule is None or not accepted or not lossy or any(c not in LOSSLESS for c in accepted):
        return None
    return _of_rule("format", source.codec or "lossy", " or ".join(accepted), "", rule)


def _of_rule(
    kind: Literal["rate", "bits", "channels", "format"],
    value: float | str,
    limit: float | str,
    unit: str,
    rule: Requirement,
) -> Obstacle:
    return Obstacle(
        kind=kind, value=value, limit=limit, unit=unit, source=rule.source, status=rule.status
    )
