"""DEVELOPERS.md, followed to the letter: a toy measurement, its limit, and a toy destination."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
import soundfile

ROOT = Path(__file__).parents[1]


def printed() -> dict[str, str]:
    """Return the files that DEVELOPERS.md prints, by the path in their first line."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^( *)```(?:python|toml)\n(.*?)^ *```$", text, re.MULTILINE | re.DOTALL)
    files = (textwrap.dedent(block).partition("\n") for _, block in blocks)
    return {head.removeprefix("# "): body for head, _, body in files}


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a copy of the project in which everything has been done that is asked for."""
    root = tmp_path_factory.mktemp("copy")
    for folder in ("vocheck", "docs"):
        shutil.copytree(ROOT / folder, root / folder, ignore=shutil.ignore_patterns("__pycache__"))
    files = printed()
    module = "vocheck/measurements/crossings.py"
    (root / module).write_text(files.pop(module), encoding="utf-8")

    every = "vocheck/measurements/every.py"
    line, field = files.pop(every).rstrip("\n").split("\n")
    text = (root / every).read_text(encoding="utf-8")
    text = text.replace("from vocheck.recording", f"{line}\nfrom vocheck.recording", 1)
    last = re.findall(r"^    \w+: \w+$", text, re.MULTILINE)[-1]
    (root / every).write_text(text.replace(last, f"{last}\n{field}", 1), encoding="utf-8")

    assert set(files) == {"vocheck/policy/limits.toml", "vocheck/policy/families/broadcast.toml"}
    for name, entry in files.items():
        with (root / name).open("a", encoding="utf-8") as file:
            file.write(f"\n{entry}")

    # A sine of 100 Hz: 200 changes of sign in a second (closed form).
    sine = 0.1 * np.sin(2.0 * np.pi * 100.0 * np.arange(96_000) / 48_000 + 0.1)
    soundfile.write(root / "01_river_t1.wav", sine, 48_000, subtype="PCM_24")
    return root


def run(copy: Path, *arguments: str) -> str:
    """Return what Python prints in the copy; findings are no fault."""
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=copy,
        env=os.environ | {"PYTHONPATH": str(copy)},
        capture_output=True,
        text=True,
    )
    assert done.returncode in (0, 1), done.stdout + done.stderr
    assert "Traceback" not in done.stderr, done.stderr
    return done.stdout


def test_the_row_the_finding_and_the_verdict_are_there(copy: Path):
    """`take` shows the row of the module, and judges it by the limit."""
    text = run(copy, "-m", "vocheck", "take", "01_river_t1.wav", "--no-cache")
    assert re.search(r"^  zero crossings +200 per second$", text, re.MULTILINE)
    assert "changes its sign 200 times a second, limit 1." in " ".join(text.split())


def test_json_and_csv_carry_it(copy: Path):
    """No writer has to be told."""
    take = ("-m", "vocheck", "take", "01_river_t1.wav", "--no-cache", "--format")
    plain = json.loads(run(copy, *take, "json"))
    plain = plain[0] if isinstance(plain, list) else plain
    assert plain["measurements"]["crossings"]["per_s"] == pytest.approx(200.0, abs=0.5)
    row = next(csv.DictReader(run(copy, *take, "csv").splitlines()))
    assert float(row["crossings.per_s"]) == pytest.approx(200.0, abs=0.5)


def test_it_is_explained(copy: Path):
    """`explain` prints the docstring of the module."""
    assert "how often the wave" in run(copy, "-m", "vocheck", "explain", "crossings")


def test_the_pages_list_it(copy: Path):
    """`docs/make_tables.py` finds it in the index and in the schema."""
    run(copy, "docs/make_tables.py")
    assert "[crossings](measurements/crossings.md)" in (copy / "docs/index.md").read_text("utf-8")
    assert "| crossings.per_s | zero crossings | per second | yes |" in (
        copy / "docs/results.md"
    ).read_text("utf-8")


def test_a_take_is_held_against_the_destination(copy: Path):
    """The destination is shown, and a take is judged by it."""
    assert "River Radio: station voice" in run(copy, "-m", "vocheck", "targets", "river-radio")
    text = run(
        *(copy, "-m", "vocheck", "take", "01_river_t1.wav", "--no-cache", "--to", "river-radio")
    )
    assert "river-radio" in text
