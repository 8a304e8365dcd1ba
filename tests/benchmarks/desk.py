"""How fast the desk is: from the last byte of a take to its verdict on the page, first paint, keys.

``python -m tests.benchmarks.desk`` runs ``vocheck desk`` as a user does, with headless Chromium on
the same machine, and prints the table of docs/performance.md. Speech is that of the demo session,
repeated to the length that is wanted. What it says of a busy machine is too slow: the load is told.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile
from playwright.sync_api import Page, sync_playwright

from tests.material.demo_session import FOLDER
from tests.report.browser import chromium

RUNS = 7
LENGTH_S = 20.0


def record(path: Path, seed: int = 0, length_s: float = LENGTH_S) -> None:
    """Write a take: one of the demo session, repeated, at another level each time."""
    samples, rate = soundfile.read(FOLDER / "02_kiln_t3.flac", dtype="float32")
    gain = np.float32(1.0 - 0.002 * seed)
    whole = np.resize(samples, round(length_s * rate)) * gain
    part = path.with_suffix(".part")
    soundfile.write(part, whole, rate, "PCM_24", format="WAV")
    part.rename(path)


@contextmanager
def desk(folder: Path, state: Path) -> Iterator[str]:
    """Yield the address of a running desk."""
    running = subprocess.Popen(
        [sys.executable, "-m", "vocheck", "desk", str(folder), "--no-browser", "--port", "0"],
        stdout=subprocess.PIPE,
        env={**os.environ, "VOCHECK_STATE": str(state), "VOCHECK_CACHE": str(state / "cache")},
        text=True,
    )
    assert running.stdout is not None
    yield running.stdout.readline().strip()
    running.send_signal(signal.SIGINT)
    running.wait(timeout=60)


def verdicts(page: Page, folder: Path) -> list[float]:
    """Return the seconds from the last byte of a take to its verdict on the page."""
    took = []
    for run in range(RUNS):
        name = f"05_wheel_t{run + 1}"
        record(folder / f"{name}.wav", run)
        began = time.perf_counter()
        page.locator(".sign h2", has_text=f"05_wheel, take {run + 1}").wait_for(timeout=60_000)
        took.append(time.perf_counter() - began)
    return took


def paints(page: Page, address: str) -> list[float]:
    """Return the seconds from the request to the first paint with the list of lines."""
    took = []
    for _ in range(RUNS):
        page.goto("about:blank")
        began = time.perf_counter()
        page.goto(f"{address}#/takes")
        page.locator(".line-list a").first.wait_for(timeout=60_000)
        took.append(time.perf_counter() - began)
    return took


def keys(page: Page) -> list[float]:
    """Return the seconds from a key to the sound of another take."""
    page.locator("#view-takes .take audio").nth(1).wait_for(state="attached", timeout=60_000)
    page.wait_for_timeout(2000)
    page.keyboard.press("Space")
    page.wait_for_timeout(500)
    return list(
        page.evaluate(
            """async (runs) => {
            const took = [];
            for (let run = 0; run < runs; run += 1) {
              const sounds = [...document.querySelectorAll("#view-takes audio")];
              const next = sounds.findIndex((sound) => sound.paused);
              const heard = new Promise((tell) => sounds[next].addEventListener("playing", tell, {once: true}));
              const began = performance.now();
              document.dispatchEvent(new KeyboardEvent("keydown", {key: String(next + 1), bubbles: true}));
              await heard;
              took.push((performance.now() - began) / 1000);
              await new Promise((go) => setTimeout(go, 400));
            }
            return took;
            }""",  # noqa: E501 (the page's own language)
            RUNS,
        )
    )


def row(what: str, bar: str, took: list[float]) -> str:
    """Return a row of the table, in milliseconds."""
    middle, worst = 1000 * statistics.median(took), 1000 * max(took)
    return f"| {what} | {bar} | {middle:.0f} ms | {worst:.0f} ms |"


def main() -> None:
    """Measure, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--takes", type=int, default=100, help="known takes of the session")
    takes = parser.parse_args().takes
    path, variables = chromium()
    load = os.getloadavg()[0]
    with tempfile.TemporaryDirectory() as root, sync_playwright() as playwright:
        folder, state = Path(root) / "takes", Path(root) / "state"
        folder.mkdir()
        (state / "cache").mkdir(parents=True)
        for take in range(takes):
            record(folder / f"{take // 4:02d}_line_t{take % 4 + 1}.wav", take, 8.0)
        browser = playwright.chromium.launch(
            executable_path=path,
            env={**os.environ, **variables},
            args=["--no-sandbox", "--autoplay-policy=no-user-gesture-required"],
        )
        page = browser.new_page()
        with desk(folder, state) as address:
            page.goto(f"{address}#/takes")
            page.locator(".summary", has_text=f"lines, {takes} takes.").wait_for(timeout=1_200_000)
        with desk(folder, state) as address:
            page.goto(f"{address}#/takes")
            page.locator(".summary", has_text=f"lines, {takes} takes.").wait_for(timeout=600_000)
            first = paints(page, address)
            key = keys(page)
            page.goto("about:blank")
            page.goto(f"{address}#/booth")
            page.locator(".booth .table").wait_for()
            verdict = verdicts(page, folder)
        browser.close()
        shutil.rmtree(folder)
    print(f"Load of the machine when it began: {load:.1f} on {os.cpu_count()} cores.\n")
    print("| what | bar | median | worst |\n| --- | --- | --- | --- |")
    print(row("last byte to verdict on the page, take of 20 s", "800 ms", verdict))
    print(row(f"first paint with {takes} known takes", "1000 ms", first))
    print(row("key to sound of another take", "30 ms", key))


if __name__ == "__main__":
    main()
