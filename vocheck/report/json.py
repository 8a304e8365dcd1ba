"""Results as JSON, and as JSON Lines."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
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


def render_json_line(result: Result, more: Mapping[str, Any] | None = None) -> str:
    """Return one result as one line of JSON Lines, ending in a newline.

    Parameters
    ----------
    result : Result
    more : mapping of str, optional
        Keys that stand behind those of the result.
    """
    data = {**with_sentences(result), **(more or {})}
    return plain_json(json.dumps(data, allow_nan=False, ensure_ascii=False)) + "\n"
