"""Exponential sine sweeps: making one, and turning its recording into an impulse response.

Method: A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine
technique", AES 108th Convention, 2000. The frequency rises exponentially, so the harmonics that a
loudspeaker adds to the sweep come out of the deconvolution before the response proper and can be
cut off. Deconvolution is division of spectra (S. Müller and P. Massarani, "Transfer-function
measurement with sweeps", J. Audio Eng. Soc. 49, 2001) with a small constant that keeps frequencies
which the sweep does not hold from being blown up.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_ratio, power_ratio

Signal = npt.NDArray[np.float64]

LEVEL_DBFS = -12.0
"""Peak level of a sweep that is made: loud enough to measure, leaves room for mistakes."""
PRE_S = 0.5
"""How much of what comes before the direct sound is kept of a deconvolved response."""
MIN_TAIL_S = 0.5
"""What is kept after the direct sound even where the recording ends with the sweep."""
_FADE_IN_S, _FADE_OUT_S = 0.05, 0.02  # so that a loudspeaker is not made to click
_REGULARISATION_DB = -60.0  # re the strongest frequency: below lies what the sweep does not hold


def exponential_sweep(
    rate_hz: int, duration_s: float, low_hz: float = 40.0, high_hz: float | None = None
) -> Signal:
    """Return an exponential sine sweep, shape (frames,), with a peak of -12 dBFS.

    Both ends are faded (raised cosine, 50 and 20 ms), so that a loudspeaker is not made to click.

    Parameters
    ----------
    rate_hz : int
    duration_s : float
    low_hz, high_hz : float
        Where it starts and ends; 20 kHz or 0.45 of the sample rate where `high_hz` is omitted.
    """
    if high_hz is None:
        high_hz = min(20_000.0, 0.45 * rate_hz)
    t = np.arange(round(duration_s * rate_hz)) / rate_hz
    octaves = np.log(high_hz / low_hz)
    # The phase is the integral of 2 pi f(t), f(t) = low (high / low)^(t / duration).
    phase = 2.0 * np.pi * low_hz * duration_s / octaves * np.expm1(t / duration_s * octaves)
    sweep: Signal = amplitude_ratio(LEVEL_DBFS) * np.sin(phase)
    fade_in, fade_out = (round(s * rate_hz) for s in (_FADE_IN_S, _FADE_OUT_S))
    sweep[:fade_in] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(fade_in) / fade_in)
    sweep[-fade_out:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, fade_out + 1) / fade_out)
    return sweep


def deconvolve(recorded: Signal, reference: Signal, rate_hz: int) -> Signal:
    """Return the impulse response between a reference and its recording, shape (frames,).

    Parameters
    ----------
    recorded, reference : ndarray, shape (frames,)
        At the same sample rate; the recording may start earlier and end later than the sweep.
    rate_hz : int

    Returns
    -------
    response : ndarray, shape (frames,)
        Begins `PRE_S` before the earliest moment the sweep can have started (what comes earlier is
        distortion) and is as long as the recording outlasts the reference: beyond that the sweep
        and the recording overlap only in part. A wire gives a single sample of 1.0.
    """
    size = 1 << int(np.ceil(np.log2(len(recorded) + len(reference))))
    spectrum = np.fft.rfft(reference, size)
    power = np.abs(spectrum) ** 2
    power += power.max() * power_ratio(_REGULARISATION_DB)
    response = np.fft.irfft(np.fft.rfft(recorded, size) * np.conj(spectrum) / power, size)
    # Negative times lie at the end of the circular response.
    pre = round(PRE_S * rate_hz)
    kept = max(len(recorded) - len(reference), round(MIN_TAIL_S * rate_hz))
    return np.concatenate((response[-pre:], response[:kept]))
