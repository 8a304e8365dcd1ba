"""Make ``watch.txt`` and ``watch.png``: the demo session recorded once more, take by take.

``python docs/make_watch.py`` runs the real command on a folder into which the takes are copied.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

from vocheck.booth.linelog import read_lines

HERE = Path(__file__).parent
SESSION = HERE.parent / "fixtures" / "session"
PORT = 8471
AS_RECORDED = {
    "03_hands_t3.flac": "test read.flac",
    **{
        f"{take}.flac": f"{take}.flac"
        for take in (
            *("room_tone", "01_river_t2", "01_river_t4", "02_kiln_t1", "02_kiln_t2"),
            *("02_kiln_t3", "03_hands_t1", "04_bowl_t1", "04_bowl_t2"),
        )
    },
}
"""The order of the session; the take that was recorded low is its test read."""


def address() -> str:
    """Return the address of the page, as the command printed it."""
    found = re.search(r"http://\S+", (HERE / "watch.txt").read_text())
    if found is None:
        raise RuntimeError("no address of the page")
    return found[0]


def is_told(name: str, results: list[dict[str, Any]]) -> bool:
    """Whether all is told of a recording: its verdict, and what of a take was read."""
    of_it = [line for line in results if Path(line["path"]).name == name]
    return any(line["reading"] or line["take"] is None for line in of_it)


def wait_until(happened) -> None:
    """Wait until something has happened, for half a minute at most."""
    for _ in range(300):
        if happened():
            return
        time.sleep(0.1)
    raise TimeoutError("the booth did not answer")


def main() -> None:
    """Record the session, and keep what terminal and page show."""
    with tempfile.TemporaryDirectory() as root, (HERE / "watch.txt").open("w") as transcript:
        folder = Path(root) / "recordings"
        folder.mkdir()
        shutil.copyfile(SESSION / "script.txt", folder / "script.txt")
        results = folder / "vocheck-watch.jsonl"
        command = ["vocheck", "watch", "recordings", "--page", "--port", str(PORT)]
        transcript.write(f"$ {' '.join(command)}\n")
        transcript.flush()
        booth = subprocess.Popen(
            [sys.executable, "-m", *command],
            cwd=root,
            stdout=transcript,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "COLUMNS": "96", "PYTHONUNBUFFERED": "1"},
        )
        wait_until(lambda: "Ctrl-C" in (HERE / "watch.txt").read_text())
        for source, name in AS_RECORDED.items():
            shutil.copyfile(SESSION / source, folder / name)
            wait_until(lambda name=name: is_told(name, read_lines(results)))
            if name == "02_kiln_t2.flac":
                photograph()
        time.sleep(1.0)  # what was written is also printed
        booth.send_signal(signal.SIGINT)
        booth.wait()
    told = (HERE / "watch.txt").read_text()
    (HERE / "watch.txt").write_text(re.sub(r"key=\S+", "key=...", told))  # random each time


def photograph() -> None:
    """Keep a picture of the page at the size of a tablet."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        page = browser.new_page(viewport={"width": 1024, "height": 768})
        page.goto(address())
        page.wait_for_selector(".sign.retake")
        page.screenshot(path=HERE / "watch.png")
        browser.close()


if __name__ == "__main__":
    main()
