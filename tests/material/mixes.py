"""What a mix is made of, measured apart."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vocheck.measurements.loudness import LoudnessMeter
from vocheck.mix.blocks import active, parts


def lead_lu(voice: npt.NDArray[np.floating], bed: npt.NDArray[np.floating], rate: int) -> float:
    """Return how far a voice stands over a bed, both (frames, 2), where the voice is active.

    Each is measured by itself (ITU-R BS.1770).
    """
    readings = []
    for samples in (voice, bed):
        meter = LoudnessMeter(rate, 2)
        meter.feed(samples.astype(np.float32))
        readings.append(meter.result())
    speaks, over, below = active(readings[0]), parts(readings[0]), parts(readings[1])
    length = min(map(len, (speaks, over, below)))
    speaks = speaks[:length]
    return float(10 * np.log10(over[:length][speaks].mean() / below[:length][speaks].mean()))
