"""Where things lie: the top level, and what the maintainers' folders may import of each other."""

from __future__ import annotations

import ast
import subprocess
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
    """Training can be changed without a test, and a test without fitting anew."""
    for file in (ROOT / "tests").rglob("test_*.py"):
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
