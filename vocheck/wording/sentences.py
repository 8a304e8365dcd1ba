"""Results as plain data with their sentences: what ``--format json`` writes.

A result's own ``to_dict`` gives the facts. The keys that are text are added here, since sentences
are made in this room only; a key never changes its meaning.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any

from vocheck.edit.slots import LineFit
from vocheck.mix.results import DestinationResult, IndependentReading, WrittenMix
from vocheck.policy.delivery import Check, Delivery
from vocheck.policy.judge import Finding
from vocheck.results import Result
from vocheck.room import Comparison, RoomBand, RoomResult
from vocheck.room.positions import PositionsResult
from vocheck.takes.comp import Reading
from vocheck.takes.match import Difference, MatchResult
from vocheck.takes.rank import LineRanking, Reason
from vocheck.wording import (
    comp,
    delivery,
    findings,
    match,
    mix,
    positions,
    ranking,
    room,
    slots,
    written,
)


def with_sentences(result: Result) -> dict[str, Any]:
    """Return a result as plain data, ready for ``json.dumps``, sentences included.

    Parameters
    ----------
    result : Result
        Of any kind.
    """
    data = result.to_dict()
    _tell(result, data)
    return data


def _tell(value: Any, data: Any) -> None:
    """Add to plain data what is said of the result that it was made of, all the way down."""
    if isinstance(value, Result):
        for field in fields(value):
            if field.name in data:
                _tell(getattr(value, field.name), data[field.name])
        _add(value, data)
    elif isinstance(value, Mapping):
        for key, item in value.items():
            _tell(item, data[str(key)])
    elif isinstance(value, tuple | list):
        for item, part in zip(value, data, strict=True):
            _tell(item, part)


_TEXTS: tuple[tuple[type, str, Callable[[Any], Any]], ...] = (
    (Finding, "message", findings.what),
    (Finding, "now", findings.now),
    (Finding, "later", findings.later),
    (Reason, "text", ranking.reason_words),
    (Reading, "reasons", comp.reasons),
    (Delivery, "note", delivery.note),
    (Check, "limit", delivery.limit_words),
    (Check, "reason", delivery.reason),
    (DestinationResult, "gain", mix.gain),
    (DestinationResult, "ingest", mix.arrival),
    (IndependentReading, "note", mix.reading_note),
    (WrittenMix, "means_text", written.means),
    (Difference, "sentence", match.sentence),
    (MatchResult, "distance_hint", match.distance_hint),
    (RoomResult, "remarks", room.remarks),
    (RoomBand, "remarks", room.remarks),
    (LineFit, "text", slots.fit_text),
    (Comparison, "name", room.comparison_name),
    (PositionsResult, "remarks", room.remarks),
    (PositionsResult, "verdict", positions.verdict),
)
"""The keys that are text: of which result, and what makes them."""


def _add(value: Result, data: dict[str, Any]) -> None:
    """Add the sentences of one result."""
    data.update({key: say(value) for kind, key, say in _TEXTS if isinstance(value, kind)})
    # What a part says depends on the whole that it stands in.
    if isinstance(value, LineRanking):
        for take, told in zip(value.order, data["order"], strict=True):
            told["reasons"] = ranking.reasons(take, value)
    elif isinstance(value, PositionsResult):
        for difference, told in zip(value.differences, data["differences"], strict=True):
            told["sentence"] = positions.sentence(difference, value)
