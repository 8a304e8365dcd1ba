"""Driving a page in a real browser, and checking it against the rules of axe-core."""

from __future__ import annotations

import io
import platform
import shutil
import tarfile
from pathlib import Path

import pytest

from tests.material import outside, packages


def chromium() -> tuple[str, dict[str, str]]:
    """Return the path of the browser and the variables it needs: Debian's, or the one of npm."""
    installed = shutil.which("chromium") or shutil.which("chromium-browser")
    if installed:
        return installed, {}
    if platform.machine() != "x86_64":
        outside.missing("chromium is not installed (apt-get install chromium)")
    folder = _unpacked(outside.fetch(packages.CHROMIUM))
    return str(folder / "chromium"), {
        "LD_LIBRARY_PATH": str(folder / "lib"),
        "FONTCONFIG_PATH": str(folder),
    }


_FONTS = """<?xml version="1.0"?>
<!DOCTYPE fontconfig SYSTEM "fonts.dtd">
<fontconfig><dir>{folder}</dir></fontconfig>
"""


def _unpacked(package: Path) -> Path:
    """Return the folder with the browser, its libraries and its fonts."""
    import brotli

    folder = package / "unpacked"
    with outside.locked("chromium"):
        if not folder.exists():
            packed = package / "package" / "bin"
            part = package / "unpacked.part"
            shutil.rmtree(part, ignore_errors=True)
            part.mkdir()
            for file in ("al2023.tar.br", "fonts.tar.br", "swiftshader.tar.br"):
                archive = io.BytesIO(brotli.decompress((packed / file).read_bytes()))
                with tarfile.open(fileobj=archive) as members:
                    members.extractall(part, filter="data")
            program = part / "chromium"
            program.write_bytes(brotli.decompress((packed / "chromium.br").read_bytes()))
            program.chmod(0o755)
            fonts = _FONTS.format(folder=folder / "fonts")
            (part / "fonts.conf").write_text(fonts, encoding="utf-8")
            part.rename(folder)
    return folder


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
