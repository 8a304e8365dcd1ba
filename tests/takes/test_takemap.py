"""Takes of one line mapped onto each other, held against the exact word times of the demo voice."""

from __future__ import annotations

import itertools
from functools import cache

import numpy as np
import pytest

import vocheck
from tests.material.demo_session import FOLDER, planted, truth
from vocheck.dsp.alignment import align
from vocheck.takes.takemap import Features, features, map_takes

DROPPED = next(take for take, fault in planted() if fault["kind"] == "dropped word")


@cache
def heard(take: str) -> Features:
    return features(vocheck.read(FOLDER / f"{take}.flac"))


def pairs(line: str) -> list[tuple[str, str]]:
    takes = [take for take, facts in truth()["takes"].items() if facts["line"] == line]
    return [(a, b) for a, b in itertools.permutations(takes, 2) if DROPPED not in (a, b)]


@pytest.mark.parametrize("line", truth()["lines"])
def test_words_are_found_in_the_other_take(line: str):
    """Median within 10 ms and nine in ten within 25 ms, faulty takes included."""
    errors = []
    for a, b in pairs(line):
        mapped = map_takes(heard(a), heard(b))
        words = zip(truth()["takes"][a]["words"], truth()["takes"][b]["words"], strict=True)
        errors += [abs(mapped.to_take(x["start_s"]) - y["start_s"]) for x, y in words]
    assert np.median(errors) <= 0.010
    assert np.percentile(errors, 90) <= 0.025


@pytest.mark.parametrize("line", truth()["lines"])
def test_whole_takes_lack_nothing_of_each_other(line: str):
    """No false alarm between takes that were read as written."""
    for a, b in pairs(line):
        mapped = map_takes(heard(a), heard(b))
        assert (mapped.missing, mapped.extra) == ((), ())
        assert mapped.likeness > 0.95


def test_a_dropped_word_is_missing_one_way_and_extra_the_other():
    """The stretch lies over the word in the take that has it."""
    word = next(fault["word"] for take, fault in planted() if take == DROPPED)
    place = next(
        w for w in truth()["takes"]["04_bowl_t2"]["words"] if w["word"].strip(".,") == word
    )
    (missing,) = map_takes(heard("04_bowl_t2"), heard(DROPPED)).missing
    (extra,) = map_takes(heard(DROPPED), heard("04_bowl_t2")).extra
    for start, end in (missing, extra):
        # 0.1 s: the sounds beside the word are alike in both takes and may go to either
        assert start == pytest.approx(place["start_s"], abs=0.1)
        assert end == pytest.approx(place["end_s"], abs=0.1)


def test_silence_maps_nothing():
    """A take without speech has no anchors, and time is passed through."""
    silent = features(vocheck.Recording(np.zeros(48_000, np.float32), 48_000))
    mapped = map_takes(heard("04_bowl_t2"), silent)
    assert mapped.likeness == 0.0
    assert mapped.to_take(1.5) == 1.5


def test_a_block_left_out_costs_one_gap():
    """Closed form: equal sequences but for 50 frames are matched one to one around them."""
    rng = np.random.default_rng(0)
    a = rng.standard_normal((200, 8))
    b = np.concatenate((a[:80], a[130:]))
    cost = (np.linalg.norm(a[:, np.newaxis] - b, axis=2) - 2.0).astype(np.float32)
    skip = np.full(200, 0.1, np.float32)
    found = align(cost, skip, skip[:150], 1.0).pairs
    expected = [(i, i) for i in range(80)] + [(i, i - 50) for i in range(130, 200)]
    assert found.tolist() == [list(pair) for pair in expected]


def test_the_alignment_is_the_cheapest():
    """Against a plain recursion over every way through small tables, written independently."""
    rng = np.random.default_rng(1)
    for n, m in ((1, 1), (3, 2), (4, 5), (6, 6)):
        cost = rng.normal(0.3, 1.0, (n, m)).astype(np.float32)
        skip_a, skip_b = rng.uniform(0.1, 0.4, n), rng.uniform(0.1, 0.4, m)
        pairs = align(cost, skip_a.astype("f4"), skip_b.astype("f4"), 0.7).pairs.tolist()
        best, way = cheapest(cost, skip_a, skip_b, 0.7)
        assert sorted(map(tuple, pairs)) == sorted(way), best


def cheapest(
    cost: np.ndarray, skip_a: np.ndarray, skip_b: np.ndarray, open_gap: float
) -> tuple[float, list[tuple[int, int]]]:
    """Return the least price from both starts to both ends, by trying everything."""

    @cache
    def rest(i: int, j: int, state: str) -> tuple[float, tuple[tuple[int, int], ...]]:
        if (i, j) == cost.shape:
            return 0.0, ()
        options = []

        def add(price: float, pairs: tuple, ahead: tuple) -> None:
            options.append((price + ahead[0], pairs + ahead[1]))

        if i < cost.shape[0]:
            opened = 0.0 if state == "a" else open_gap
            add(float(skip_a[i]) + opened, (), rest(i + 1, j, "a"))
        if j < cost.shape[1]:
            opened = 0.0 if state == "b" else open_gap
            add(float(skip_b[j]) + opened, (), rest(i, j + 1, "b"))
        if i < cost.shape[0] and j < cost.shape[1]:
            add(float(cost[i, j]), ((i, j),), rest(i + 1, j + 1, "m"))
        # A double step goes on from a match only.
        if state in ("m", "start") and i < cost.shape[0] and j + 1 < cost.shape[1]:
            price = float(cost[i, j] + cost[i, j + 1])
            add(price, ((i, j), (i, j + 1)), rest(i + 1, j + 2, "m"))
        if state in ("m", "start") and i + 1 < cost.shape[0] and j < cost.shape[1]:
            price = float(cost[i, j] + cost[i + 1, j])
            add(price, ((i, j), (i + 1, j)), rest(i + 2, j + 1, "m"))
        return min(options)

    price, way = rest(0, 0, "start")
    return price, list(way)
