"""A second, independent reading of the integrated loudness, by pyloudnorm."""

from __future__ import annotations

import math

import numpy as np

from vocheck.measurements.loudness import Loudness
from vocheck.mix.results import IndependentReading, NoReading
from vocheck.mix.sound import open_mix
from vocheck.recording import Source

MOST_CHANNELS = 5
"""What pyloudnorm measures."""

MOST_S = 900.0
"""pyloudnorm wants the whole file in memory and several copies of it."""

NAME = "pyloudnorm, its filters computed for the sample rate"


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
    if source.channels > MOST_CHANNELS:
        return _none("channels")
    if source.duration_s > MOST_S:
        return _none("length")
    if ours.integrated_lufs is None or not math.isfinite(ours.integrated_lufs):
        return _none("nothing to compare", ours.reasons()["integrated_lufs"])
    import pyloudnorm

    with open_mix(path, track) as file:
        samples = np.concatenate([block.astype(np.float64) for block in file.blocks()])
    meter = pyloudnorm.Meter(source.rate_hz, filter_class="DeMan")
    theirs = float(meter.integrated_loudness(samples))
    if not math.isfinite(theirs):
        return _none("no number")
    return IndependentReading(
        meter=NAME,
        integrated_lufs=theirs,
        difference_lu=theirs - ours.integrated_lufs,
    )


def _none(refusal: NoReading, reason: str = "") -> IndependentReading:
    return IndependentReading(
        meter=NAME, integrated_lufs=None, difference_lu=None, refusal=refusal, reason=reason
    )
