"""Functions stay short enough to be read at once."""

from __future__ import annotations

import ast
import io
import tokenize
from collections.abc import Iterator
from pathlib import Path

import vocheck

MOST_LINES = 60
_NO_CODE = (
    *(tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE),
    *(tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER),
)


def lines_of_code(source: str) -> Iterator[tuple[str, int]]:
    """Yield each function of a module with its lines of code: no blanks, comments or docstring."""
    code: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type not in _NO_CODE:
            code |= set(range(token.start[0], token.end[0] + 1))
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        own = code & set(range(node.lineno, (node.end_lineno or node.lineno) + 1))
        first = node.body[0]
        if ast.get_docstring(node) is not None:
            own -= set(range(first.lineno, (first.end_lineno or first.lineno) + 1))
        yield node.name, len(own)


def test_lines_are_counted_without_blanks_comments_and_docstring():
    """Worked by hand: the head, two statements on three lines."""
    source = (
        'def f(x):\n    """Say.\n\n    More.\n    """\n\n    # Why.\n    y = (\n        x\n    )\n'
    )
    assert list(lines_of_code(source)) == [("f", 4)]


def test_no_function_is_long():
    """At most 60 lines of code."""
    root = Path(vocheck.__file__).parent
    long = {
        f"{path.relative_to(root)}:{name}": lines
        for path in root.rglob("*.py")
        for name, lines in lines_of_code(path.read_text(encoding="utf-8"))
        if lines > MOST_LINES
    }
    assert long == {}
