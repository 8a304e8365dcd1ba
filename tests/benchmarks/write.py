"""A copy of an hour at the target: time and memory of ``vocheck mix --write``.

Makes an hour of stereo (48 kHz, 24 bit) of music and voices, and runs the command on it in a
process of its own, as a reader would, without a codec and with one::

    python -m tests.benchmarks.write --minutes 60 --codec --write

The CPU time is that of the whole command: Python, imports, checking the mix, writing, and checking
the copy. The memory is the most that it held.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from tests.benchmarks.sections import load, write_section
from tests.material import music
from tests.material.demo_session import FOLDER

RATE = 48000
BAR_CPU_S, BAR_MB = 30.0, 150.0


def make_file(path: Path, minutes: float) -> None:
    """Write voices over music with peaks that a limiter has to catch at -14 LUFS."""
    rng = np.random.default_rng(0)
    voice, _ = soundfile.read(FOLDER / "mix.flac", dtype="float32", always_2d=True)
    pieces = [piece for _, piece in music.excerpts(RATE)]
    frames = round(minutes * 60 * RATE)
    with soundfile.SoundFile(path, "w", RATE, 2, "PCM_24") as file:
        while frames > 0:
            bed = pieces[int(rng.integers(len(pieces)))]
            length = min(len(bed), len(voice), frames)
            side = np.stack([bed[:length], np.roll(bed, 24)[:length]], axis=1)
            side *= np.float32(0.1 / np.sqrt(np.mean(np.square(side))))
            file.write(0.6 * np.tanh(1.2 * (voice[:length, :1] + side)))
            frames -= length


def run(*arguments: str) -> tuple[float, float, str]:
    """Run the command in a new process; return its CPU time, its memory in MB and its report."""
    code = (
        "import resource, sys; from vocheck.cli import run; "
        f"status = run({list(arguments)!r}); "
        "print('memory', resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, "
        "file=sys.stderr)"
    )
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=True,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return cpu_s, float(done.stderr.split("memory ")[1]), done.stdout


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--codec", action="store_true", help="try a codec as well: minutes")
    parser.add_argument("--write", action="store_true", help="into docs/performance.md")
    arguments = parser.parse_args()
    busy = load()
    lines = ["| what | CPU s | MB |", "|---|---|---|"]
    with tempfile.TemporaryDirectory() as folder:
        mix = Path(folder, "mix.wav")
        make_file(mix, arguments.minutes)
        copy = str(Path(folder, "copy.wav"))
        none = ("--encode", "none")
        for what, more in (
            ("checking the mix alone", none),
            ("`--write` by gain (`--to ebu-r128`)", (*none, "--to", "ebu-r128", "--write", copy)),
            (
                "`--write` with the limiter (`--to social`)",
                (*none, "--to", "social", "--write", copy),
            ),
            ("the same, tried with AAC 128 before and after", ("--to", "social", "--write", copy)),
        ):
            if "--encode" not in more and not arguments.codec:
                continue
            cpu_s, mb, report = run("mix", str(mix), "--quiet", *more)
            Path(copy).unlink(missing_ok=True)
            lines.append(f"| {what} | {cpu_s:.1f} | {mb:.0f} |")
            print(lines[-1], flush=True)
            if "--write" in more:
                print(report[report.index("  COPY") :], flush=True)
    how = (
        f"{arguments.minutes:g} min of stereo, 48 kHz, 24 bit, voices over music. Bars: "
        f"{BAR_CPU_S:.0f} s and {BAR_MB:.0f} MB for an hour, without a codec: to encode and decode "
        "an hour takes minutes by itself, once for the mix and once for each copy. Python "
        f"{platform.python_version()}, numpy {np.__version__}, {platform.machine()}. {busy}"
    )
    if arguments.write:
        write_section("write", "A copy at the target", "\n\n".join([how, "\n".join(lines)]))


if __name__ == "__main__":
    main()
