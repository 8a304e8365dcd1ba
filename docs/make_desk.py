"""Make ``desk*.png``: the desk on a copy of the demo session, in a real browser.

``python docs/make_desk.py`` runs ``vocheck desk --demo`` and photographs its page.
"""

from __future__ import annotations

import io
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, sync_playwright

HERE = Path(__file__).parent
COLORS = 128
"""A picture of a page has few colors: a palette makes it a third as large."""


@contextmanager
def desk() -> Iterator[str]:
    """Yield the address of a running desk."""
    with tempfile.TemporaryDirectory() as state:
        running = subprocess.Popen(
            [sys.executable, "-m", "vocheck", "desk", "--demo", "--no-browser", "--port", "0"],
            stdout=subprocess.PIPE,
            env={**os.environ, "VOCHECK_STATE": state},
            text=True,
        )
        assert running.stdout is not None
        yield running.stdout.readline().strip()
        running.send_signal(signal.SIGINT)
        running.wait(timeout=30)


def keep(page: Page, name: str) -> None:
    """Write a picture of what the page shows, with a palette."""
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    picture.quantize(COLORS, dither=Image.Dither.NONE).save(HERE / name, optimize=True)
    print(f"{name}: {(HERE / name).stat().st_size / 1000:.0f} kB")


def main() -> None:
    """Write every picture."""
    with desk() as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        page = browser.new_page(viewport={"width": 1200, "height": 760})
        page.goto(f"{address}#/takes")
        page.get_by_text("4 lines, 16 takes.").wait_for(timeout=600_000)
        page.locator(".line-list a", has_text="02_kiln").click()
        page.locator(".chosen h2", has_text="02_kiln").wait_for(timeout=60_000)
        page.locator(".chosen .zoom").first.wait_for()
        keep(page, "desk.png")
        page.goto(f"{address}#/limits")
        page.locator(".numbers").first.wait_for(timeout=60_000)
        keep(page, "desk_limits.png")
        browser.close()


if __name__ == "__main__":
    main()
