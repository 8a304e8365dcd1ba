"""Where things lie: the top level, and what the maintainers' folders may import of each other."""

from __future__ import annotations

import ast
import subprocess
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml"),
    *("vocheck", "tests", "fixtures", "docs"),
}
NOT_IMPORTED = {
    "tests/material": ("tests.accuracy", "tests.training", "tests.benchmarks"),
    "tests/training": ("tests.benchmarks",),
    "vocheck": ("tests",),
}
"""What each folder imports nothing of."""


def imports(file: Path) -> set[str]:
    """Return the modules that a file imports, wherever in it."""
    found = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            found |= {f"{node.module}.{name.name}" for name in node.names}
    return found


@pytest.mark.parametrize("folder", NOT_IMPORTED)
def test_what_is_shared_lies_below_what_shares_it(folder: str):
    """Voices and takes know nothing of the scripts and the training that use them."""
    for file in (ROOT / folder).rglob("*.py"):
        for name in imports(file):
            assert not any(
                name == barred or name.startswith(f"{barred}.") for barred in NOT_IMPORTED[folder]
            ), f"{file}: {name}"


def test_tests_and_training_do_not_import_each_other():
    """Training can be changed without a test of vocheck, and such a test without fitting anew.

    What tests the training itself lies beside it.
    """
    for file in (ROOT / "tests").rglob("test_*.py"):
        if "training" not in file.relative_to(ROOT).parts:
            assert not any(name.startswith("tests.training") for name in imports(file)), file
    for file in (ROOT / "tests/training").rglob("*.py"):
        assert not any(".test_" in name for name in imports(file)), file


def test_the_top_level_holds_what_belongs_there():
    """Files that begin with a dot aside."""
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if listed.returncode:
        pytest.skip("this is no checkout")
    top = {line.partition("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= TOP_LEVEL


PACKAGE = ROOT / "vocheck"


def test_what_begins_with_an_underscore_stays_in_its_module():
    """Another module imports public names only."""
    for file in PACKAGE.rglob("*.py"):
        for name in imports(file):
            last = name.rpartition(".")[2]
            private = last.startswith("_") and not last.startswith("__")
            assert not (name.startswith("vocheck.") and private), f"{file}: {name}"


@pytest.mark.parametrize("room", sorted(file.parent.name for file in PACKAGE.glob("*/__init__.py")))
def test_a_room_that_hands_on_names_lists_them(room: str):
    """The head of a package has nothing but its docstring, or `__all__`, whose names exist."""
    module = import_module(f"vocheck.{room}")
    body = ast.parse((PACKAGE / room / "__init__.py").read_text(encoding="utf-8")).body
    if len(body) > 1:
        for name in module.__all__:
            assert hasattr(module, name), name


def is_constant(node: ast.stmt) -> bool:
    """Return whether a statement gives a name in capitals a value with a number in it."""
    if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
        return False
    targets = node.targets if isinstance(node, ast.Assign) else [node.target]
    names = [name.id for target in targets for name in ast.walk(target) if hasattr(name, "id")]
    numbers = (getattr(part, "value", None) for part in ast.walk(node.value))
    return any(name.isupper() and name != "ROWS" for name in names) and any(
        isinstance(number, int | float) and not isinstance(number, bool) for number in numbers
    )


def unexplained(file: Path) -> list[str]:
    """Return the constants of a module that say nothing: no comment, no docstring below.

    A comment above serves a group of lines without a gap.
    """
    text = file.read_text(encoding="utf-8")
    lines, body, bare = text.splitlines(), ast.parse(text).body, []
    group_ends = -1
    for node, after in zip(body, [*body[1:], None], strict=True):
        if not is_constant(node):
            continue
        assert node.end_lineno is not None
        grouped = group_ends == node.lineno - 1
        above = lines[node.lineno - 2].startswith("#")
        within = any("#" in line for line in lines[node.lineno - 1 : node.end_lineno])
        below = isinstance(after, ast.Expr) and after.lineno == node.end_lineno + 1
        if above or grouped:
            group_ends = node.end_lineno
        if not (above or within or below or grouped):
            bare.append(f"{file.name}: {lines[node.lineno - 1]}")
    return bare


@pytest.mark.parametrize("room", ["dsp", "measurements", "mix", "room", "script", "takes", "voice"])
def test_a_number_in_code_says_why(room: str):
    """What judges is data in `policy`; what is left is a constant of method, with its reason."""
    assert [bare for file in (PACKAGE / room).glob("*.py") for bare in unexplained(file)] == []


def test_a_number_that_says_nothing_is_noticed(tmp_path: Path):
    """The check itself."""
    file = tmp_path / "module.py"
    file.write_text("A = 1  # one\n# Two of a kind.\nB = 2\nC = 3\n\nD = 4\n")
    assert unexplained(file) == ["module.py: D = 4"]
