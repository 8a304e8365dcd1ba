"""Rooms import downwards only: the contract of pyproject.toml, and the picture of DEVELOPERS.md."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from importlinter.cli import EXIT_STATUS_SUCCESS, lint_imports

ROOT = Path(__file__).parents[1]
CONTRACTS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"][
    "importlinter"
]["contracts"]
LAYERS = [
    {room.strip() for room in re.split("[|:]", line)}
    for line in next(one for one in CONTRACTS if one["id"] == "rooms")["layers"]
]


def test_no_import_goes_against_the_order(capsys: pytest.CaptureFixture[str]):
    """Imports for type checkers count as well: nothing is left out."""
    status = lint_imports(str(ROOT / "pyproject.toml"), no_cache=True, no_logo=True)
    assert status == EXIT_STATUS_SUCCESS, capsys.readouterr().out


@pytest.mark.parametrize(
    ("module", "line"),
    [
        ("dsp/runs.py", "from vocheck.voice import pitch"),
        ("measurements/level.py", "from vocheck.policy import config"),
        ("takes/rank.py", "from vocheck.mix import check"),
        ("recording.py", "from vocheck.dsp import resample"),
    ],
)
def test_an_import_against_the_order_is_found(tmp_path: Path, module: str, line: str):
    """The contract can fail: an import upwards, sideways, or from the recording is reported."""
    package = shutil.copytree(
        ROOT / "vocheck", tmp_path / "vocheck", ignore=shutil.ignore_patterns("__pycache__")
    )
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    with (package / module).open("a", encoding="utf-8") as file:
        file.write(f"\n{line}\n")
    code = (
        "from importlinter.cli import lint_imports; raise SystemExit(lint_imports(no_cache=True))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 1, done.stdout + done.stderr
    assert module.removesuffix(".py").replace("/", ".") in done.stdout


def test_the_picture_shows_the_contract():
    """DEVELOPERS.md draws the same rooms on the same lines, in the same order."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    picture = text.split("```")[1].strip()
    drawn = [
        set(re.split(r"\s{2,}", line)[0].split(", "))
        for line in picture.splitlines()
        if line.strip("│ ")
    ]
    assert drawn == [layer - {"__main__"} for layer in LAYERS]


def test_every_room_that_is_drawn_exists():
    """No room of the picture is missing from the code, and none of the code from the picture."""
    rooms = set().union(*LAYERS)
    there = {
        path.stem
        for path in (ROOT / "vocheck").iterdir()
        if path.suffix == ".py" or (path / "__init__.py").exists()
    }
    assert there - {"__init__"} <= rooms
    assert rooms <= there
