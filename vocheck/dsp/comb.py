"""A strong single reflection: the comb that it draws into the long-term spectrum.

A reflection that arrives a delay later raises and lowers the spectrum in steps of one over the
delay. The cepstrum (the spectrum of the log spectrum) of a long stretch of speech then has a peak
at that delay, where the voice itself, whose pitch moves, has none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import power_ratio
from vocheck.dsp.frames import framed, hann

RATE_HZ = 16000  # holds the band that is looked at
DELAYS_S = (0.0009, 0.012)
"""Delays that are searched: below, formants look the same; above, the ear hears an echo."""

# 0.128 s: long beside the delays, short beside a word; no overlap: only a mean is taken.
_SIZE, _HOP, _PADDED = 2048, 2048, 4096
_RANGE_DB = 35.0  # frames within this of the loudest carry the voice
_BAND_HZ = (300.0, 7000.0)  # where speech lies over the noise of most rooms
_TREND_BINS = 201  # of the log spectrum: formants and the microphone's response
_CEPSTRUM = 8192  # points of the transform: delays on a grid finer than a sample
_BACKGROUND = 81  # delays of the running median
_MIN_FRAMES = 20  # 2.6 s of voice: in fewer, pitch does not average out

Values = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Comb:
    """The strongest comb.

    Attributes
    ----------
    delay_s : float
    score : float
        Peak of the cepstrum over its surroundings; without a reflection mostly below 4.
    """

    delay_s: float
    score: float


def find_comb(x: npt.NDArray[np.float32]) -> Comb | None:
    """Find the strongest comb in speech, shape (frames,), at 16 kHz; ``None`` in too little."""
    from scipy.ndimage import median_filter

    count = max(0, (len(x) - _SIZE) // _HOP + 1)
    if count < _MIN_FRAMES:
        return None
    segments = framed(x, _SIZE, _HOP)
    energy = np.square(segments, dtype=np.float64).sum(axis=1)
    voiced = segments[energy > max(energy.max() * power_ratio(-_RANGE_DB), 1e-20)]
    if len(voiced) < _MIN_FRAMES:
        return None
    window = hann(_SIZE, np.float32)
    spectrum = np.abs(np.fft.rfft(voiced * window, _PADDED)) ** 2
    first, last = (round(edge * _PADDED / RATE_HZ) for edge in _BAND_HZ)
    level = np.log(np.maximum(spectrum[:, first:last], 1e-30)).mean(axis=0)
    level = (level - _trend(level)) * np.hanning(len(level))
    cepstrum = np.abs(np.fft.rfft(level, _CEPSTRUM))
    delays = np.arange(len(cepstrum)) * _PADDED / (_CEPSTRUM * RATE_HZ)
    low, high = np.searchsorted(delays, DELAYS_S)
    found = cepstrum[low:high]
    score = found / (median_filter(found, _BACKGROUND) + 0.15 * np.median(found))
    best = int(np.argmax(score))
    return Comb(delay_s=float(delays[low + best]), score=float(score[best]))


def _trend(level: Values) -> Values:
    """Smooth with a running parabola (Savitzky and Golay 1964), the ends mirrored."""
    half = _TREND_BINS // 2
    at = np.arange(-half, half + 1) / half
    basis = np.stack((np.ones_like(at), at, at**2), axis=1)
    weights = np.linalg.pinv(basis)[0]
    padded = np.pad(level, half, mode="reflect", reflect_type="odd")
    return np.asarray(np.convolve(padded, weights, "valid"))
