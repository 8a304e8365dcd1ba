"""Mel-frequency cepstra: what a voice sounds like from moment to moment, whoever it is.

The power spectrum of a frame is summed in bands that are equally wide on the mel scale (Slaney,
Auditory Toolbox, Interval Research technical report 1998-010: linear below 1 kHz, logarithmic
above), taken in decibels, and turned into cepstra by a cosine transform (Davis and Mermelstein,
"Comparison of parametric representations for monosyllabic word recognition", IEEE Trans. ASSP
28(4), 1980). The result is that of librosa's functions of the same kind, which the tests hold it
against; importing those takes two seconds of CPU time in every process.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import levels_db
from vocheck.dsp.frames import framed

_LINEAR_HZ = 200.0 / 3.0  # of one mel, below 1 kHz
_CORNER_HZ = 1000.0  # up to here the scale is linear
_LOG_STEP = np.log(6.4) / 27.0  # of one mel, above
_LEAST_POWER = 1e-10  # as in librosa: -100 dB

Spectra = npt.NDArray[np.float32]


def mel_cepstra(
    power: Spectra,
    rate_hz: int,
    *,
    bands: int,
    band_hz: tuple[float, float],
    coefficients: int,
    range_db: float,
) -> Spectra:
    """Return the cepstra of a spectrogram, shape (frames, coefficients).

    Parameters
    ----------
    power : ndarray of float32, shape (frames, bins)
        Power of the bins from 0 Hz to half the sample rate.
    rate_hz : int
        Sample rate of the recording.
    bands : int
        Number of mel bands.
    band_hz : (float, float)
        Lowest and highest frequency.
    coefficients : int
        How many cepstra to keep.
    range_db : float
        What lies further below the loudest band counts as lying there.
    """
    from scipy.fft import dct

    mel = power @ mel_bands(power.shape[1], rate_hz, bands, *band_hz).T
    level = levels_db(mel, _LEAST_POWER)
    level = np.maximum(level, level.max() - range_db) - level.max()
    cepstra: Spectra = dct(level, axis=1, norm="ortho")[:, :coefficients].astype(np.float32)
    return cepstra


@lru_cache(maxsize=4)
def mel_bands(bins: int, rate_hz: int, bands: int, low_hz: float, high_hz: float) -> Spectra:
    """Return triangular bands on the mel scale, each of the same area, shape (bands, bins)."""
    edges = _hz(np.linspace(_mel(low_hz), _mel(high_hz), bands + 2))
    frequencies = np.linspace(0.0, rate_hz / 2, bins)
    ramps = edges[:, np.newaxis] - frequencies
    widths = np.diff(edges)[:, np.newaxis]
    rising, falling = -ramps[:-2] / widths[:-1], ramps[2:] / widths[1:]
    triangles = np.maximum(0.0, np.minimum(rising, falling))
    of_one_area: Spectra = (2.0 / (edges[2:] - edges[:-2])[:, np.newaxis] * triangles).astype("f4")
    return of_one_area


def deltas(cepstra: Spectra, width: int = 9) -> Spectra:
    """Return how fast cepstra change: slopes of straight lines through `width` frames.

    Parameters
    ----------
    cepstra : ndarray of float32, shape (frames, coefficients)
        Of at least `width` frames; the first and last frames take the slope of the nearest line.
    width : int
        Odd.
    """
    half = width // 2
    weights = np.arange(-half, half + 1) / (2.0 * np.sum(np.arange(1, half + 1) ** 2.0))
    windows = framed(cepstra, width)
    slopes = (windows @ weights).astype(np.float32)
    padded: Spectra = np.pad(slopes, ((half, half), (0, 0)), mode="edge")
    return padded


def _mel(hz: float) -> float:
    if hz < _CORNER_HZ:
        return hz / _LINEAR_HZ
    return float(_CORNER_HZ / _LINEAR_HZ + np.log(hz / _CORNER_HZ) / _LOG_STEP)


def _hz(mel: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    corner = _CORNER_HZ / _LINEAR_HZ
    above = _CORNER_HZ * np.exp(_LOG_STEP * (np.maximum(mel, corner) - corner))
    return np.where(mel < corner, mel * _LINEAR_HZ, above)
