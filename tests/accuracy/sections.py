"""Where the accuracy scripts write: a page each in ``docs/accuracy``."""

from __future__ import annotations

from pathlib import Path

FOLDER = Path(__file__).parents[2] / "docs" / "accuracy"


def write_section(name: str, title: str, markdown: str) -> None:
    """Write the page of one script, in place of an older one.

    Parameters
    ----------
    name : str
        The script's name: ``tests/accuracy/NAME.py``.
    title : str
        Heading of the page, after "Accuracy: ".
    markdown : str
        Body of the page.
    """
    head = f"# Accuracy: {title}\n\nWritten by `python -m tests.accuracy.{name}`.\n"
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / f"{name}.md").write_text(f"{head}\n{markdown.strip()}\n", encoding="utf-8")
