"""Runs the Python examples of a page as a reader would: in a folder with the demo session."""

from __future__ import annotations

import ast
import re
from typing import Any

BLOCK = re.compile(r"^```python\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def examples(page: str) -> list[str]:
    """Return the Python blocks of a Markdown page."""
    return BLOCK.findall(page)


def run(example: str) -> int:
    """Run an example, compare each value with the comment behind it, return how many there were.

    A line ``value  # told`` says that `value` prints as `told`; a number is compared with the
    digits that are told.

    Raises
    ------
    AssertionError
        Where a value is another one.
    """
    lines = example.splitlines()
    names: dict[str, Any] = {}
    compared = 0
    for statement in ast.parse(example).body:
        source = ast.get_source_segment(example, statement)
        assert source is not None
        _, _, told = lines[(statement.end_lineno or 1) - 1][statement.end_col_offset :].partition(
            "# "
        )
        if isinstance(statement, ast.Expr) and told:
            assert same(eval(source, names), told), f"{source}: {eval(source, names)!r}"
            compared += 1
        else:
            exec(source, names)
    return compared


def same(value: object, told: str) -> bool:
    """Return whether a value is the one that is told."""
    if isinstance(value, float):
        return f"{value:.{len(told.partition('.')[2])}f}" == told
    return repr(value) == told
