"""A second, independent reading of the integrated loudness, by pyloudnorm."""

from __future__ import annotations

import math

import numpy as np

from vocheck.measurements.loudness import Loudness
from vocheck.mix.results import IndependentReading
from vocheck.mix.sound import open_mix
from vocheck.recording import Source

MOST_S = 900.0
"""pyloudnorm wants the whole file in memory and several copies of it."""

NAME = "pyloudnorm, its filters computed for the sample rate"

WHY_THEY_DIFFER = (
    "pyloudnorm counts a last block that is more than half full, which ITU-R BS.1770 leaves out: "
    "up to some tenths of a LU on files of a few seconds. At sample rates other than 48 kHz its "
    "filter strays from the published curve by up to 0.1 LU."
)


def independent_reading(
    path: str, track: int | None, source: Source, ours: Loudness
) -> IndependentReading:
    """Return what pyloudnorm reads, beside our own reading.

    Parameters
    ----------
    path : str
    track : int or None
        As for `vocheck.mix.sound.open_mix`.
    source : Source
        What is known of the file.
    ours : Loudness
    """
    if source.channels > 5:
        return _none(f"pyloudnorm measures up to 5 channels, and this mix has {source.channels}.")
    if source.duration_s > MOST_S:
        return _none("The mix is longer than 15 min: pyloudnorm would need gigabytes of memory.")
    if ours.integrated_lufs is None or not math.isfinite(ours.integrated_lufs):
        reason = ours.reasons()["integrated_lufs"]
        return _none(f"There is nothing to compare: {reason}.")
    import pyloudnorm

    with open_mix(path, track) as file:
        samples = np.concatenate([block.astype(np.float64) for block in file.blocks()])
    meter = pyloudnorm.Meter(source.rate_hz, filter_class="DeMan")
    theirs = float(meter.integrated_loudness(samples))
    if not math.isfinite(theirs):
        return _none("pyloudnorm gave no number.")
    return IndependentReading(
        meter=NAME,
        integrated_lufs=theirs,
        difference_lu=theirs - ours.integrated_lufs,
        note=WHY_THEY_DIFFER,
    )


def _none(reason: str) -> IndependentReading:
    return IndependentReading(meter=NAME, integrated_lufs=None, difference_lu=None, note=reason)
