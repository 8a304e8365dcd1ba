"""Results as plain data with their sentences: what ``--format json`` writes.

A result's own ``to_dict`` gives the facts. The keys that are text are added here, since sentences
are made in this room only; a key never changes its meaning.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from vocheck.mix.results import DestinationResult, WrittenMix
from vocheck.policy.delivery import Delivery
from vocheck.results import Result
from vocheck.room.positions import PositionsResult
from vocheck.takes.comp import Reading
from vocheck.takes.match import Difference, MatchResult
from vocheck.takes.rank import LineRanking, Reason
from vocheck.wording import comp, delivery, match, mix, positions, ranking, written


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


def _add(value: Result, data: dict[str, Any]) -> None:
    """Add the sentences of one result."""
    if isinstance(value, LineRanking):
        for take, told in zip(value.order, data["order"], strict=True):
            told["reasons"] = ranking.reasons(take, value)
    elif isinstance(value, Reason):
        data["text"] = ranking.reason_words(value)
    elif isinstance(value, Reading):
        data["reasons"] = comp.reasons(value)
    elif isinstance(value, Delivery):
        data["note"] = delivery.note(value)
    elif isinstance(value, DestinationResult):
        data["gain"], data["ingest"] = mix.gain(value), mix.arrival(value)
    elif isinstance(value, WrittenMix):
        data["means_text"] = written.means(value)
    elif isinstance(value, Difference):
        data["sentence"] = match.sentence(value)
    elif isinstance(value, MatchResult):
        data["distance_hint"] = match.distance_hint(value)
    elif isinstance(value, PositionsResult):
        data["verdict"] = positions.verdict(value)
        for difference, told in zip(value.differences, data["differences"], strict=True):
            told["sentence"] = positions.sentence(difference, value)
