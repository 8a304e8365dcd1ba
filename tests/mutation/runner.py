"""Runs the tests of a module on its changes, one forked process a change.

A forked process starts where its parent stands: the parent has imported everything once, so a
change costs little more than its tests. A change inside a function replaces the code of that
function; any other has the package imported anew. The file is changed as well, for tests that start
programs.
"""

from __future__ import annotations

import ast
import functools
import inspect
import multiprocessing
import os
import shutil
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import CodeType, FunctionType, ModuleType

from tests.mutation.changes import Change, changed, nodes

ROOT = Path(__file__).parents[2]
FORK = multiprocessing.get_context("fork")
SHARED = ("vocheck", "tests", "fixtures", "docs")
LIMIT = 20
"""Tests that take this many times longer on a change have noticed it: somebody would."""


def try_changes(
    folder: Path, module: str, tests: Sequence[str], drawn: Sequence[Change]
) -> list[bool] | None:
    """Return whether the tests notice each change; None: they fail as the module stands.

    Parameters
    ----------
    folder : Path
        An empty folder; the package is copied there, and the working tree never touched.
    module : str
        As in `TARGETS`: ``"policy/judge"``.
    tests : sequence of str
        Files or cases, as pytest takes them.
    drawn : sequence of Change
        What is tried, in this order.
    """
    here, there = FORK.Pipe(duplex=False)
    process = FORK.Process(target=_parent, args=(folder, module, tests, drawn, there))
    process.start()
    there.close()
    try:
        return here.recv()
    finally:
        process.join()


def _parent(folder: Path, module: str, tests: Sequence[str], drawn: Sequence[Change], to) -> None:
    """Import everything, then fork once a change."""
    _copy(folder)
    os.chdir(folder)
    _forget()
    sys.path[:] = [str(folder), *(path for path in sys.path if Path(path or ".") != ROOT)]
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    if _pytest(["--collect-only", *tests]):
        to.send(None)
        return
    if handmade := sys.modules.get("tests.material.handmade"):
        handmade.facts()  # measured once, and what measuring imports is there
    sys.dont_write_bytecode = True
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    file = folder / "vocheck" / f"{module}.py"
    for old in file.parent.glob(f"__pycache__/{file.stem}.*"):
        old.unlink()  # its time and size could be those of a change
    source = file.read_text(encoding="utf-8")
    start = time.monotonic()
    if _fork(None, module, source, tests, limit_s=1800) != 0:
        to.send(None)
        return
    limit_s = 20 + LIMIT * (time.monotonic() - start)
    found = []
    for change in drawn:
        file.write_text(changed(source, change), encoding="utf-8")
        found.append(_fork(change, module, source, tests, limit_s) != 0)
    to.send(found)


def _copy(folder: Path) -> None:
    for name in SHARED:
        shutil.copytree(ROOT / name, folder / name)
    for file in ROOT.glob("[A-Z]*.md"):
        shutil.copy(file, folder)
    shutil.copy(ROOT / "pyproject.toml", folder)


def _forget() -> None:
    """Drop what was imported of the package and of its tests."""
    for name in [name for name in sys.modules if name.partition(".")[0] in ("vocheck", "tests")]:
        del sys.modules[name]


def _pytest(arguments: Sequence[str]) -> int:
    import pytest

    common = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist"]
    return int(pytest.main([*common, *arguments]))


def _fork(
    change: Change | None, module: str, source: str, tests: Sequence[str], limit_s: float
) -> int | None:
    process = FORK.Process(target=_child, args=(change, module, source, tests))
    process.start()
    process.join(limit_s)
    if process.is_alive():
        process.kill()
        process.join()
    return process.exitcode


def _child(change: Change | None, module: str, source: str, tests: Sequence[str]) -> None:
    if change is not None and not _swapped(change, module, source):
        _forget()
    os._exit(_pytest(tests))


def _swapped(change: Change, module: str, source: str) -> bool:
    """Put the changed code into the function that it is in; False if it is in none."""
    loaded = sys.modules.get(f"vocheck.{module.replace('/', '.')}")
    name = _function(source, change)
    if loaded is None or name is None:
        return False
    code = compile(changed(source, change), str(loaded.__file__), "exec")
    found = [one for one in _codes(code) if one.co_qualname == name]
    old = _resolve(loaded, name)
    if len(found) != 1 or old is None or old.__code__.co_freevars != found[0].co_freevars:
        return False
    old.__code__ = found[0]
    for name, each in list(sys.modules.items()):
        # What `tests.material` keeps is sound, made before anything is tried.
        if name.startswith(("vocheck", "tests")) and not name.startswith("tests.material"):
            for value in list(vars(each).values()):
                if isinstance(value, functools._lru_cache_wrapper):
                    value.cache_clear()
    return True


def _function(source: str, change: Change) -> str | None:
    """Return the name of the function or method whose body holds a change."""
    tree = ast.parse(source)
    wanted = nodes(tree)[change.node]

    def search(parent: ast.AST, prefix: str) -> str | None:
        for node in ast.iter_child_nodes(parent):
            if isinstance(node, ast.ClassDef):
                if name := search(node, f"{prefix}{node.name}."):
                    return name
            elif isinstance(node, ast.FunctionDef) and any(
                inner is wanted for line in node.body for inner in ast.walk(line)
            ):
                return prefix + node.name
        return None

    return search(tree, "")


def _codes(code: CodeType) -> Iterator[CodeType]:
    for one in code.co_consts:
        if isinstance(one, CodeType):
            yield one
            yield from _codes(one)


def _resolve(module: ModuleType, name: str) -> FunctionType | None:
    """Return the function of that name, under what its decorators made of it."""
    value: object = module
    for part in name.split("."):
        value = vars(value).get(part)
        if value is None:
            return None
    if isinstance(value, property):
        value = value.fget
    elif isinstance(value, functools.cached_property):
        value = value.func
    elif isinstance(value, staticmethod | classmethod):
        value = value.__func__
    value = inspect.unwrap(value) if callable(value) else value
    if isinstance(value, FunctionType) and value.__qualname__ == name:
        return value
    return None
