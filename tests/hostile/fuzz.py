"""Coverage-guided fuzzing of our own parsers: ``python -m tests.hostile.fuzz notes --minutes 10``.

Needs the extra `fuzz` (atheris). Only errors of vocheck may come out of a parser, each one line; an
input that brings out anything else is written to the folder at hand as ``crash-...``. Put it into
the tests of the parser with the mending.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["vocheck"]):
    from vocheck.audio.heads import look
    from vocheck.audio.metadata import read_metadata
    from vocheck.audio.riff import aiff_chunks, content, is_wave, wave_chunks
    from vocheck.edit.picture import read_picture
    from vocheck.edit.timecode import RATES
    from vocheck.errors import VocheckError
    from vocheck.policy.every import load_policy
    from vocheck.script.text import read_script
    from vocheck.session.notes import parse_notes

from tests.audio.files import tones, write_by_libsndfile
from tests.audio.test_metadata import IXML, bext, take


def _chunks(path: Path) -> None:
    with path.open("rb") as file:
        for chunk in (wave_chunks if is_wave(file) else aiff_chunks)(file):
            content(file, chunk, 1000)


def _head(path: Path) -> None:
    look(str(path))
    read_metadata(path)


PARSERS: dict[str, tuple[str, tuple[Callable[[Path], object], ...]]] = {
    "riff": ("take.wav", (_chunks,)),
    "heads": ("take.wav", (_head,)),
    "notes": ("notes.csv", (parse_notes,)),
    "settings": ("vocheck.toml", (load_policy,)),
    "script": ("script.txt", (read_script,)),
    "script-csv": ("script.csv", (read_script,)),
    "captions": ("picture.srt", (lambda path: read_picture(path, RATES["25"]),)),
    "edl": ("picture.edl", (lambda path: read_picture(path, RATES["29.97df"]),)),
}
"""Each parser: the name of its file, and what reads it."""

TEXTS = {
    "notes": "take,circled,rating,remark\n01_river_t1,yes,4,warm\n01_river_t2,,2,\n",
    "settings": '[limits.hum]\nretake = -50\n[session]\npattern = "(?P<line>.+)_t(?P<take>.+)"\n',
    "script": "01_river: The river bends below the town.\n\n02_kiln: The kiln burns all night.\n",
    "script-csv": "line,text\n01_river,The river bends.\n",
    "captions": "1\n00:00:01,000 --> 00:00:04,500\nThe river bends.\n\n",
    "edl": "TITLE: POTTER\nFCM: DROP FRAME\n001  AX  V  C  00:00:00;00 00:00:04;00 01:00:00;00 "
    "01:00:04;00\n* FROM CLIP NAME: 01_river\n",
}


def seeds(parser: str, folder: Path) -> None:
    """Write a whole file to begin with."""
    if parser in TEXTS:
        (folder / "seed").write_text(TEXTS[parser])
        return
    write_by_libsndfile(folder / "seed.aiff", "AIFF", "PCM_16", tones(1, 0.01))
    ixml = IXML.format(encoding="utf-8").encode()
    whole = take(folder / "whole.wav", (b"bext", bext()), (b"iXML", ixml)).read_bytes()
    (folder / "whole.wav").write_bytes(whole[:4000])


def main() -> None:
    asked = argparse.ArgumentParser(prog="python -m tests.hostile.fuzz", description=__doc__)
    asked.add_argument("parser", choices=PARSERS)
    asked.add_argument("--minutes", type=float, default=10.0)
    options = asked.parse_args()
    name, readers = PARSERS[options.parser]
    folder = Path(tempfile.mkdtemp())
    corpus = folder / "corpus"
    corpus.mkdir()
    seeds(options.parser, corpus)
    file = folder / name

    def once(raw: bytes) -> None:
        file.write_bytes(raw)
        for read in readers:
            try:
                read(file)
            except VocheckError as error:
                if "\n" in str(error).strip():
                    raise AssertionError(f"more than a line: {error}") from error

    seconds = round(60 * options.minutes)
    atheris.Setup([sys.argv[0], str(corpus), f"-max_total_time={seconds}", "-timeout=20"], once)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
