"""Takes that were recorded elsewhere, from numbers made by hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from tests.material.handmade import take
from vocheck.policy.every import Policy
from vocheck.session.take import TakeResult
from vocheck.takes.rooms import RoomChange, room_changes

pytestmark = pytest.mark.quick

RULES = Policy().drift
BOOTH, LARGER, FURTHER = (0.19, 18.8), (0.28, 15.3), (0.19, 11.0)
SPREADS = (RULES.rows["reverberation"].spread, RULES.rows["room"].spread)


def takes(rooms: Sequence[tuple[float, float]], seed: int | None = None) -> list[TakeResult]:
    """Return a take for each reverberation time and clarity; with a seed, estimated with error."""
    rng = np.random.default_rng(seed)
    errors = rng.normal(0.0, SPREADS, (len(rooms), 2)) * (seed is not None)
    return [
        take(
            number,
            reverberation__rt60_s=rt60_s * float(np.exp(error[0])),
            reverberation__c50_db=c50_db + float(error[1]),
        )
        for number, ((rt60_s, c50_db), error) in enumerate(zip(rooms, errors, strict=True), 1)
    ]


def changes(rooms: Sequence[tuple[float, float]], seed: int | None = None) -> list[RoomChange]:
    return list(room_changes(takes(rooms, seed), RULES))


def test_a_session_in_one_room_tells_nothing():
    """The same numbers throughout; and fewer takes than can have a usual room."""
    assert changes([BOOTH] * 12) == []
    assert changes([BOOTH, LARGER]) == []


@pytest.mark.parametrize("first", [3, 7])
def test_another_room_is_told_with_its_takes(first):
    """Five lines elsewhere, in the middle and at the end of a session."""
    rooms = [BOOTH] * 12
    rooms[first : first + 5] = [LARGER] * 5
    (change,) = changes(rooms)
    assert change.kind == "room"
    assert change.paths == tuple(one.path for one in takes(rooms)[first : first + 5])
    assert change.rt60_s == pytest.approx(0.28)
    assert change.usual_rt60_s == pytest.approx(0.19)


def test_another_distance_is_no_other_room():
    """Clarity alone changes with the distance, one way or the other."""
    (change,) = changes([BOOTH] * 6 + [FURTHER] * 4)
    assert change.kind == "further"
    (change,) = changes([FURTHER] * 6 + [BOOTH] * 4)
    assert change.kind == "nearer"


def test_a_room_that_comes_back_is_the_usual_one():
    """Booth, larger, booth: the two halves in the booth are one room."""
    (change,) = changes([BOOTH] * 4 + [LARGER] * 5 + [BOOTH] * 4)
    assert len(change.paths) == 5


def test_takes_that_tell_no_room_are_passed_over():
    """A take too short to tell its room is in no room at all."""
    rooms = takes([BOOTH] * 6 + [FURTHER] * 4)
    silent = take(99, reverberation__rt60_s=None, reverberation__c50_db=None)
    (change,) = room_changes([*rooms[:3], silent, *rooms[3:]], RULES)
    assert silent.path not in change.paths
    assert len(change.paths) == 4


@pytest.mark.parametrize("count", [10, 40])
def test_chance_tells_a_change_as_seldom_as_the_rule_says(count):
    """Estimates that err normally, as the rule takes them to: of 300 sessions at most a few.

    Four times the share in `wrong`: of 300 draws that often is far less likely than 1 in 1000.
    """
    told = [bool(changes([BOOTH] * count, seed)) for seed in range(300)]
    assert np.mean(told) <= 4 * RULES.pool.wrong


def test_five_lines_elsewhere_are_told():
    """0.19 to 0.28 s and 3.5 dB of clarity, with the errors of single takes."""
    told = [bool(changes([BOOTH] * 5 + [LARGER] * 5, seed)) for seed in range(100)]
    assert np.mean(told) >= 0.9
