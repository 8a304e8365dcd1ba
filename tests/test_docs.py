"""The pages hold together: links lead somewhere, and the schema page names every field."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest

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
