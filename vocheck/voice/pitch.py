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

from vocheck.dsp.frames import framed
from vocheck.dsp.runs import runs_of
from vocheck.recording import Recording, once
from vocheck.voice.channel import voice_at

PITCH_RATE_HZ = 4000
"""Rate at which the pitch is tracked: 500 Hz of fundamental with room for its first harmonics."""
FLOOR_HZ, CEILING_HZ = 60.0, 500.0  # from low men to high children
_WINDOW_S = 0.05  # three periods of the floor
_HOP_S = 0.01  # a tenth of a syllable
_CANDIDATES = 4  # a period, its half and its double, and one to spare
_CHUNK = 512  # frames transformed at a time: keeps the working set in the cache
_OVERSAMPLING = 2  # of the autocorrelation: at 500 Hz a period is 8 samples of 4 kHz
_VOICING_THRESHOLD = 0.45  # this and the four below: usual with this method
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
    frames = framed(x, size, hop)
    frames = frames - frames.mean(axis=1, keepdims=True)
    peak = np.abs(frames).max(axis=1)
    window = np.hanning(size + 2)[1:-1].astype(np.float32)
    last_lag = min(int(rate_hz / FLOOR_HZ) + 2, size - 1)
    length = -(-(size + last_lag) // 32) * 32  # no lag that is used wraps around
    correlation = _autocorrelation(frames * window, length)
    own = _autocorrelation(window[np.newaxis], length)[0]
    shortest = _OVERSAMPLING * int(rate_hz / CEILING_HZ)
    longest = _OVERSAMPLING * (last_lag - 1)
    zero_lag = np.where(correlation[:, :1] > 0, correlation[:, :1], 1.0)
    lags = slice(shortest - 1, longest + 1)
    normalised = correlation[:, lags] / zero_lag / (own[lags] / own[0])
    lag, strength = _peaks(normalised, shortest)
    hz = np.where(lag > 0, _OVERSAMPLING * rate_hz / np.maximum(lag, 1.0), 0.0)
    loudest = float(peak.max())
    path = _best_path(hz, strength, peak / loudest if loudest > 0 else peak)
    times = (np.arange(len(frames)) * hop + size / 2) / rate_hz
    return PitchTrack(times, path)


@once
def pitch_of(recording: Recording) -> PitchTrack:
    """Return the fundamental frequency of the voice of a recording every 10 ms."""
    return track_pitch(voice_at(recording, PITCH_RATE_HZ), PITCH_RATE_HZ)


def _autocorrelation(frames: npt.NDArray[np.float32], length: int) -> npt.NDArray[np.float32]:
    """Return the autocorrelation of each row, at `_OVERSAMPLING` times the rate of the samples."""
    correlation = np.empty((len(frames), _OVERSAMPLING * length), np.float32)
    for start in range(0, len(frames), _CHUNK):
        spectrum = np.fft.rfft(frames[start : start + _CHUNK], length, axis=1)
        power = np.square(spectrum.real) + np.square(spectrum.imag)
        # A longer inverse transform interpolates between the lags by sines, as Boersma's sinc does.
        correlation[start : start + _CHUNK] = np.fft.irfft(power, _OVERSAMPLING * length, axis=1)
    return correlation


def _peaks(
    r: npt.NDArray[np.float32], first_lag: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return lag (in columns, parabola-refined) and height of each frame's highest peaks."""
    left, mid, right = r[:, :-2], r[:, 1:-1], r[:, 2:]
    heights = np.where((mid > left) & (mid >= right) & (mid > 0), mid, -np.inf)
    best = np.argpartition(-heights, _CANDIDATES - 1, axis=1)[:, :_CANDIDATES]
    found = np.isfinite(np.take_along_axis(heights, best, axis=1))
    a, b, c = (
        np.take_along_axis(side, best, axis=1).astype(np.float64) for side in (left, mid, right)
    )
    curvature = np.where(found, np.minimum(a - 2 * b + c, -1e-12), -1.0)
    shift = np.where(found, 0.5 * (a - c) / curvature, 0.0)
    lag = np.where(found, best + first_lag + shift, 0.0)
    height = np.where(found, b - 0.25 * (a - c) * shift, -np.inf)
    return lag, np.minimum(height, 1.0)


def _best_path(
    hz: npt.NDArray[np.float64],
    strength: npt.NDArray[np.float64],
    loudness: npt.NDArray[np.floating],
) -> npt.NDArray[np.float64]:
    """Choose one candidate (or unvoiced) per frame so that strength less cost is greatest."""
    frames, count = hz.shape
    octaves = np.log2(np.where(hz > 0, hz, CEILING_HZ) / CEILING_HZ)
    gain = np.where(hz > 0, strength + _OCTAVE_COST * octaves, -np.inf)
    quiet = 2.0 - loudness / _SILENCE_THRESHOLD * (1.0 + _VOICING_THRESHOLD)
    unvoiced = _VOICING_THRESHOLD + np.maximum(0.0, quiet)
    # A frame whose unvoiced state leads by more than the two changes of voicing it may cost is
    # unvoiced on the best path. Such frames part the path into runs that do not depend on each
    # other, so all runs take each step of the recursion together.
    open_frames = unvoiced - gain.max(axis=1) <= 2.0 * _VOICING_COST
    starts, ends = runs_of(open_frames).T
    path = np.zeros(frames)
    if not len(starts):
        return path
    # Longest run first: at step t the runs still going are the first ones.
    order = np.argsort(starts - ends, kind="stable")
    starts, lengths = starts[order], (ends - starts)[order]
    going = np.searchsorted(-lengths, -np.arange(lengths[0]), side="left")
    gain = np.column_stack((gain, unvoiced))
    octaves = np.column_stack((octaves, np.zeros(frames)))
    change = np.zeros((count + 1, count + 1))
    change[count, :count] = change[:count, count] = _VOICING_COST
    jump_cost = np.full((count + 1, count + 1), _JUMP_COST)
    jump_cost[count] = jump_cost[:, count] = 0.0
    back = np.zeros((frames, count + 1), np.intp)
    totals = np.empty((frames, count + 1))
    # Each run comes from an unvoiced frame and goes back to one (the ends of the recording too).
    totals[starts] = gain[starts] - change[count]
    for t in range(1, lengths[0]):
        now = starts[: going[t]] + t
        jump = np.abs(octaves[now - 1][:, :, np.newaxis] - octaves[now][:, np.newaxis, :])
        score = totals[now - 1][:, :, np.newaxis] - jump_cost * jump - change
        back[now] = score.argmax(axis=1)
        totals[now] = score.max(axis=1) + gain[now]
    choice = (totals[starts + lengths - 1] - change[count]).argmax(axis=1)
    for t in range(lengths[0] - 1, -1, -1):
        ending = slice(going[t])
        now = starts[ending] + t
        chosen = choice[ending]
        path[now] = np.where(chosen < count, hz[now, np.minimum(chosen, count - 1)], 0.0)
        # A run's last frame is reached when it joins; from there on the pointers lead back.
        choice[ending] = back[now, chosen]
    return path
