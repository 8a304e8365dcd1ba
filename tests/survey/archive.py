"""A small archive of recordings, and who measures it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import soundfile

from tests.material.demo_session import FOLDER
from vocheck.session.settings import Settings, make_settings
from vocheck.survey.work import Job, survey_file

TAKES = ("01_river_t1", "02_kiln_t2", "03_hands_t3")
PARTS = 2
"""Parts of 1.5 s that are cut from each take."""


def make_archive(folder: Path, parts: int = PARTS) -> Path:
    """Write parts of the demo session into folders, and two files that cannot be measured."""
    for day, take in enumerate(TAKES, start=1):
        samples, rate = soundfile.read(FOLDER / f"{take}.flac", dtype="int32")
        place = folder / f"day {day}" / "takes"
        place.mkdir(parents=True)
        length = int(1.5 * rate)
        for part in range(parts):
            start = rate // 2 + part * length // 2
            cut = samples[start : start + length]
            soundfile.write(place / f"{take}{part}.wav", cut, rate, "PCM_24")
    (folder / "day 1" / "broken.flac").write_bytes(b"fLaC, it says")
    (folder / "day 1" / ".hidden.wav").write_bytes(b"not looked at")
    (folder / "day 2" / "empty.wav").write_bytes(b"")
    (folder / "day 2" / "diary.txt").write_text("The kiln was cold.\n")
    return folder


class Here:
    """Measures in this process, and counts; after `most` recordings it is interrupted."""

    def __init__(self, most: int = 1000) -> None:
        self.most = most
        self.paths: list[str] = []

    def measured(
        self, missing: Iterator[tuple[str, int]], job: Job
    ) -> Iterator[tuple[str, int, str]]:
        """Yield path, size and line of each recording."""
        for path, size in missing:
            if len(self.paths) == self.most:
                raise KeyboardInterrupt
            self.paths.append(path)
            yield path, size, survey_file(path, job)


def settings_of(folder: Path) -> Settings:
    """Return the settings for a folder, without a cache."""
    return make_settings([folder])
