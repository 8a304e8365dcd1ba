"""The power spectrogram that the spectral measurements share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.frames import framed, hann

WINDOW_S = 1024 / 48000  # 21 ms: two periods of a low voice, short beside a sound of speech
HOP_S = 0.005  # a quarter of the window, as a Hann window needs
_CHUNK = 64  # frames transformed at a time: keeps the working set in the cache


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

    Each window is centred on the sample nearest to a multiple of 5 ms, so that frames keep time at
    every rate (220.5 samples at 44.1 kHz).
    """
    from scipy.fft import rfft

    size = 2 * max(8, round(rate_hz * WINDOW_S / 2))
    window = hann(size)
    # One-sided power: every bin but the first and the last stands for itself and its mirror image.
    window = (window * np.sqrt(2.0 / (size * np.square(window).sum()))).astype(np.float32)
    frames = int(len(x) / (rate_hz * HOP_S)) + 1 if len(x) else 0
    places = np.rint(np.arange(frames) * (rate_hz * HOP_S)).astype(np.intp)
    padded = np.pad(x, (size // 2, size // 2 + 1))
    power = np.empty((frames, size // 2 + 1), np.float32)
    segments = framed(padded, size)
    for start in range(0, frames, _CHUNK):
        spectrum = rfft(segments[places[start : start + _CHUNK]] * window, overwrite_x=True)
        np.square(spectrum.real, out=power[start : start + _CHUNK])
        power[start : start + _CHUNK] += np.square(spectrum.imag)
    power[:, [0, -1]] *= 0.5
    return Spectrogram(
        power=power,
        frequencies_hz=np.arange(size // 2 + 1, dtype=np.float64) * (rate_hz / size),
        times_s=np.arange(frames, dtype=np.float64) * HOP_S,
        hop_s=HOP_S,
    )
