"""The board: the latest of each name, for who was away as for who was there."""

from __future__ import annotations

import threading
import tracemalloc

from vocheck.desk.board import MOST_GONE, Board


def test_who_comes_new_gets_everything_and_who_was_away_what_is_newer():
    """The latest value of each name only; nothing where nothing is new."""
    board = Board()
    board.set("a", 1)
    first = board.since("")
    assert first is not None
    assert (first.whole, first.values) == (True, {"a": 1})
    assert board.since(first.version) is None
    for value in range(5):
        board.set("b", value)
    news = board.since(first.version)
    assert news is not None
    assert (news.whole, news.values) == (False, {"b": 4})


def test_what_is_taken_down_is_told_as_gone():
    """To who has seen it; who comes new never hears of it."""
    board = Board()
    board.set("a", 1)
    seen = board.since("")
    board.set("a", None)
    assert board.since(seen.version).values == {"a": None}
    assert board.since("").values == {}
    board.set("a", 2)
    assert board.since(seen.version).values == {"a": 2}


def test_the_same_value_is_no_news():
    """Setting what stands there already tells nobody."""
    board = Board()
    told = []
    board.set("a", {"x": [1]})
    board.listen(lambda: told.append(1))
    board.set("a", {"x": [1]})
    assert told == []
    board.set("a", {"x": [2]})
    assert told == [1]


def test_a_version_of_another_run_or_of_no_run_gets_everything():
    """Also one that is ahead of this run, or too old to be caught up with."""
    board = Board()
    board.set("a", 1)
    start = board.since("").version.partition("-")[0]
    for version in (
        "x-1",
        f"{start}-99",
        f"{start}--1",
        f"{start}-",
        start,
        f"{start}-{'9' * 5000}",
    ):
        assert board.since(version).whole
    old = board.since("").version
    for name in range(MOST_GONE + 1):
        board.set(f"n{name}", 1)
        board.set(f"n{name}", None)
    assert board.since(old).whole


def test_a_day_of_events_leaves_the_board_as_large_as_what_it_shows():
    """10 000 changes, as a long day makes them: memory grows by less than 64 kB after the first."""
    board = Board()

    def a_day(events: int) -> None:
        for i in range(events):
            board.set(f"line:{i % 40}", {"takes": list(range(20)), "at": i})
            board.set(f"take:{i}", {"at": i})
            board.set(f"take:{i}", None)

    a_day(1000)
    tracemalloc.start()
    before, _ = tracemalloc.get_traced_memory()
    a_day(10_000)
    after, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert after - before < 65_536
    assert len(board.since("").values) == 40


def test_threads_lose_no_change():
    """Four at once: each name has its last value, and the count of changes is right."""
    board = Board()

    def work(name: str) -> None:
        for i in range(500):
            board.set(name, i)

    threads = [threading.Thread(target=work, args=(name,)) for name in "abcd"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert board.since("").values == dict.fromkeys("abcd", 499)
    assert board.since("").version.endswith("-2000")
