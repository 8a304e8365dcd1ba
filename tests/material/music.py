"""Music of others, to lie under voices: games that Debian carries, 21 MB in all."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt
import soundfile
import soxr

from tests.material import outside, packages

STARTS_S = (5.0, 25.0)
LENGTH_S = 15.0


@cache
def excerpts(rate: int = 48_000) -> tuple[tuple[str, npt.NDArray[np.float32]], ...]:
    """Return excerpts of 15 s in one channel, with the names of their pieces.

    Two of each of seven pieces by several composers, from 5 s and from 25 s on. Nothing was tuned
    on them.
    """
    files = sorted(
        file
        for package in (packages.TUXMATH, packages.PATHOLOGICAL, packages.FUNNYBOAT)
        for file in outside.fetch(package).rglob("*.ogg")
        if file.stat().st_size > 500_000  # what is shorter is a sound effect
    )
    found = []
    for file in files:
        with soundfile.SoundFile(file) as sound:
            for start_s in STARTS_S:
                sound.seek(round(start_s * sound.samplerate))
                x = sound.read(round(LENGTH_S * sound.samplerate), "float32", always_2d=True)
                found.append((file.stem, soxr.resample(x.mean(axis=1), sound.samplerate, rate)))
    return tuple(found)


def under(
    x: npt.NDArray[np.float32], music: npt.NDArray[np.float32], level_dbfs: float
) -> npt.NDArray[np.float32]:
    """Return `x` over music of an RMS level, which is repeated where it is the shorter one."""
    bed = np.resize(music, len(x))
    return x + bed * np.float32(10.0 ** (level_dbfs / 20.0) / np.sqrt(np.mean(np.square(bed))))
