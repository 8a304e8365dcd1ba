"""The pages hold together: links lead somewhere, and the schema page names every field."""

from __future__ import annotations

import re
import runpy
from dataclasses import fields
from pathlib import Path

import pytest

from vocheck.cli import COMMANDS
from vocheck.measurements import Measurements

ROOT = Path(__file__).parents[1]
PAGES = [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_every_link_leads_to_a_file(page: Path):
    """A page that was moved or never written is noticed."""
    for target in re.findall(r"\]\(([^)#\s]+)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), target


def test_the_schema_page_names_every_field():
    """docs/results.md lists each field of each group."""
    rows = dict(
        re.findall(r"^\| (\w+) \| (.*) \|$", (ROOT / "docs/results.md").read_text("utf-8"), re.M)
    )
    for group in fields(Measurements):
        listed = set(rows[group.name].split(", "))
        module = __import__(f"vocheck.measurements.{group.name}", fromlist=["x"])
        cls = getattr(module, str(group.type))
        assert listed == {f.name for f in fields(cls) if f.name != "not_measured"}


MAKER = runpy.run_path(str(ROOT / "docs/make_transcripts.py"))


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_a_transcript(command: str):
    """What it prints on the demo session, made by a script; that of watch by its own."""
    if command == "watch":
        assert (ROOT / "docs/watch.txt").read_text("utf-8").startswith("$ vocheck watch ")
        return
    text = (ROOT / f"docs/transcripts/{command}.txt").read_text("utf-8")
    for line in MAKER["COMMANDS"][command]:
        assert f"$ vocheck {line}\n" in text
    assert "internal error" not in text


@pytest.mark.parametrize("command", MAKER["CHEAP"])
def test_a_transcript_is_not_stale(command: str):
    """Those that cost little are made anew and compared."""
    assert MAKER["make"](command) == (ROOT / f"docs/transcripts/{command}.txt").read_text("utf-8")
