"""Octave and third-octave bands to IEC 61260-1: edges, filters and levels."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from vocheck.dsp.frames import framed, hann

# IEC 61260-1:2014, clause 5.2 to 5.5: base-10 octave ratio, exact mid-band frequencies, band edges
G = 10.0**0.3
REFERENCE_HZ = 1000.0
ORDER = 4  # of the low-pass prototype; class 1 needs 3 or more
_NOMINAL_THIRDS = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)  # ISO 266, per decade

Fraction = Literal[1, 3]


@dataclass(frozen=True)
class Band:
    """One octave or third-octave band.

    Attributes
    ----------
    nominal_hz : float
        The rounded name of the band, e.g. 63 for the octave centred on 63.1 Hz.
    centre_hz, low_hz, high_hz : float
        Exact mid-band frequency and band edges.
    """

    nominal_hz: float
    centre_hz: float
    low_hz: float
    high_hz: float

    @property
    def width_hz(self) -> float:
        """Bandwidth, the B of ISO 3382's B*T."""
        return self.high_hz - self.low_hz


def bands(fraction: Fraction, lowest_hz: float, highest_hz: float) -> tuple[Band, ...]:
    """Return the octaves (`fraction` 1) or third-octaves (3) centred between two frequencies."""
    first = round(fraction * np.log(lowest_hz / REFERENCE_HZ) / np.log(G))
    last = round(fraction * np.log(highest_hz / REFERENCE_HZ) / np.log(G))
    half = G ** (0.5 / fraction)
    return tuple(
        Band(_nominal(index, fraction), centre, centre / half, centre * half)
        for index in range(first, last + 1)
        for centre in (REFERENCE_HZ * G ** (index / fraction),)
    )


def _nominal(index: int, fraction: Fraction) -> float:
    thirds = index * (3 // fraction)  # from 1 kHz
    decade, step = divmod(thirds, 10)
    nominal = _NOMINAL_THIRDS[step] * 1000.0 * 10.0**decade
    return float(f"{nominal:.6g}")


def band_filter(
    x: npt.NDArray[np.float64], rate_hz: int, band: Band, *, reverse: bool = False
) -> npt.NDArray[np.float64]:
    """Return `x`, shape (frames,), filtered to one band.

    Parameters
    ----------
    x : ndarray, shape (frames,)
    rate_hz : int
    band : Band
        Its lower edge must lie below half the sample rate; the upper one is held below it.
    reverse : bool
        Run backwards in time, so that the filter rings before each event and not after it
        (Jacobsen and Rindel, J. Sound Vib. 115, 1987): for decays as short as the filter's own.
    """
    from scipy.signal import sosfilt

    sections = _sections(band, rate_hz)
    y: npt.NDArray[np.float64]
    if reverse:
        y = sosfilt(sections, x[::-1])[::-1]
    else:
        y = sosfilt(sections, x)
    return y


@lru_cache(maxsize=128)
def _sections(band: Band, rate_hz: int) -> npt.NDArray[np.float64]:
    """Return the second-order sections of a band filter; designing it takes longer than a clap."""
    from scipy.signal import butter

    edges = (band.low_hz, min(band.high_hz, 0.49 * rate_hz))
    sections: npt.NDArray[np.float64] = butter(ORDER, edges, "bandpass", fs=rate_hz, output="sos")
    return sections


@lru_cache(maxsize=128)
def filter_delay_s(band: Band, rate_hz: int) -> float:
    """Return the center of gravity of the energy of a band filter's own impulse response."""
    pulse = np.zeros(max(256, round(20.0 * rate_hz / band.width_hz)))
    pulse[0] = 1.0
    energy = band_filter(pulse, rate_hz, band) ** 2
    return float(np.arange(len(energy)) @ energy / energy.sum() / rate_hz)


@dataclass(frozen=True, eq=False)
class PowerSpectrum:
    """Mean power per frequency bin.

    Attributes
    ----------
    power : ndarray, shape (bins,)
        Mean-square in each bin, full-scale squared: the bins add up to the mean square.
    bin_hz : float
        Width of a bin; bin ``i`` is centred on ``i * bin_hz``.
    """

    power: npt.NDArray[np.float64]
    bin_hz: float

    @property
    def frequencies_hz(self) -> npt.NDArray[np.float64]:
        """Centre of each bin, shape (bins,)."""
        return np.asarray(np.arange(len(self.power)) * self.bin_hz, np.float64)

    def band(self, band: Band) -> float:
        """Return the power between the edges of a band; a bin cut by an edge counts in part.

        This is the ideal band of the standard, without the skirts of a real filter.
        """
        edges = (np.arange(len(self.power) + 1) - 0.5) * self.bin_hz
        total = np.concatenate(([0.0], np.cumsum(self.power)))
        low, high = np.interp((band.low_hz, band.high_hz), edges, total)
        return float(high - low)


def power_spectrum(x: npt.NDArray[np.float64], rate_hz: int, resolution_hz: float) -> PowerSpectrum:
    """Return the mean power spectrum of `x`, shape (frames,), by Welch's method.

    Hann windows that overlap by half, as long as `resolution_hz` asks for or `x` allows, the mean
    of each taken off.
    """
    size = min(len(x), 1 << int(np.ceil(np.log2(rate_hz / resolution_hz))))
    if size < 2:
        return PowerSpectrum(np.zeros(1), float(rate_hz))
    window = hann(size)
    segments = framed(x, size, max(1, size // 2))
    power = np.zeros(size // 2 + 1)
    for segment in segments:
        power += np.abs(np.fft.rfft((segment - segment.mean()) * window)) ** 2
    # One-sided: every bin but the first and (of an even size) the last has a mirror image.
    power *= 2.0 / (len(segments) * size * np.square(window).sum())
    power[0] *= 0.5
    if size % 2 == 0:
        power[-1] *= 0.5
    return PowerSpectrum(power, rate_hz / size)
