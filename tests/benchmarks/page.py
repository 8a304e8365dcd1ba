"""The pages: how long they take to make, how large they are, and how fast takes are switched.

Twelve takes of 20 s of one line (the demo session's takes of a line, each repeated and given a
little noise of its own) go through the real commands, Python and imports included; a mix of an hour
(the demo session's, repeated) through `vocheck mix`. Then headless Chromium opens the page of the
takes and switches between them by keyboard::

    python -m tests.benchmarks.page --write
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path
from statistics import median

import numpy as np
import soundfile

from tests.benchmarks.cpu import run_measured
from tests.material.demo_session import FOLDER
from tests.report.browser import chromium

TAKES, TAKE_S, MIX_S = 12, 20, 3600
BAR_S, BAR_MB = 6.0, 1.0
SWITCHES = 24
IDLE_LOAD = 1.0
"""Above this load average a wall time says more of the other programs than of this one."""


def write_takes(folder: Path) -> None:
    """Write the takes of one line."""
    random = np.random.default_rng(12)
    sources = sorted(FOLDER.glob("02_kiln_t*.flac"))
    for number in range(TAKES):
        samples, rate = soundfile.read(sources[number % len(sources)])
        long = np.resize(samples, TAKE_S * rate)
        long += 10 ** (-75 / 20) * random.standard_normal(len(long))
        file = folder / f"01_kiln_t{number + 1}.wav"
        soundfile.write(file, np.clip(long, -1, 1), rate, "PCM_24")


def write_mix(file: Path) -> None:
    """Write a mix of an hour."""
    samples, rate = soundfile.read(FOLDER / "mix.flac", dtype="float32")
    with soundfile.SoundFile(file, "w", rate, samples.shape[1], "PCM_24") as out:
        left = MIX_S * rate
        while left > 0:
            out.write(samples[:left])
            left -= len(samples)


def run(*arguments: str) -> tuple[float, float]:
    """Run the command and return its wall time and its CPU time."""
    command = [sys.executable, "-m", "vocheck", *arguments, "-o", os.devnull]
    # No folder can be made inside a device: nothing is kept, and nothing is known from before.
    nowhere = {**os.environ, "VOCHECK_CACHE": os.path.join(os.devnull, "none")}
    return run_measured(command, nowhere)[:2]


def switching_ms(page_file: Path) -> list[float]:
    """Return how long each switch takes, from the key to the sound of the other take."""
    from playwright.sync_api import sync_playwright

    path, variables = chromium()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=path,
            env={**os.environ, **variables},
            args=["--no-sandbox", "--autoplay-policy=no-user-gesture-required"],
        )
        page = browser.new_page()
        page.goto(page_file.as_uri())
        page.evaluate(
            """() => {
            window.took = [];
            let pressed = 0;
            document.addEventListener("keydown", () => { pressed = performance.now(); }, true);
            document.querySelectorAll("audio").forEach((a) => a.addEventListener("playing",
              () => { if (pressed) window.took.push(performance.now() - pressed); }));
            }"""
        )
        page.click(".play >> nth=0")
        page.wait_for_timeout(1000)
        for number in range(SWITCHES):
            page.keyboard.press(str(2 + number % 8))
            page.wait_for_timeout(300)
        took: list[float] = page.evaluate("window.took")
        browser.close()
    return took


def main() -> None:
    """Measure, print, and write the section when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="into docs/performance.md")
    arguments = parser.parse_args()
    rows = ["| page | wall s | CPU s | MB | bar |", "|---|---|---|---|---|"]
    takes = f"{TAKES} takes of {TAKE_S} s"
    with tempfile.TemporaryDirectory() as root:
        folder = Path(root) / "takes"
        folder.mkdir()
        write_takes(folder)
        mix = Path(root) / "mix.wav"
        write_mix(mix)
        for name, what, bar, extra in (
            ("rank", takes, f"{BAR_S:g} s, {BAR_MB:g} MB", [str(folder)]),
            ("comp", takes, f"{BAR_S:g} s, {BAR_MB:g} MB", [str(folder)]),
            ("rank", f"{takes}, --embed-audio", "", [str(folder), "--embed-audio"]),
            ("mix", "an hour, --encode none", f"{BAR_MB:g} MB", [str(mix), "--encode", "none"]),
        ):
            page = folder / f"{name}.html"
            idle = os.getloadavg()[0] < IDLE_LOAD
            wall, cpu = run(name, *extra, "--html", str(page))
            size = page.stat().st_size / 1e6
            waited = f"{wall:.1f}" if idle else "busy"
            rows.append(f"| {name}: {what} | {waited} | {cpu:.1f} | {size:.2f} | {bar} |")
            print(rows[-1], flush=True)
            if name == "rank" and "--embed-audio" not in extra:
                took = switching_ms(page)
        cores = os.cpu_count()
    switched = (
        f"From the key to the sound of the other take, {len(took)} switches in headless Chromium: "
        f"median {median(took):.0f} ms, most {max(took):.0f} ms."
    )
    print(switched)
    if arguments.write:
        from tests.benchmarks.sections import load, write_section

        how = (
            f"Each command in a new process, on {cores} cores, a worker on each. Wall time where "
            "nothing else ran, else *busy*; CPU time is that of all processes together. Megabytes "
            f"of 1,000,000 bytes. {load()}"
        )
        write_section("page", "Pages", "\n".join([how, "", *rows, "", switched]))


if __name__ == "__main__":
    main()
