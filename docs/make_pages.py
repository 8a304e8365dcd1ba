"""Make the pictures of the pages and sheets: the shipped demo session in a real browser.

``python docs/make_pages.py`` runs the real commands on a copy of the session and photographs what
they write. Needs Chromium, and poppler's ``pdftoppm`` for the sheet.
"""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

HERE = Path(__file__).parent
SESSION = HERE.parent / "fixtures" / "session"
WIDTH, HEIGHT = 1100, 780
COLORS = 96
"""A picture of a page has few colors: a palette makes it a third as large."""
MOST_BYTES = 200_000


def vocheck(*arguments: str | Path) -> None:
    """Run the command; a verdict that asks for another take is no fault."""
    command = [sys.executable, "-m", "vocheck", *map(str, arguments), "-o", os.devnull]
    status = subprocess.run(command, check=False).returncode
    if status > 1:
        raise RuntimeError(f"{command} gave {status}")


def keep(picture: Image.Image, name: str) -> None:
    """Write a picture with a palette, and hold it to its size."""
    file = HERE / name
    picture.convert("RGB").quantize(COLORS, dither=Image.Dither.NONE).save(file, optimize=True)
    size = file.stat().st_size
    print(f"{name}: {picture.width} x {picture.height}, {size / 1000:.0f} kB")
    if size > MOST_BYTES:
        raise RuntimeError(f"{name} is larger than {MOST_BYTES} bytes")


def photograph(
    browser: Browser, page_file: Path, name: str, at: str = "", dark: bool = False
) -> None:
    """Keep a picture of a page, from its top or from the element `at` on."""
    page = browser.new_page(
        viewport={"width": WIDTH, "height": HEIGHT}, color_scheme="dark" if dark else "light"
    )
    page.goto(page_file.as_uri())
    if at:
        page.locator(at).first.evaluate("element => element.scrollIntoView()")
    keep(Image.open(io.BytesIO(page.screenshot())), name)
    page.close()


def main() -> None:
    """Write every picture."""
    with tempfile.TemporaryDirectory() as root, sync_playwright() as playwright:
        potter = Path(root) / "potter"
        shutil.copytree(SESSION, potter)
        vocheck("rank", potter, "--html", potter / "page.html", "--pdf", potter / "sheet.pdf")
        vocheck("comp", potter, "--html", potter / "comp.html")
        to = ["--to", "social", "--to", "ebu-r128", "--to", "youtube"]
        vocheck("mix", potter / "mix.flac", *to, "--html", potter / "mix.html")
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        photograph(browser, potter / "page.html", "page.png")
        photograph(browser, potter / "page.html", "page_take.png", '[data-key="01_river_t2"]', True)
        photograph(browser, potter / "comp.html", "comp.png", "#line-1")
        photograph(browser, potter / "mix.html", "mix.png")
        browser.close()
        subprocess.run(
            ["pdftoppm", "-r", "90", "-f", "3", "-l", "3", "-png", "-singlefile"]
            + [str(potter / "sheet.pdf"), str(Path(root) / "sheet")],
            check=True,
        )
        keep(Image.open(Path(root) / "sheet.png"), "sheet.png")


if __name__ == "__main__":
    main()
