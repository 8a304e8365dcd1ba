"""Tones that come and go: what music leaves in the soft moments of a take.

A peak of the spectrum is such a tone where all of this holds. It stands out of the noise around it
and of what is always there at this frequency (noise, hum, a whine); it is narrow and lasts for
0.25 s; and it is not softer than anything heard at this frequency since the soft moment began (a
vowel that dies away in the room is).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import power_ratio
from vocheck.dsp.frames import framed, hann

RATE_HZ = 16000  # holds the tones that are looked for, up to 5 kHz
_SIZE, _HOP = 2048, 512  # 0.128 s and 0.032 s: bins of 7.8 Hz, new sound every 4 frames
_LOW_HZ = 150.0  # a man's voice and the rumble of a room lie below
_HISTORY = 4  # frames: the first to share nothing with the one that is judged
_LASTING = 2  # frames before and after: together 0.25 s
_TONE_DB, _LASTING_DB = 14.0, 5.0  # over the median of the noise, in the frame and beside it
_STEADY_SHARE, _STEADY_BINS = 0.15, 5  # the softest moments of a bin and those beside it on a side
_AROUND_SHARE, _AROUND_BINS = 0.30, 64  # the softest bins of 0.5 kHz: the others may hold harmonics
_NARROW_BINS, _NARROW_DB = 4, 12.0  # a steady tone has fallen by 40 dB there
_FALL_DB = 3.0  # 0.13 s later a room of 2 s has fallen by 4
_PLACE_BINS = 4  # 31 Hz
_ALWAYS = 0.2  # of the frames: a place that holds a tone for longer holds a fan or a whistle
_MOMENT = 8  # frames: 0.26 s


@dataclass(frozen=True)
class MovingTones:
    """Tones that come and go.

    Attributes
    ----------
    fraction : float
        Share of the moments of a quarter of a second that hold one; 0 where none was judged.
    places : int
        At how many places of the spectrum, 31 Hz wide, they lie.
    frames : int
        How many frames, 32 ms apart, were judged.
    per_frame : tuple of (float or None)
        How many of them a frame holds, in each of the spans; ``None`` where that is too short to be
        judged.
    """

    fraction: float
    places: int
    frames: int
    per_frame: tuple[float | None, ...]


def find_moving_tones(
    x: npt.NDArray[np.float32], spans: Sequence[tuple[float, float]], top_hz: float
) -> MovingTones:
    """Look for tones that come and go, from 150 Hz to `top_hz`.

    Parameters
    ----------
    x : ndarray, shape (frames,)
        At `RATE_HZ`.
    spans : sequence of (start_s, end_s)
        The soft moments. Of each, the first 0.13 s only tell what was heard before.
    top_hz : float
    """
    spectra = [_power(x, start_s, end_s, top_hz) for start_s, end_s in spans]
    long = [len(power) > _HISTORY + _LASTING for power in spectra]
    spectra = [power for power, judged in zip(spectra, long, strict=True) if judged]
    if not spectra:
        return MovingTones(0.0, 0, 0, (None,) * len(spans))
    around = _noise(np.concatenate(spectra))
    tones: list[npt.NDArray[np.bool_]] = []
    first = 0
    for power in spectra:
        tones.append(_tones(power, around[first : first + len(power)]))
        first += len(power)
    share = np.concatenate(tones).mean(axis=0)
    passing = (share > 0.0) & (share <= _ALWAYS)
    held = 0
    for tone in tones:
        for moment in np.array_split(tone, max(1, round(len(tone) / _MOMENT))):
            held += len(moment) if moment[:, passing].any() else 0
    frames = sum(map(len, tones))
    counts = iter([float(tone[:, passing].sum() / len(tone)) for tone in tones])
    return MovingTones(
        fraction=held / frames,
        places=int(passing.sum()),
        frames=frames,
        per_frame=tuple(next(counts) if judged else None for judged in long),
    )


def _power(
    x: npt.NDArray[np.float32], start_s: float, end_s: float, top_hz: float
) -> npt.NDArray[np.float32]:
    """Return the spectra of one span, shape (frames, bins), without digital silence."""
    from scipy.fft import rfft

    part = x[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)]
    low, top = (round(hz * _SIZE / RATE_HZ) for hz in (_LOW_HZ, top_hz))
    top -= (top - low) % _AROUND_BINS
    if len(part) < _SIZE or top <= low:
        return np.zeros((0, 0), np.float32)
    frames = framed(part, _SIZE, _HOP)
    spectra = rfft(frames * hann(_SIZE, np.float32), axis=1)[:, low:top]
    power = np.square(spectra.real) + np.square(spectra.imag)
    return np.asarray(power[frames.any(axis=1)])


def _noise(power: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Return the median of the noise in each bin of each frame, told from its softer part.

    The power of noise in a bin follows an exponential distribution, and so a share of it tells the
    median. What is always there counts as noise.
    """
    groups = power.reshape(len(power), -1, _AROUND_BINS)
    rank = round(_AROUND_SHARE * _AROUND_BINS)
    around = np.partition(groups, rank, axis=2)[:, :, rank]
    around *= math.log(2.0) / -math.log(1.0 - _AROUND_SHARE)
    near = _near(power, _STEADY_BINS)
    rank = int(_STEADY_SHARE * len(near))
    steady = np.partition(near, rank, axis=0)[rank]
    steady *= math.log(2.0) / -math.log(1.0 - _STEADY_SHARE ** (1.0 / (2 * _STEADY_BINS + 1)))
    noise: npt.NDArray[np.float32] = np.maximum(np.repeat(around, _AROUND_BINS, axis=1), steady)
    return noise


def _near(power: npt.NDArray[np.float32], bins: int) -> npt.NDArray[np.float32]:
    """Return the largest of each bin and of so many on each side of it."""
    padded = np.pad(power, ((0, 0), (bins, bins)), mode="edge")
    largest = power.copy()
    for shift in range(2 * bins + 1):
        np.maximum(largest, padded[:, shift : shift + power.shape[1]], out=largest)
    return largest


def _tones(power: npt.NDArray[np.float32], noise: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """Return where tones lie that come and go, shape (frames, places)."""

    def factor(db: float) -> np.float32:
        return np.float32(power_ratio(db))

    near = _near(power, 1)  # a tone may lie between two bins, and waver
    lasting = near > factor(_LASTING_DB) * noise
    before = np.maximum.accumulate(near, axis=0)[: -_HISTORY - _LASTING]
    now = slice(_HISTORY, len(power) - _LASTING)
    found = (power[now] == near[now]) & (power[now] > factor(_TONE_DB) * noise[now])
    found &= lasting[_HISTORY - _LASTING : -2 * _LASTING] & lasting[_HISTORY + _LASTING :]
    found &= factor(_FALL_DB) * power[now] > before
    edge = _NARROW_BINS
    beside = np.maximum(power[now, 2 * edge :], power[now, : -2 * edge])
    found[:, edge:-edge] &= factor(_NARROW_DB) * beside < power[now, edge:-edge]
    found[:, :edge] = found[:, -edge:] = False
    return np.asarray(found.reshape(len(found), -1, _PLACE_BINS).any(axis=2))
