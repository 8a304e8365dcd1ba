"""A take and the room it was recorded in are held to the same numbers."""

from __future__ import annotations

import pytest

from vocheck.policy.every import Policy
from vocheck.policy.rule import Rule

pytestmark = pytest.mark.quick


def numbers(rule: Rule) -> dict[str, object]:
    return {threshold.severity: threshold.value for threshold in rule.thresholds}


def clarity(rule: Rule) -> tuple[str, object]:
    """Return from which clarity on, or up to which, a rule counts."""
    (found,) = (c for c in rule.only_if if c.fact.endswith("c50_db"))
    return found.sense, found.value


def test_a_room_is_held_to_what_its_takes_are_held_to():
    """Note and fixable agree; a room is never a retake, for there is nothing to read again."""
    limits, room = Policy().limits, Policy().room
    take = numbers(limits["reverberation"])
    assert numbers(room["room_live"]) == {key: take[key] for key in ("note", "fixable")}
    assert numbers(room["room_hardly_heard"]) == numbers(limits["room_hardly_audible"])
    for own, other in (
        ("room_live", "reverberation"),
        ("room_hardly_heard", "room_hardly_audible"),
    ):
        assert clarity(room[own]) == clarity(limits[other])


def test_a_live_room_is_judged_alone_where_it_is_heard():
    """Under one clarity it is heard and from there on hardly: never both, never neither."""
    limits = Policy().limits
    heard, hardly = clarity(limits["reverberation"]), clarity(limits["room_hardly_audible"])
    assert heard == ("below", hardly[1])
    assert hardly[0] == "above"
