"""Where the benchmarks write: one section each of ``docs/performance.md``."""

from __future__ import annotations

import os
from pathlib import Path

from tests.accuracy import sections

PAGE = Path(__file__).parents[2] / "docs" / "performance.md"
HEAD = """# Performance

Every table on this page is written by the script named above it, `python -m tests.benchmarks.NAME`.
Times are CPU times. What carries over to another machine is the ratios, each between programs that
ran one after another on the same machine and the same files.
"""


def load() -> str:
    """Say how busy the machine is: other work slows what needs the cache and the memory most."""
    return f"Load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors."


def write_section(name: str, title: str, markdown: str) -> None:
    """Put a section into the page, in place of an older one of the same name."""
    sections.write_section(name, title, markdown, PAGE, head=HEAD, package="tests.benchmarks")
