"""The modules whose tests are tried, and the tests that must notice a change of each.

Tests that need no sound come first: they answer in a second, and the first failure ends a run.
"""

from __future__ import annotations

TARGETS: dict[str, tuple[str, ...]] = {
    "policy/judge": ("tests/policy/test_judging.py",),
    "policy/costs": ("tests/takes/test_order.py",),
    "takes/rank": ("tests/takes/test_order.py",),
    "takes/match": ("tests/takes/test_differences.py",),
    "takes/comp": ("tests/takes/test_comp.py",),
    "mix/judge": ("tests/policy/test_destinations.py", "tests/mix/test_check.py"),
    "report/csv": ("tests/report/test_csv.py",),
    "report/markers": (
        "tests/report/test_markers.py::test_a_time_is_hours_minutes_seconds_and_thousandths",
        "tests/report/test_markers.py::test_a_cue_is_shown_for_half_a_second",
        "tests/report/test_markers.py::test_a_message_cannot_end_its_cue_or_mark_it_up",
        "tests/report/test_markers.py::test_markers_come_in_the_order_of_time",
    ),
    "session/cache": ("tests/session/test_cache.py",),
    "room/positions": ("tests/room/test_room.py",),
}

EQUIVALENT: dict[str, dict[tuple[str, str], str]] = {}
"""Changes that change nothing a caller could see: module, (line, change), and why. Never drawn."""
