"""The gating blocks of ITU-R BS.1770, to average two signals over the places where one is heard."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

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
    counted: npt.NDArray[np.bool_] = powers > 10.0 ** ((ABSOLUTE_GATE_LUFS - OFFSET_LU) / 10.0)
    if counted.any():
        counted &= powers > powers[counted].mean() * 10.0 ** (RELATIVE_GATE_LU / 10.0)
    return counted
