"""Make ``transcripts/*.txt``: what each command prints on the demo session, at 80 columns.

``python docs/make_transcripts.py [COMMAND...]`` runs the real commands in a clean folder with a
copy of the session, as a reader would; nothing is written by hand. (`make_watch.py` makes the
one of ``vocheck watch``, which takes a recorder to play to it.)
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
TRANSCRIPTS = HERE / "transcripts"

COMMANDS = {
    "take": ("take 02_kiln_t1.flac",),
    "rank": ("rank . --script script.txt",),
    "comp": ("comp 02_kiln_t*.flac", "comp 04_bowl_t*.flac --script script.txt"),
    "match": ("match 01_river_t4.flac 01_river_t1.flac 01_river_t3.flac",),
    "passes": ("passes afternoon.flac --script script.txt", "passes afternoon.flac"),
    "script": ("script script.txt --slot 8", "script script.txt 04_bowl_t3.flac 01_river_t2.flac"),
    "slots": ("slots picture.edl .",),
    "room": ("room room_tone.flac",),
    "mix": ("mix mix.flac --to social --to ebu-r128",),
    "deliver": ("deliver . --to social --title potter -o package -q",),
    "survey": ("survey . -o survey.jsonl",),
    "targets": ("targets social",),
    "explain": ("explain noise_floor",),
    "demo": ("demo",),
}
"""What is run for each command, in the folder of the session."""


def run(line: str, folder: Path) -> str:
    """Return a command and what it prints, as a terminal shows it."""
    words = []
    for word in shlex.split(line):
        found = sorted(file.name for file in folder.glob(word)) if "*" in word else []
        words += found or [word]
    done = subprocess.run(
        [sys.executable, "-m", "vocheck", *words],
        cwd=folder,
        env={**os.environ, "COLUMNS": "80", "NO_COLOR": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        timeout=300,
        check=False,
    )
    if "internal error" in done.stdout:
        raise RuntimeError(f"vocheck {line}: {done.stdout.strip()}")
    return f"$ vocheck {line}\n{done.stdout}"


def make(command: str) -> str:
    """Return the transcript of a command, run in a clean folder."""
    with tempfile.TemporaryDirectory() as root:
        folder = Path(root)
        if command != "demo":
            from vocheck.session.demo import copy_session

            copy_session(folder)
        if command == "passes":
            shutil.copy(HERE.parent / "fixtures/long/afternoon.flac", folder)
        return "\n".join(run(line, folder) for line in COMMANDS[command])


def main() -> None:
    """Write the transcripts of all commands, or of those that are named."""
    TRANSCRIPTS.mkdir(exist_ok=True)
    for command in sys.argv[1:] or COMMANDS:
        (TRANSCRIPTS / f"{command}.txt").write_text(make(command), encoding="utf-8")
        print(command, flush=True)


if __name__ == "__main__":
    main()
