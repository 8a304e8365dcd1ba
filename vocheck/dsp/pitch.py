"""Fundamental frequency of a voice by normalised autocorrelation.

Method: after Boersma, "Accurate short-term analysis of the fundamental frequency and the
harmonics-to-noise ratio of a sampled sound" (IFA Proceedings 17, 1993): the autocorrelation of a
windowed frame divided by that of the window, its highest peak within the range of voices, and a
path through the frames that punishes jumps (Viterbi).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FLOOR_HZ, CEILING_HZ = 60.0, 500.0
_WINDOW_S = 0.05  # three periods of the floor
_HOP_S = 0.01
_CANDIDATES = 4
_VOICING_THRESHOLD = 0.45
_SILENCE_THRESHOLD = 0.03  # of the loudest frame's amplitude
_OCTAVE_COST = 0.01  # per octave below the ceiling: of two equal peaks the higher pitch wins
_JUMP_COST = 0.35  # per octave of jump between frames
_VOICING_COST = 0.14  # per change between voiced and unvoiced


@dataclass(frozen=True, eq=False)
class PitchTrack:
    """Fundamental frequency over time.

    Attributes
    ----------
    times_s : ndarray, shape (frames,)
        Centre of each frame.
    hz : ndarray, shape (frames,)
        Fundamental frequency; 0 where the frame is unvoiced.
    """

    times_s: npt.NDArray[np.float64]
    hz: npt.NDArray[np.float64]

    @property
    def voiced_hz(self) -> npt.NDArray[np.float64]:
        """The frequencies of the voiced frames alone, shape (voiced frames,)."""
        voiced: npt.NDArray[np.float64] = self.hz[self.hz > 0]
        return voiced


def track_pitch(x: npt.NDArray[np.float32], rate_hz: int) -> PitchTrack:
    """Return the pitch of `x`, shape (frames,), every 10 ms."""
    size = round(rate_hz * _WINDOW_S)
    hop = round(rate_hz * _HOP_S)
    if len(x) < size:
        return PitchTrack(np.zeros(0), np.zeros(0))
    frames = np.lib.stride_tricks.sliding_window_view(x, size)[::hop].astype(np.float64)
    frames = frames - frames.mean(axis=1, keepdims=True)
    peak = np.abs(frames).max(axis=1)
    window = np.hanning(size + 2)[1:-1]
    length = 1 << (2 * size - 1).bit_length()
    correlation = _autocorrelation(frames * window, length)
    own = _autocorrelation(window[np.newaxis], length)[0]
    shortest = int(rate_hz / CEILING_HZ)
    longest = min(int(rate_hz / FLOOR_HZ) + 1, size - 2)
    zero_lag = np.where(correlation[:, :1] > 0, correlation[:, :1], 1.0)
    normalised = correlation[:, : longest + 2] / zero_lag / (own[: longest + 2] / own[0])
    lags, strengths = _peaks(normalised, shortest, longest)
    frequencies = np.where(lags > 0, rate_hz / np.maximum(lags, 1.0), 0.0)
    loudest = float(peak.max())
    path = _best_path(frequencies, strengths, peak / loudest if loudest > 0 else peak)
    times = (np.arange(len(frames)) * hop + size / 2) / rate_hz
    return PitchTrack(times, path)


def _autocorrelation(frames: npt.NDArray[np.float64], length: int) -> npt.NDArray[np.float64]:
    spectrum = np.fft.rfft(frames, length, axis=1)
    return np.fft.irfft(spectrum.real**2 + spectrum.imag**2, length, axis=1)


def _peaks(
    r: npt.NDArray[np.float64], shortest: int, longest: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return lag (in samples, parabola-refined) and height of each frame's highest peaks."""
    left, mid, right = (r[:, shortest + k : longest + k] for k in (-1, 0, 1))
    is_peak = (mid > left) & (mid >= right) & (mid > 0)
    heights = np.where(is_peak, mid, -np.inf)
    count = min(_CANDIDATES, heights.shape[1])
    best = np.argpartition(-heights, count - 1, axis=1)[:, :count]
    rows = np.arange(len(r))[:, np.newaxis]
    found = is_peak[rows, best]
    a, b, c = left[rows, best], mid[rows, best], right[rows, best]
    curvature = np.where(found, np.minimum(a - 2 * b + c, -1e-12), -1.0)
    shift = np.where(found, 0.5 * (a - c) / curvature, 0.0)
    lag = np.where(found, best + shortest + shift, 0.0)
    height = np.where(found, b - 0.25 * (a - c) * shift, -np.inf)
    return lag, np.minimum(height, 1.0)


def _best_path(
    hz: npt.NDArray[np.float64],
    strength: npt.NDArray[np.float64],
    loudness: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """Choose one candidate (or unvoiced) per frame so that strength less cost is greatest."""
    frames, count = hz.shape
    octaves = np.log2(np.where(hz > 0, hz, CEILING_HZ) / CEILING_HZ)
    gain = np.where(hz > 0, strength + _OCTAVE_COST * octaves, -np.inf)
    quiet = 2.0 - loudness / _SILENCE_THRESHOLD * (1.0 + _VOICING_THRESHOLD)
    unvoiced = _VOICING_THRESHOLD + np.maximum(0.0, quiet)
    gain = np.column_stack((gain, unvoiced))
    octaves = np.column_stack((octaves, np.zeros(frames)))
    total = gain[0]
    back = np.zeros((frames, count + 1), np.intp)
    cost = np.zeros((count + 1, count + 1))
    cost[count, :count] = cost[:count, count] = _VOICING_COST
    # One step per 10 ms frame over a handful of candidates: the only loop, and not over samples.
    for t in range(1, frames):
        jump = np.abs(octaves[t - 1, :count, np.newaxis] - octaves[t, np.newaxis, :count])
        cost[:count, :count] = _JUMP_COST * jump
        score = total[:, np.newaxis] - cost
        back[t] = score.argmax(axis=0)
        total = score[back[t], np.arange(count + 1)] + gain[t]
    path = np.zeros(frames)
    choice = int(total.argmax())
    for t in range(frames - 1, -1, -1):
        path[t] = hz[t, choice] if choice < count else 0.0
        choice = int(back[t, choice])
    return path
