"""K-weighting of ITU-R BS.1770 at any sample rate, and the weights of the channels.

The Recommendation gives two second-order sections for 48 kHz and asks other rates for "the same
frequency response". The usual bilinear transform of the same analogue prototype misses it, by up to
0.15 dB at 16 kHz and 0.04 dB at 192 kHz. Here the seven parameters behind the sections are refitted
to the 48 kHz response at each rate: within 0.002 dB from 16 to 192 kHz (0.005 dB at 11.025 kHz,
0.011 dB at 8 kHz), from 10 Hz to 20 kHz or 0.45 of the sample rate.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_levels_db, amplitude_ratio

# ITU-R BS.1770-5, Annex 1, Tables 1 and 2: (b0, b1, b2, a0, a1, a2) of the two stages at 48 kHz.
SECTIONS_48K = np.array(
    [
        [1.53512485958697, -2.69169618940638, 1.19839281085285],
        [1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0],
        [1.0, -1.99004745483398, 0.99007225036621],
    ]
).reshape(2, 6)
REFERENCE_RATE_HZ = 48000

# Annex 1, Table 3; Annex 3, Table 4
LFE_WEIGHT = 0.0
SURROUND_WEIGHT = 1.41

DEFAULT_LAYOUTS: dict[int, tuple[str, ...]] = {
    1: ("FC",),
    2: ("FL", "FR"),
    3: ("FL", "FR", "FC"),
    4: ("FL", "FR", "BL", "BR"),
    5: ("FL", "FR", "FC", "BL", "BR"),
    6: ("FL", "FR", "FC", "LFE", "BL", "BR"),
    7: ("FL", "FR", "FC", "LFE", "BC", "SL", "SR"),
    8: ("FL", "FR", "FC", "LFE", "BL", "BR", "SL", "SR"),
}
"""Speakers of a WAV file by its number of channels, where it does not say (the usual masks)."""

# The same sections as parameters of a bilinear design: shelf frequency (Hz), shelf gain (dB), its
# quality factor, exponent of its band gain; high-pass frequency (Hz), its quality factor, its gain
# at half the sample rate (the published numerator 1, -2, 1 is not normalised).
_PARAMETERS_48K = np.array(
    [
        1681.974450955533,
        3.999843853973347,
        0.7071752369554196,
        0.4996667741545416,
        38.13547087602444,
        0.5003270373238773,
        4.0 / (1.0 + 1.99004745483398 + 0.99007225036621),
    ]
)
_FIT_POINTS = 120  # frequencies: far more than the numbers that are fitted to them
_FIT_STEPS = 6  # Gauss-Newton has settled to 1e-6 dB after four at every rate tried, 8 to 384 kHz


def response_db(
    sections: npt.NDArray[np.float64], frequencies_hz: npt.ArrayLike, rate_hz: int
) -> npt.NDArray[np.float64]:
    """Return the magnitude response of second-order sections in decibels.

    Parameters
    ----------
    sections : ndarray, shape (sections, 6)
        b0, b1, b2, a0, a1, a2 of each section.
    frequencies_hz : array_like, shape (frequencies,)
    rate_hz : int

    Returns
    -------
    ndarray, shape (frequencies,)
    """
    z = np.exp(-2j * np.pi * np.asarray(frequencies_hz, np.float64) / rate_hz)
    powers = np.stack((np.ones_like(z), z, z * z))
    ratio = (sections[:, :3] @ powers) / (sections[:, 3:] @ powers)
    level: npt.NDArray[np.float64] = amplitude_levels_db(np.abs(ratio)).sum(axis=0)
    return level


@lru_cache(maxsize=32)
def k_weighting_sections(rate_hz: int) -> npt.NDArray[np.float64]:
    """Return the two second-order sections of K-weighting at a sample rate.

    Parameters
    ----------
    rate_hz : int
        Any rate.

    Returns
    -------
    ndarray, shape (2, 6)
        b0, b1, b2, a0, a1, a2 of each; at 48 kHz the published numbers themselves. Do not write
        to it: it is shared.
    """
    if rate_hz == REFERENCE_RATE_HZ:
        return SECTIONS_48K
    frequencies = np.geomspace(10.0, min(20000.0, 0.45 * rate_hz), _FIT_POINTS)
    wanted = response_db(SECTIONS_48K, frequencies, REFERENCE_RATE_HZ)

    def error(scale: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return (
            response_db(_sections(_PARAMETERS_48K * scale, rate_hz), frequencies, rate_hz) - wanted
        )

    # Gauss-Newton with a numerical Jacobian. At low rates the shelf lies partly out of reach and
    # its parameters trade against each other: the cut-off of lstsq holds what cannot be told.
    scale = np.ones(7)
    nudge = 1e-6
    for _ in range(_FIT_STEPS):
        now = error(scale)
        jacobian = np.stack([(error(scale + nudge * unit) - now) / nudge for unit in np.eye(7)], 1)
        step = np.linalg.lstsq(jacobian, -now, rcond=1e-8)[0]
        scale = scale + np.clip(step, -0.2, 0.2)
    return _sections(_PARAMETERS_48K * scale, rate_hz)


def _sections(parameters: npt.NDArray[np.float64], rate_hz: int) -> npt.NDArray[np.float64]:
    """Design both sections by the bilinear transform; see `_PARAMETERS_48K`."""
    shelf_hz, shelf_db, shelf_q, exponent, pass_hz, pass_q, pass_gain = parameters
    high = amplitude_ratio(shelf_db)
    band = high**exponent
    k = np.tan(np.pi * shelf_hz / rate_hz)
    shelf = np.array(
        [
            *(
                high + band * k / shelf_q + k * k,
                2.0 * (k * k - high),
                high - band * k / shelf_q + k * k,
            ),
            *(1.0 + k / shelf_q + k * k, 2.0 * (k * k - 1.0), 1.0 - k / shelf_q + k * k),
        ]
    )
    k = np.tan(np.pi * pass_hz / rate_hz)
    high_pass = np.array(
        [
            *(pass_gain, -2.0 * pass_gain, pass_gain),
            *(1.0 + k / pass_q + k * k, 2.0 * (k * k - 1.0), 1.0 - k / pass_q + k * k),
        ]
    )
    return np.stack((shelf / shelf[3], high_pass / high_pass[3]))


def channel_weights(channels: int, layout: Sequence[str] | None = None) -> npt.NDArray[np.float64]:
    """Return the weight G of each channel in the loudness sum.

    Parameters
    ----------
    channels : int
    layout : sequence of str, optional
        Speaker of each channel: "FL", "FR", "FC", "LFE", "BL", "BR", "SL", "SR", ... Where omitted,
        the usual order of a WAV file with that many channels.

    Returns
    -------
    ndarray, shape (channels,)
        1.41 for a surround speaker between 60 and 120 degrees to the side, 0 for the low-frequency
        effects, 1 for all others (ITU-R BS.1770-5, Annex 1 Table 3 and Annex 3 Table 4). "BL" and
        "BR" are the surrounds of 5.1 unless "SL" and "SR" are there too: then they stand at 135
        degrees or more, and weigh 1.
    """
    if layout is None or len(layout) != channels:
        layout = DEFAULT_LAYOUTS.get(channels, ("",) * channels)
    surrounds = {"SL", "SR"} if "SL" in layout or "SR" in layout else {"BL", "BR"}
    return np.array(
        [
            LFE_WEIGHT if name.startswith("LFE") else SURROUND_WEIGHT if name in surrounds else 1.0
            for name in layout
        ]
    )
