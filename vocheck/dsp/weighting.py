"""Frequency weightings of the sound-level standards, as the power gain at any frequency.

- A and C: IEC 61672-1:2013, Annex E, equations (E.1) to (E.6): an analog filter of four (A) or two
  (C) pole frequencies, normalised to 0 dB at 1 kHz.
- 468: ITU-R BS.468-4, Annex 1, Table 1: the network for noise in sound broadcasting, +12.2 dB at
  6.3 kHz, 0 dB at 1 kHz. The pole places are those of the network that the table was made from; the
  response is within the table's tolerances at every point. Only the weighting: the detector of the
  recommendation is quasi-peak, ours is RMS, which reads several dB lower on impulsive noise.
- M: ISO 21727, the curve of 468 moved down by 5.6 dB, so that 2 kHz is 0 dB (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import power_ratio

Weighting = Literal["Z", "A", "C", "468", "M"]
_Curve = Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]

# IEC 61672-1:2013, Annex E: pole frequencies f_1 to f_4 in Hz.
_F1, _F2, _F3, _F4 = 20.598997, 107.65265, 737.86223, 12194.217

# Poles in rad/s of the BS.468 network (one zero at the origin).
_POLES_468 = np.array(
    [
        -25903.701,
        -23615.535 + 36379.909j,
        -23615.535 - 36379.909j,
        -18743.747 + 62460.157j,
        -18743.747 - 62460.157j,
        -62675.170,
    ]
)


def power_gain(weighting: Weighting, frequencies_hz: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return the power gain of a frequency weighting.

    Parameters
    ----------
    weighting : {"Z", "A", "C", "468", "M"}
        "Z" is flat.
    frequencies_hz : array_like
        Frequencies of any shape, 0 and above.

    Returns
    -------
    gain : ndarray, the same shape
        Factors on power: ``10 * log10(gain)`` is the weighting in decibels.

    Raises
    ------
    ValueError
        If there is no such weighting.
    """
    f = np.asarray(frequencies_hz, dtype=np.float64)
    if weighting not in _CURVES:
        raise ValueError(f"no weighting {weighting!r}: choose from {', '.join(map(repr, _CURVES))}")
    curve, reference_hz, reference_db = _CURVES[weighting]
    reference = float(curve(np.array(reference_hz)))
    gain: npt.NDArray[np.float64] = curve(f) * (power_ratio(reference_db) / reference)
    return gain


def _z(f: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.ones_like(f)


def _c(f: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    f2 = f * f
    gain: npt.NDArray[np.float64] = (f2 / ((f2 + _F1**2) * (f2 + _F4**2))) ** 2
    return gain


def _a(f: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    f2 = f * f
    gain: npt.NDArray[np.float64] = _c(f) * f2**2 / ((f2 + _F2**2) * (f2 + _F3**2))
    return gain


def _network_468(f: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    omega = 2.0 * np.pi * f
    response = omega[..., np.newaxis] * 1j - _POLES_468
    gain: npt.NDArray[np.float64] = omega**2 / np.prod(np.abs(response) ** 2, axis=-1)
    return gain


# Each curve, and the frequency and level in dB that fix it.
_CURVES: dict[str, tuple[_Curve, float, float]] = {
    "Z": (_z, 1000.0, 0.0),
    "A": (_a, 1000.0, 0.0),
    "C": (_c, 1000.0, 0.0),
    "468": (_network_468, 6300.0, 12.2),
    "M": (_network_468, 6300.0, 12.2 - 5.6),
}
