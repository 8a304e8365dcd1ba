"""Where the accuracy scripts write: one section each of ``docs/accuracy.md``."""

from __future__ import annotations

import re
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "accuracy.md"
HEAD = """# Accuracy

Every table on this page is written by the script named above it (`python -m tests.accuracy.NAME`).
Each section says what was tuned or trained on, and what was only tested on.
"""


def write_section(
    name: str,
    title: str,
    markdown: str,
    page: Path = PAGE,
    *,
    head: str = HEAD,
    package: str = "tests.accuracy",
) -> None:
    """Put a section into the page, in place of an older one of the same name.

    Parameters
    ----------
    name : str
        The script's name: ``tests/accuracy/NAME.py``.
    title : str
        Heading of the section.
    markdown : str
        Body of the section.
    page : Path
        The page to write, made when it does not exist.
    head : str
        What a new page begins with.
    package : str
        Where the script is.
    """
    text = page.read_text(encoding="utf-8") if page.exists() else head
    begin, end = f"<!-- begin {name} -->", f"<!-- end {name} -->"
    source = f"Written by `python -m {package}.{name}`."
    section = f"{begin}\n## {title}\n\n{source}\n\n{markdown.strip()}\n{end}"
    pattern = re.compile(f"{re.escape(begin)}.*?{re.escape(end)}", re.DOTALL)
    if pattern.search(text):
        text = pattern.sub(lambda _: section, text)
    else:
        text = f"{text.rstrip()}\n\n{section}\n"
    page.write_text(text, encoding="utf-8")
