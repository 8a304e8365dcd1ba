"""Constructed mixes of known loudness.

A 1 kHz sine that peaks at x dBFS in both channels reads x LUFS (EBU Tech 3341, table 1, case 1):
K-weighting is +0.7 dB there, the offset is -0.691, and two channels make up for the sine's -3.01.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

Samples = npt.NDArray[np.float64]


def tone(
    seconds: float,
    peak_dbfs: float,
    rate: int = 48000,
    frequency: float = 1000.0,
    channels: int = 2,
) -> Samples:
    """Return a sine in phase in all channels, shape (frames, channels)."""
    phase = 2 * np.pi * frequency * np.arange(round(seconds * rate)) / rate
    return np.tile(10 ** (peak_dbfs / 20) * np.sin(phase)[:, None], (1, channels))


def silence(seconds: float, rate: int = 48000, channels: int = 2) -> Samples:
    """Return digital silence."""
    return np.zeros((round(seconds * rate), channels))


def noise(seconds: float, rms_dbfs: float, rate: int = 48000, channels: int = 2) -> Samples:
    """Return white noise that differs from channel to channel."""
    shape = (round(seconds * rate), channels)
    return 10 ** (rms_dbfs / 20) * np.random.default_rng(5).standard_normal(shape)


def write(path: Path, samples: Samples, rate: int = 48000, subtype: str = "FLOAT") -> Path:
    """Write a WAV file and return its path."""
    soundfile.write(path, samples, rate, subtype)
    return path
