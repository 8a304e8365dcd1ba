"""The demo session and what was planted in it, measured once for all tests that need it."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

from vocheck.takes.rank import RankedTake, Ranking, rank_takes

FOLDER = Path(__file__).parents[2] / "fixtures" / "session"


@cache
def truth() -> dict[str, Any]:
    """Return what was planted, as the script that made the session wrote it down."""
    return json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))


@cache
def ranking() -> Ranking:
    """Return the ranked session, without its notes: technical order only."""
    return rank_takes([FOLDER], targets=("social",), notes={})


def ranked(take: str) -> RankedTake:
    """Return one take of the ranking by its name."""
    return next(t for line in ranking().lines for t in line.order if Path(t.path).stem == take)


def planted() -> list[tuple[str, dict[str, Any]]]:
    """Return every planted fault as (take, fault)."""
    return [(name, fault) for name, take in truth()["takes"].items() for fault in take["faults"]]
