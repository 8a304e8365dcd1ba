"""A session of ten thousand takes that are all known: `rank` and `survey`.

Nobody measures ten thousand takes for this. Sixteen are measured; the others are short files, each
of its own content, for which one of those results is put into the cache as if it were theirs::

    python -m tests.benchmarks.known --write
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

import soundfile

from tests.benchmarks.cpu import run_measured
from tests.material.demo_session import FOLDER
from vocheck.audio.readers import read
from vocheck.measurements import measure
from vocheck.session.cache import Cache
from vocheck.session.take import Measured
from vocheck.session.takefile import SETTLED_S, TakeFile

TAKES, PER_LINE = 10_000, 10
BAR_S = 15.0
LENGTH_S = 0.1
"""Of the files: of a known take nothing but the head is read."""


def make_known(folder: Path, cache: Cache, count: int) -> None:
    """Write takes, ten to a line, and put into the cache what each is measured to be."""
    recordings = [read(path) for path in sorted(FOLDER.glob("0*_t*.flac"))]
    results = [Measured(source=one.source, measurements=measure(one)) for one in recordings]
    short = recordings[0].samples[: int(LENGTH_S * recordings[0].rate)].copy()
    for number in range(count):
        short[0] = number / count
        name = f"{number // PER_LINE:04d}_line_t{number % PER_LINE + 1}.wav"
        soundfile.write(folder / name, short, recordings[0].rate, "PCM_24")
    time.sleep(SETTLED_S + 1.0)  # the hash of a file that was just written is not remembered
    for number, file in enumerate(sorted(folder.iterdir())):
        take = TakeFile(str(file), cache)
        vars(take)["recording"] = None  # nobody reads it
        take.remember(Measured, lambda _, of=number: results[of % len(results)])


def main() -> None:
    """Measure, print, and write the section when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=TAKES)
    parser.add_argument("--folder", type=Path, help="keep takes and cache here, or find them there")
    parser.add_argument("--write", action="store_true", help="into docs/performance.md")
    arguments = parser.parse_args()
    rows = ["| command | wall s | CPU s | bar |", "|---|---|---|---|"]
    with tempfile.TemporaryDirectory() as root:
        place = arguments.folder or Path(root)
        folder, cache = place / "takes", Cache(place / "cache")
        if not folder.exists():
            folder.mkdir(parents=True)
            make_known(folder, cache, arguments.takes)
        env = {**os.environ, "VOCHECK_CACHE": str(cache.folder)}
        vocheck = [sys.executable, "-m", "vocheck"]
        output = Path(root) / "out"
        for name, words, bar in (
            ("rank", ["rank", folder, "-o", output, "--fail-on", "never"], f"{BAR_S:g} s"),
            ("rank --format json", ["rank", folder, "-o", output, "--format", "json"], ""),
            ("survey, all lines new", ["survey", folder, "-o", f"{output}.jsonl", "-q"], ""),
            ("survey, run again", ["survey", folder, "-o", f"{output}.jsonl", "-q"], ""),
        ):
            wall, cpu, _ = run_measured([*vocheck, *words], env)
            rows.append(f"| {name} | {wall:.1f} | {cpu:.1f} | {bar} |")
            print(rows[-1], flush=True)
        kept_mb = sum(entry.stat().st_size for entry in cache.folder.iterdir()) / 1e6
    how = (
        f"{arguments.takes} takes, {PER_LINE} to a line, all known to the cache ({kept_mb:.0f} "
        f"MB); {os.cpu_count()} cores; a new process each time."
    )
    print(how)
    if arguments.write:
        from tests.benchmarks.sections import load, write_section

        text = "\n".join([f"{how} {load()}", "", *rows])
        write_section("known", "Ten thousand known takes", text)


if __name__ == "__main__":
    main()
