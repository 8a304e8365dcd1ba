"""Changes that a test ought to notice: one operator, number, condition or word of a module."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from dataclasses import dataclass

_SWAPPED: dict[type[ast.AST], tuple[type[ast.AST], ...]] = {
    ast.Lt: (ast.LtE, ast.Gt),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.Lt),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,),
    ast.Mult: (ast.Div,),
    ast.Div: (ast.Mult,),
    ast.And: (ast.Or,),
    ast.Or: (ast.And,),
}
_CALLS = {"min": "max", "max": "min", "any": "all", "all": "any"}


@dataclass(frozen=True)
class Change:
    """One change: its line and what it does; which node of the module, which edit of it."""

    line: int
    what: str
    node: int
    edit: int


def changes(source: str) -> list[Change]:
    """Return every change of a module, in the order of its lines."""
    found = [
        Change(getattr(node, "lineno", 0), what, number, which)
        for number, node in enumerate(nodes(ast.parse(source)))
        for which, (what, _) in enumerate(_edits(node))
    ]
    return sorted(found, key=lambda change: change.line)


def changed(source: str, change: Change) -> str:
    """Return the module with one change."""
    tree = ast.parse(source)
    node = nodes(tree)[change.node]
    _, edit = list(_edits(node))[change.edit]
    edit(node)
    return ast.unparse(ast.fix_missing_locations(tree))


def nodes(tree: ast.Module) -> list[ast.AST]:
    """Return the nodes that do something: no annotations, docstrings, decorators or messages."""
    return [node for child in ast.iter_child_nodes(tree) for node in _inside(child)]


def _inside(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.Import | ast.ImportFrom | ast.Raise):
        return
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return  # a docstring
    if isinstance(node, ast.expr | ast.stmt):
        yield node
    skipped: list[ast.AST | None] = []
    if isinstance(node, ast.Call):  # a guard of the code itself, and how a value is printed
        skipped += [word for word in node.keywords if word.arg in ("strict", "repr")]
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        skipped += node.decorator_list
    if isinstance(node, ast.FunctionDef):
        skipped.append(node.returns)
    if isinstance(node, ast.AnnAssign | ast.arg):
        skipped.append(node.annotation)
    for child in ast.iter_child_nodes(node):
        if not any(child is one for one in skipped):
            yield from _inside(child)


def _edits(node: ast.AST) -> Iterator[tuple[str, Callable[[ast.AST], None]]]:
    """Yield what can be changed of one node: in words, and as a function that does it."""
    if isinstance(node, ast.Compare):
        for other in _SWAPPED.get(type(node.ops[0]), ()):
            yield f"{_name(node.ops[0])} becomes {other.__name__}", _set_first(other)
    elif isinstance(node, ast.BinOp | ast.BoolOp | ast.AugAssign):
        for other in _SWAPPED.get(type(node.op), ()):
            yield f"{_name(node.op)} becomes {other.__name__}", _set("op", other)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not):
        yield f"{_name(node.op)} is left out", _set("op", ast.UAdd if _is_minus(node) else _Nothing)
    elif isinstance(node, ast.If | ast.IfExp | ast.While):
        yield "the condition is turned round", _turn_round
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool | int | float):
        value = _other(node.value)
        yield f"{node.value} becomes {value}", _set("value", lambda: value)
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in _CALLS:
        other_name = _CALLS[node.func.id]
        yield f"{node.func.id} becomes {other_name}", _rename(other_name)
    elif isinstance(node, ast.Return) and node.value is not None and not _is_none(node.value):
        yield "nothing is returned", _set("value", lambda: ast.Constant(None))


def _other(value: bool | int | float) -> bool | int | float:
    """Return another value: of a small number one more, of a great one twice as much."""
    if isinstance(value, bool):
        return not value
    return value + 1 if abs(value) < 10 else 2 * value


class _Nothing(ast.UAdd):
    """Stands where ``not`` was: the value itself, as a truth."""


def _is_minus(node: ast.UnaryOp) -> bool:
    return isinstance(node.op, ast.USub)


def _is_none(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and node.value is None


def _name(node: ast.AST) -> str:
    return type(node).__name__


def _set(field: str, make: Callable[[], object]) -> Callable[[ast.AST], None]:
    def edit(node: ast.AST) -> None:
        if make is _Nothing:  # ``not not x`` is the truth of x
            node.operand = ast.UnaryOp(ast.Not(), node.operand)
        else:
            setattr(node, field, make())

    return edit


def _set_first(make: Callable[[], ast.AST]) -> Callable[[ast.AST], None]:
    def edit(node: ast.AST) -> None:
        node.ops[0] = make()

    return edit


def _rename(name: str) -> Callable[[ast.AST], None]:
    def edit(node: ast.AST) -> None:
        node.func.id = name

    return edit


def _turn_round(node: ast.AST) -> None:
    node.test = ast.UnaryOp(ast.Not(), node.test)
