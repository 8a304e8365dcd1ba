"""Short names for what the conformance tables ask of a meter."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from vocheck.measurements.loudness import LoudnessMeter, LoudnessReading
from vocheck.measurements.true_peak import TruePeak, TruePeakMeter


def loudness(
    x: npt.NDArray[np.floating], rate_hz: int, layout: Sequence[str] | None = None
) -> LoudnessReading:
    """Return the loudness of a signal, shape (frames, channels)."""
    meter = LoudnessMeter(rate_hz, x.shape[1], layout)
    meter.feed(x)
    return meter.result()


def true_peak(x: npt.NDArray[np.floating], rate_hz: int) -> TruePeak:
    """Return the true peak of a signal, shape (frames, channels)."""
    meter = TruePeakMeter(x.shape[1], rate_hz)
    meter.feed(x)
    return meter.result()
