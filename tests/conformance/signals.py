"""The test signals of the standards, made from their descriptions.

Levels are those of the peak of a sine in dBFS, tones are in phase on all channels and run on
through changes of level, as EBU Tech 3341 and 3342 have them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float32]

RATES = (44100, 48000, 88200, 96000, 192000)


def tone(
    rate_hz: int,
    parts: Sequence[tuple[float, float | None]],
    *,
    frequency_hz: int = 1000,
    channels: int = 2,
) -> Samples:
    """Return a tone, shape (frames, channels), in parts of (seconds, dBFS or None for silence)."""
    edges = np.round(np.cumsum([0.0, *(seconds for seconds, _ in parts)]) * rate_hz).astype(int)
    # A whole number of hertz repeats every second.
    second = np.sin(np.arange(rate_hz) * (2.0 * np.pi * frequency_hz / rate_hz))
    x = np.resize(second.astype(np.float32), edges[-1])
    for (_, level), start, end in zip(parts, edges[:-1], edges[1:], strict=True):
        x[start:end] *= 0.0 if level is None else 10.0 ** (level / 20.0)
    return np.repeat(x[:, np.newaxis], channels, axis=1)


def faded(x: npt.NDArray[np.float64], rate_hz: int) -> npt.NDArray[np.float64]:
    """Fade a signal, shape (frames,), in and out over 10 ms."""
    length = rate_hz // 100
    slope = 0.5 - 0.5 * np.cos(np.pi * (np.arange(length) + 0.5) / length)
    y = x.copy()
    y[:length] *= slope
    y[-length:] *= slope[::-1]
    return y


def burst(rate_hz: int, offset: int) -> Samples:
    """Return the signal of Tech 3341 rows 20 to 23, shape (frames, 2).

    A sine of a sixth of the sample rate at 0.5 of full scale, in which one period has a quarter of
    the rate and full scale, continuous in phase; made at four times the rate, low-passed, and
    decimated from the sample `offset` on.
    """
    from scipy.signal import fftconvolve, firwin

    up = 4
    frames = rate_hz // 10 * up
    sixth, quarter = 6 * up, 4 * up
    start = frames // 2 // sixth * sixth
    i = np.arange(frames)
    after = i >= start + quarter
    x = 0.5 * np.sin(2.0 * np.pi * np.where(after, i - start - quarter, i) / sixth)
    x[start : start + quarter] = np.sin(2.0 * np.pi * np.arange(quarter) / quarter)
    x = faded(x, rate_hz * up)
    low_pass = firwin(2047, 1.0 / up, window=("kaiser", 10.0))
    y = fftconvolve(x, low_pass, mode="same")[offset::up].astype(np.float32)
    return np.repeat(y[:, np.newaxis], 2, axis=1)
