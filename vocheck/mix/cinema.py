"""Leq(m): how loud a mix is in a cinema, by the measure that limits trailers and adverts.

ISO 21727: the mean power over the sound, M-weighted, as a sound pressure level where the audience
sits. No file holds that level, so it is that of a room set to the reference level of ISO 2969 and
SMPTE RP 200: noise with the RMS of a sine of -20 dBFS gives 85 dB(C) from each screen channel. So a
sine of full scale gives 105 dB. From memory, not looked up: 82 dB(C) from each surround channel,
and a gain of 10 dB for the low-frequency effects.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import db, power_ratio
from vocheck.dsp.frames import framed
from vocheck.dsp.sections import Sections
from vocheck.dsp.weighting import power_gain

SINE_DB = 105.0
"""Level of a 2 kHz sine of full scale in one screen channel."""

SURROUND_DB, EFFECTS_DB = -3.0, 10.0
"""Level of the other channels against a screen channel."""

SCREEN = ("FL", "FR", "FC", "FLC", "FRC")
_MEAN_SQUARE_OF_SINE = 0.5  # of full scale (closed form)
_HOP_S = 0.1  # frames of 0.2 s: bins of 5 Hz, finer than the curve bends
_HOPS = 32  # frames that are worked on at a time


class LeqMMeter:
    """Measures the M-weighted energy of a stream in constant memory.

    Frames overlap by half, under a window whose squares add up to one, so that every sample counts
    once; their spectra are weighted with the curve itself, at any sample rate.

    Parameters
    ----------
    rate_hz, channels : int
    layout : sequence of str, optional
        Speaker of each channel; where omitted, all stand behind the screen.
    """

    def __init__(self, rate_hz: int, channels: int, layout: Sequence[str] | None = None) -> None:
        hop = round(_HOP_S * rate_hz)
        self._rate, self._size = rate_hz, 2 * hop
        self._sections = Sections(channels, _HOPS * hop, overlap=hop)
        window = np.sin(np.pi * (np.arange(self._size) + 0.5) / self._size)
        self._window = window.astype(np.float32)
        names = layout or (SCREEN[0],) * channels
        self._gains = np.array([power_ratio(_channel_db(name)) for name in names])
        # Half of a real signal's spectrum: all but 0 Hz, which is weighted out, and the highest
        # frequency stand for two.
        self._curve = power_gain("M", np.fft.rfftfreq(self._size, 1.0 / rate_hz)) / self._size
        self._curve[:-1] *= 2.0
        self._energy = 0.0

    def feed(self, block: npt.NDArray[np.floating]) -> None:
        """Take in the next frames (frames, channels), blocks of any length."""
        for section in self._sections.add(block):
            self._energy += self._measure(section)

    def result(self, sound_s: float) -> float:
        """Return Leq(m) in dB over the time from the first to the last sound; ``-inf`` for silence.

        Parameters
        ----------
        sound_s : float
            That time.
        """
        rest = self._sections.rest()
        hop = self._size // 2
        padded = np.pad(rest, ((0, 0), (0, hop + -rest.shape[1] % hop)))
        energy = self._energy + self._measure(padded)
        if energy <= 0.0 or sound_s <= 0.0:
            return -np.inf
        return SINE_DB + db(energy / (sound_s * self._rate) / _MEAN_SQUARE_OF_SINE)

    def _measure(self, section: npt.NDArray[np.float32]) -> float:
        from scipy.fft import rfft

        energies = np.zeros(len(section))
        for number, channel in enumerate(section):
            spectra = rfft(framed(channel, self._size, self._size // 2) * self._window)
            power = np.square(spectra.real) + np.square(spectra.imag)
            energies[number] = float(power.sum(axis=0, dtype=np.float64) @ self._curve)
        return float(self._gains @ energies)


def _channel_db(name: str) -> float:
    if name == "LFE":
        return EFFECTS_DB
    return 0.0 if name in SCREEN else SURROUND_DB
