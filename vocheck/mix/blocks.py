"""Averaging two signals over the places where one of them is heard.

Where a signal counts is told by the gates of ITU-R BS.1770 on its blocks of 400 ms, every 100 ms.
Two signals are compared over the same blocks (`gated`). Where a voice starts or ends, a block holds
some of the pause beside it, which would count the bed there as under the voice. So a voice is
`active` in those 100 ms all of whose blocks pass the gates: pauses up to 0.3 s within a phrase are
in, the pauses around it are out.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import power_ratio
from vocheck.dsp.frames import framed
from vocheck.dsp.weighted_energy import MOMENTARY_STEPS
from vocheck.measurements.loudness import (
    ABSOLUTE_GATE_LUFS,
    GATING_HOP_STEPS,
    OFFSET_LU,
    RELATIVE_GATE_LU,
    LoudnessReading,
)

Powers = npt.NDArray[np.float64]


def block_powers(reading: LoudnessReading) -> Powers:
    """Return the mean square of blocks of 400 ms every 100 ms, one channel as on two speakers."""
    blocks = reading.energies.windows(MOMENTARY_STEPS, GATING_HOP_STEPS)
    return 2.0 * blocks if reading.channels == 1 else blocks


def gated(powers: Powers) -> npt.NDArray[np.bool_]:
    """Return which blocks count: those that pass both gates of BS.1770-5, Annex 1."""
    counted: npt.NDArray[np.bool_] = powers > power_ratio(ABSOLUTE_GATE_LUFS - OFFSET_LU)
    if counted.any():
        counted &= powers > powers[counted].mean() * power_ratio(RELATIVE_GATE_LU)
    return counted


def parts(reading: LoudnessReading) -> Powers:
    """Return the mean square of 100 ms every 100 ms, one channel as on two speakers."""
    tenths = reading.energies.windows(GATING_HOP_STEPS, GATING_HOP_STEPS)
    return 2.0 * tenths if reading.channels == 1 else tenths


def active(voice: LoudnessReading) -> npt.NDArray[np.bool_]:
    """Return in which 100 ms a voice is active, shape (parts,)."""
    counted = gated(block_powers(voice))
    if not counted.any():
        return np.zeros(len(parts(voice)), bool)
    overlap = MOMENTARY_STEPS // GATING_HOP_STEPS
    padded = np.pad(counted, overlap - 1, constant_values=True)
    heard: npt.NDArray[np.bool_] = framed(padded, overlap).min(1)
    return heard
