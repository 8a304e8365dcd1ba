"""The page on targets says what the data say."""

from __future__ import annotations

from tests.policy.page import BEGIN, PAGE, tables, with_tables
from vocheck.policy.destinations import load_destinations


def test_the_page_cannot_drift() -> None:
    """The page holds the tables of today's data."""
    text = PAGE.read_text(encoding="utf-8")
    assert BEGIN in text
    assert with_tables(text) == text


def test_every_destination_stands_on_the_page() -> None:
    """No destination is missing from the tables."""
    page = tables()
    assert all(f"| `{name}` |" in page for name in load_destinations())
