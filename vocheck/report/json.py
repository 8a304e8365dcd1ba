"""Results as JSON, and as JSON Lines."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from vocheck.plain import plain_json
from vocheck.results import Result


def render_json(results: Result | Iterable[Result]) -> str:
    """Return one result as an object, several as an array; strict JSON, ending in a newline."""
    plain: Any = (
        results.to_dict()
        if isinstance(results, Result)
        else [result.to_dict() for result in results]
    )
    return plain_json(json.dumps(plain, indent=2, allow_nan=False, ensure_ascii=False)) + "\n"


def render_json_line(result: Result) -> str:
    """Return one result as one line of JSON Lines, ending in a newline."""
    return plain_json(json.dumps(result.to_dict(), allow_nan=False, ensure_ascii=False)) + "\n"
