"""The modules whose tests are tried, and the tests that must notice a change of each.

Tests that need no sound come first: they answer in a second, and the first failure ends a run.
"""

from __future__ import annotations

TARGETS: dict[str, tuple[str, ...]] = {
    "policy/judge": ("tests/test_judge.py",),
    "policy/costs": ("tests/takes/test_order.py", "tests/takes/test_rank.py"),
    "takes/rank": ("tests/takes/test_order.py", "tests/wording/test_ranking.py"),
    "takes/match": ("tests/takes/test_differences.py",),
    "takes/comp": ("tests/takes/test_comp.py",),
    "mix/judge": ("tests/policy/test_destinations.py", "tests/mix/test_check.py"),
    "report/csv": ("tests/test_cli.py", "tests/test_results.py"),
    "report/markers": ("tests/report/test_markers.py",),
    "session/cache": ("tests/session/test_cache.py",),
    "room/positions": ("tests/room/test_room.py",),
}
