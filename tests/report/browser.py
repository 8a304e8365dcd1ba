"""Driving a page in a real browser, and checking it against the rules of axe-core."""

from __future__ import annotations

import shutil

import pytest

from tests.material import outside, packages


def chromium() -> str:
    """Return the path of the browser."""
    return shutil.which("chromium-browser") or outside.tool("chromium", "chromium")


SMALL_TARGETS = """() => [...document.querySelectorAll("button, select, input, summary, nav a")]
  .map((element) => element.closest("label") ?? element)
  .filter((element) => element.checkVisibility())
  .map((element) => [element.outerHTML.slice(0, 80), element.getBoundingClientRect()])
  .filter(([, box]) => box.width > 0 && (box.width < 24 || box.height < 24))
  .map(([html, box]) => `${html} is ${box.width} x ${box.height}`)"""
"""Targets smaller than 24 x 24 px: WCAG 2.2, success criterion 2.5.8 (AA)."""


def faults(page) -> list[str]:
    """Return what axe-core finds against WCAG 2.2 A and AA, and against its best practices."""
    page.evaluate(
        (outside.fetch(packages.AXE) / "package" / "axe.min.js").read_text(encoding="utf-8")
    )
    found = page.evaluate(
        """async () => (await axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a",
        "wcag21aa", "wcag22aa", "best-practice"]})).violations"""
    )
    return [
        f"{fault['impact']}: {fault['id']}: {node['target']} {node['failureSummary']}"
        for fault in found
        for node in fault["nodes"]
    ]


def until(page, condition: str) -> None:
    """Wait for a condition of the page (its own wait is barred by the page's security policy)."""
    for _ in range(200):
        if page.evaluate(condition):
            return
        page.wait_for_timeout(50)
    pytest.fail(f"never true: {condition}")


def every_stop(page, most: int = 400) -> list[str]:
    """Return what the Tab key stops at, in order, from the top of the page to its end.

    Each stop must be seen to have the focus: WCAG 2.2, success criterion 2.4.7.
    """
    stops: list[str] = []
    for _ in range(most):
        page.keyboard.press("Tab")
        name, outline = page.evaluate(
            """() => {
            const here = document.activeElement;
            const radio = here.type === "radio" ? `input.${here.name}` : "";
            const name = radio || `${here.localName}.${here.className}#${here.id}`;
            return [here === document.body ? "" : name, getComputedStyle(here).outlineWidth];
            }"""
        )
        if not name:
            break
        assert outline != "0px", f"{name} does not show that it has the focus"
        stops.append(name)
    return stops
