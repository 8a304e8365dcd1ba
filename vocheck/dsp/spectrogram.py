"""The power spectrogram that the spectral measurements share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

WINDOW_S = 1024 / 48000
HOP_S = 0.005
_CHUNK = 2048  # frames transformed at a time: keeps the working set in the cache


@dataclass(frozen=True, eq=False)
class Spectrogram:
    """Short-time power spectrum of one channel.

    Attributes
    ----------
    power : ndarray of float32, shape (frames, bins)
        Mean-square power per bin, in full-scale squared: the bins of a frame add up to the mean
        square of the windowed signal, so a band's level is ``10 log10`` of the sum of its bins.
    frequencies_hz : ndarray, shape (bins,)
    times_s : ndarray, shape (frames,)
        Centre of each window. Frame ``i`` is centred on ``i * hop_s``; the signal is padded with
        zeros by half a window at both ends.
    hop_s : float
    """

    power: npt.NDArray[np.float32]
    frequencies_hz: npt.NDArray[np.float64]
    times_s: npt.NDArray[np.float64]
    hop_s: float

    def band(self, low_hz: float, high_hz: float) -> npt.NDArray[np.float32]:
        """Return the power between two frequencies, shape (frames,)."""
        first, last = np.searchsorted(self.frequencies_hz, (low_hz, high_hz))
        total: npt.NDArray[np.float32] = self.power[:, first:last].sum(axis=1)
        return total


def power_spectrogram(x: npt.NDArray[np.float32], rate_hz: int) -> Spectrogram:
    """Return the power spectrogram of `x`, shape (frames,), at `rate_hz`.

    The hop is exactly 5 ms at rates divisible by 200, else the nearest whole number of samples.
    """
    size = 2 * max(8, round(rate_hz * WINDOW_S / 2))
    hop = max(1, round(rate_hz * HOP_S))
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    frames = len(x) // hop + 1 if len(x) else 0
    padded = np.pad(x, (size // 2, size // 2 + hop))
    power = np.empty((frames, size // 2 + 1), np.float32)
    segments = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop]
    for start in range(0, frames, _CHUNK):
        spectrum = np.fft.rfft(segments[start : min(start + _CHUNK, frames)] * window)
        np.square(spectrum.real, out=power[start : start + _CHUNK])
        power[start : start + _CHUNK] += np.square(spectrum.imag)
    # One-sided power: every bin but the first and the last stands for itself and its mirror image.
    power *= np.float32(2.0 / (size * np.square(window, dtype=np.float64).sum()))
    power[:, [0, -1]] *= 0.5
    return Spectrogram(
        power=power,
        frequencies_hz=np.fft.rfftfreq(size, 1 / rate_hz),
        times_s=np.arange(frames) * (hop / rate_hz),
        hop_s=hop / rate_hz,
    )
