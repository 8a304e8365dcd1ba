"""The modules whose tests are tried, and the tests that must notice a change of each.

Only tests that need no sound: what follows from the meaning must be noticed without measuring.
"""

from __future__ import annotations

TARGETS: dict[str, tuple[str, ...]] = {
    "policy/judge": ("tests/test_judge.py",),
    "takes/rank": ("tests/takes/test_order.py",),
    "takes/match": ("tests/takes/test_differences.py",),
}
