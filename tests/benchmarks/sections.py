"""Where the benchmarks write: one section each of ``docs/performance.md``."""

from __future__ import annotations

import os
import re
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "performance.md"
HEAD = """# Performance

Every table on this page is written by the script named above it, `python -m tests.benchmarks.NAME`.
Times are CPU times. What carries over to another machine is the ratios, each between programs that
ran one after another on the same machine and the same files.
"""


def load() -> str:
    """Say how busy the machine is: other work slows what needs the cache and the memory most."""
    return f"Load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors."


def write_section(name: str, title: str, markdown: str, page: Path = PAGE) -> None:
    """Put a section into the page, in place of an older one of the same name.

    Parameters
    ----------
    name : str
        The script's name: ``tests/benchmarks/NAME.py``.
    title : str
        Heading of the section.
    markdown : str
        Body of the section.
    page : Path
    """
    text = page.read_text(encoding="utf-8") if page.exists() else HEAD
    begin, end = f"<!-- begin {name} -->", f"<!-- end {name} -->"
    source = f"Written by `python -m tests.benchmarks.{name}`."
    section = f"{begin}\n## {title}\n\n{source}\n\n{markdown.strip()}\n{end}"
    pattern = re.compile(f"{re.escape(begin)}.*?{re.escape(end)}", re.DOTALL)
    if pattern.search(text):
        text = pattern.sub(lambda _: section, text)
    else:
        text = f"{text.rstrip()}\n\n{section}\n"
    page.write_text(text, encoding="utf-8")
