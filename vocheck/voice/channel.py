"""The channel that carries the voice, in the forms that several measurements share.

Each is computed once for each recording.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vocheck.dsp.resample import resample
from vocheck.dsp.spectrogram import Spectrogram, power_spectrogram
from vocheck.recording import Recording, once

__all__ = ["spectrogram_of", "voice_at"]


@once
def voice_at(recording: Recording, rate_hz: int) -> npt.NDArray[np.float32]:
    """Return the voice at another sample rate, shape (frames,)."""
    return resample(recording.voice, recording.rate, rate_hz)


@once
def spectrogram_of(recording: Recording) -> Spectrogram:
    """Return the power spectrogram of the voice: 21 ms Hann windows every 5 ms."""
    return power_spectrogram(recording.voice, recording.rate)
