"""Results as JSON, and as JSON Lines."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from vocheck.plain import plain_json
from vocheck.results import Result
from vocheck.wording.sentences import with_sentences


def render_json(results: Result | Iterable[Result]) -> str:
    """Return one result as an object, several as an array; strict JSON, ending in a newline."""
    data: Any = (
        with_sentences(results)
        if isinstance(results, Result)
        else [with_sentences(result) for result in results]
    )
    return plain_json(json.dumps(data, indent=2, allow_nan=False, ensure_ascii=False)) + "\n"


def render_json_line(result: Result) -> str:
    """Return one result as one line of JSON Lines, ending in a newline."""
    return (
        plain_json(json.dumps(with_sentences(result), allow_nan=False, ensure_ascii=False)) + "\n"
    )
