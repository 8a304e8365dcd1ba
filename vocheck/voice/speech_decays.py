"""Free decays in running speech: where a sub-band falls, and how fast at which depth.

Every time the voice stops or steps down, the room goes on for a moment. In eight bands the level is
followed every 4 ms; each fall of 8 dB or more that no rise of 4 dB interrupts is one *decay*. Along
it, straight lines are fitted to the noise-subtracted level in windows of depth below the peak where
the fall begins (3-13 dB, 5-20 dB, ... 28-40 dB). A window's slope is told as the time that a fall
of 60 dB would take at that rate. Shallow windows show the voice's own release, deep ones the room,
because a voice can fall faster than its room but never slower.

The scheme follows the free-decay methods (Ratnam et al., J. Acoust. Soc. Am. 114, 2003; Löllmann et
al., IWAENC 2010). That a least-squares line through the log envelope is enough where decays are
many: Schüldt and Händel, IEEE/ACM TASLP 22, 2014.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import levels_db
from vocheck.dsp.frames import framed

RATE_HZ = 16000  # holds the bands, up to 7.6 kHz
EDGES_HZ = (250.0, 400.0, 630.0, 1000.0, 1600.0, 2500.0, 4000.0, 5600.0, 7600.0)
"""Edges of the eight bands."""
WINDOWS_DB = (
    (3.0, 13.0),
    (5.0, 20.0),
    (5.0, 25.0),
    (8.0, 18.0),
    (13.0, 23.0),
    (18.0, 28.0),
    (23.0, 33.0),
    (28.0, 40.0),
    (5.0, 35.0),
)
"""Depths below the peak between which a slope is fitted."""
BEFORE_S = (0.032, 0.08, 0.2)
"""Spans before the peak of a decay, over which its history is told."""
LAGS = (1, 2, 3, 4, 6, 8, 10, 13, 16, 20, 25, 31, 38, 47, 58, 72, 90, 112)
"""Frames after the peak at which the fall of a decay is told, up to 0.45 s."""

_SIZE, _HOP = 256, 64  # 16 ms Hann windows every 4 ms
HOP_S = _HOP / RATE_HZ
_CHUNK = 4096  # frames transformed, and decays fitted, at a time
_TRACK, _FIT, _FLOOR = 5, 3, 15  # frames averaged: to find a decay, to fit it, to find the noise
_RISE_DB = 4.0  # a rise of this much ends a decay
_MIN_DEPTH_DB = 8.0  # shallower falls are the voice moving
_PEAK_OVER_NOISE_DB = 14.0  # leaves a fall of 8 dB before it ends
_END_OVER_NOISE_DB = 5.0  # nearer, what is left after the noise was taken off is mostly error
_PEAK_BELOW_TOP_DB = 32.0  # a decay from further down is room or breath, not voice
_MAX_FRAMES = 400  # 1.6 s
_GUARD_FRAMES = 15  # 60 ms kept clear of file ends and cuts
# Lower percentiles serve takes that pause for less than 4 % of their time. The factors undo that a
# low percentile of the noise lies under its mean (white noise, 60 ms averages).
_FLOOR_PERCENTILES = ((4.0, 1.15), (1.0, 1.3), (0.25, 1.5))
_LEAST_POWER = 1e-30  # of full scale: what stands for digital silence in levels
_RANGE = 1e-9  # nothing deeper than 90 dB below the loud frames is told from digital silence


@dataclass(frozen=True, eq=False)
class Decays:
    """The decays of one or several takes, one row each.

    Attributes
    ----------
    band : ndarray of int, shape (decays,)
        Index into the bands of `EDGES_HZ`.
    start_s, duration_s : ndarray, shape (decays,)
        Time of the peak where the fall begins, and how long it was followed.
    depth_db : ndarray, shape (decays,)
        How far it was followed.
    over_noise_db, under_loud_db : ndarray, shape (decays,)
        Level of the peak over the noise and (negative: below) over the loud frames of its band.
    to_noise : ndarray of bool, shape (decays,)
        Whether the decay ended in the noise, not at a rise.
    before_db : ndarray, shape (decays, spans)
        Mean level of the band before the peak, over each of `BEFORE_S`, less that of the peak.
    fall_db : ndarray, shape (decays, lags)
        Level of the band less the noise, at each of `LAGS` frames after the peak over that at the
        peak; held from the end of the decay on.
    all_bands_db : ndarray, shape (decays, 2)
        All bands together: level at the peak over that of the loud frames, and how far it falls
        until the decay ends.
    time_60_db_s : ndarray, shape (decays, windows)
        Time of a 60 dB fall at the slope in each of `WINDOWS_DB`; NaN where the decay does not
        reach that deep.
    snr_db : ndarray, shape (bands,)
        Level of the loud frames (95th percentile) over the noise in each band.
    length_s : float
        Length of the audio looked at.
    processed : bool
        Whether whoever found the decays knows that a gate or noise reduction bent them.
    """

    band: npt.NDArray[np.intp]
    start_s: npt.NDArray[np.float64]
    duration_s: npt.NDArray[np.float64]
    depth_db: npt.NDArray[np.float64]
    over_noise_db: npt.NDArray[np.float64]
    under_loud_db: npt.NDArray[np.float64]
    to_noise: npt.NDArray[np.bool_]
    before_db: npt.NDArray[np.float64]
    fall_db: npt.NDArray[np.float64]
    all_bands_db: npt.NDArray[np.float64]
    time_60_db_s: npt.NDArray[np.float64]
    snr_db: npt.NDArray[np.float64]
    length_s: float
    processed: bool = False

    def __len__(self) -> int:
        return len(self.band)

    def only(self, keep: npt.NDArray[np.bool_]) -> Decays:
        """Return the decays of a mask, shape (decays,)."""
        rows: dict[str, Any] = {name: getattr(self, name)[keep] for name in _ROWS}
        whole: dict[str, Any] = {name: getattr(self, name) for name in _WHOLE}
        return Decays(**rows, **whole)


_WHOLE = ("snr_db", "length_s", "processed")
_ROWS = tuple(f.name for f in fields(Decays) if f.name not in _WHOLE)


def join(parts: Sequence[Decays]) -> Decays:
    """Put the decays of several takes into one table (start times stay those of each take).

    Joining the audio instead would be wrong: a hard join looks like an instant decay.
    """
    if not parts:
        return _none(0.0)
    rows: dict[str, Any] = {
        name: np.concatenate([getattr(part, name) for part in parts]) for name in _ROWS
    }
    lengths = np.array([part.length_s for part in parts])
    weights = lengths / max(lengths.sum(), 1e-9)
    snr_db = weights @ np.array([part.snr_db for part in parts])
    return Decays(
        **rows,
        snr_db=snr_db,
        length_s=float(lengths.sum()),
        processed=any(part.processed for part in parts),
    )


def find_decays(
    x: npt.NDArray[np.float32], cuts_s: Sequence[float] | npt.NDArray[np.float64] = ()
) -> Decays:
    """Find the decays in speech.

    Parameters
    ----------
    x : ndarray, shape (frames,)
        One channel at 16 kHz (`RATE_HZ`).
    cuts_s : sequence of float
        Times of splices. A decay within 60 ms of one, or of either end of `x`, is left out.

    Returns
    -------
    Decays
    """
    power = _band_power(x)
    if power.shape[1] <= 2 * _GUARD_FRAMES:
        return _none(len(x) / RATE_HZ)
    tracks = _Tracks(power, len(x) / RATE_HZ)
    guarded = _guarded(power.shape[1], cuts_s)
    parts = [_decays_of(tracks, int(band), guarded) for band in np.flatnonzero(tracks.loud > 0.0)]
    if not parts:
        return _none(len(x) / RATE_HZ)
    rows: dict[str, Any] = {
        name: np.concatenate([getattr(part, name) for part in parts]) for name in _ROWS
    }
    return Decays(**rows, snr_db=tracks.snr_db, length_s=tracks.length_s)


class _Tracks:
    """The levels of all bands over time, from which decays are read.

    Parameters
    ----------
    power : ndarray, shape (bands, frames)
    length_s : float
        Of the recording.
    """

    def __init__(self, power: npt.NDArray[np.float64], length_s: float) -> None:
        self.length_s = length_s
        self.loud = np.percentile(power, 97, axis=1)
        noise = np.maximum(_noise(power), _RANGE * self.loud)
        self.level = levels_db(_moving_mean(power, _TRACK), _LEAST_POWER)
        self.top_db = levels_db(self.loud, _LEAST_POWER)
        self.noise_db = levels_db(noise, _LEAST_POWER)
        strong_db = levels_db(np.percentile(power, 95, axis=1), _LEAST_POWER)
        self.snr_db = np.maximum(strong_db - self.noise_db, 0.0)
        subtracted = _moving_mean(power, _FIT) - noise[:, np.newaxis]
        self.fit_level = levels_db(
            np.maximum(subtracted, 0.05 * noise[:, np.newaxis]), _LEAST_POWER
        )
        total = _moving_mean(power.sum(axis=0, keepdims=True), _TRACK)
        self.everything = levels_db(total, _LEAST_POWER)[0]
        self.everything -= np.percentile(self.everything, 97)
        self.past = np.pad(np.cumsum(power, axis=1), ((0, 0), (1, 0)))


def _decays_of(tracks: _Tracks, band: int, guarded: npt.NDArray[np.intp]) -> Decays:
    """Return the decays of one band; `guarded` counts the frames near cuts and ends."""
    level, noise_db, top_db = tracks.level[band], tracks.noise_db[band], tracks.top_db[band]
    peaks, ends = _falls(level)
    keep = level[peaks] > max(noise_db + _PEAK_OVER_NOISE_DB, top_db - _PEAK_BELOW_TOP_DB)
    peaks, ends = peaks[keep], np.minimum(ends[keep], peaks[keep] + _MAX_FRAMES - 1)
    fell_to = ends
    ends = _stop_at(level, peaks, ends, noise_db + _END_OVER_NOISE_DB)
    depth_db = level[peaks] - level[ends]
    keep = (depth_db >= _MIN_DEPTH_DB) & (ends - peaks >= 3) & (guarded[ends + 1] == guarded[peaks])
    peaks, ends, depth_db, fell_to = (v[keep] for v in (peaks, ends, depth_db, fell_to))
    peak_db, everything = level[peaks], tracks.everything
    return Decays(
        band=np.full(len(peaks), band),
        start_s=(peaks * _HOP + _SIZE / 2) / RATE_HZ,
        duration_s=(ends - peaks) * HOP_S,
        depth_db=depth_db,
        over_noise_db=peak_db - noise_db,
        under_loud_db=peak_db - top_db,
        to_noise=fell_to > ends,
        before_db=_before(tracks.past[band], peaks) - peak_db[:, np.newaxis],
        fall_db=_fall(tracks.fit_level[band], peaks, ends),
        all_bands_db=np.column_stack((everything[peaks], everything[peaks] - everything[ends])),
        time_60_db_s=_slopes(tracks.fit_level[band], peaks, ends),
        snr_db=tracks.snr_db,
        length_s=tracks.length_s,
    )


def _none(length_s: float) -> Decays:
    nothing = np.zeros(0)
    return Decays(
        band=np.zeros(0, np.intp),
        start_s=nothing,
        duration_s=nothing,
        depth_db=nothing,
        over_noise_db=nothing,
        under_loud_db=nothing,
        to_noise=np.zeros(0, np.bool_),
        before_db=np.zeros((0, len(BEFORE_S))),
        fall_db=np.zeros((0, len(LAGS))),
        all_bands_db=np.zeros((0, 2)),
        time_60_db_s=np.zeros((0, len(WINDOWS_DB))),
        snr_db=np.zeros(len(EDGES_HZ) - 1),
        length_s=length_s,
    )


def _band_power(x: npt.NDArray[np.float32]) -> npt.NDArray[np.float64]:
    """Return the power of each band in each frame, shape (bands, frames)."""
    count = max(0, (len(x) - _SIZE) // _HOP + 1)
    window = np.hanning(_SIZE + 2)[1:-1].astype(np.float32)
    frequencies = np.fft.rfftfreq(_SIZE, 1 / RATE_HZ)
    members = np.searchsorted(EDGES_HZ, frequencies, side="right") - 1
    pick = (members[:, np.newaxis] == np.arange(len(EDGES_HZ) - 1)).astype(np.float32)
    power = np.empty((len(EDGES_HZ) - 1, count))
    if count == 0:
        return power
    segments = framed(x, _SIZE, _HOP)
    for start in range(0, count, _CHUNK):
        spectrum = np.fft.rfft(segments[start : start + _CHUNK] * window)
        bins = spectrum.real**2 + spectrum.imag**2
        power[:, start : start + _CHUNK] = (bins @ pick).T
    return power


def _moving_mean(power: npt.NDArray[np.float64], width: int) -> npt.NDArray[np.float64]:
    """Return the centred mean over an odd number of frames, the edges held."""
    half = width // 2
    padded = np.pad(power, ((0, 0), (half, half)), mode="edge")
    total = sum(padded[:, i : i + power.shape[1]] for i in range(width))
    return np.asarray(total) / width


def _noise(power: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    percentiles, factors = np.transpose(_FLOOR_PERCENTILES)
    low = np.percentile(_moving_mean(power, _FLOOR), percentiles, axis=1)
    return np.asarray((low * factors[:, np.newaxis]).min(axis=0))


def _before(past: npt.NDArray[np.float64], peaks: npt.NDArray[np.intp]) -> npt.NDArray[np.float64]:
    """Return the mean level in each of `BEFORE_S` before the peaks, from the running sum of power.

    Shape (peaks, spans).
    """
    spans = np.rint(np.array(BEFORE_S) / HOP_S).astype(np.intp)
    first = np.maximum(peaks[:, np.newaxis] - spans, 0)
    frames = np.maximum(peaks[:, np.newaxis] - first, 1)
    return levels_db((past[peaks, np.newaxis] - past[first]) / frames, _LEAST_POWER)


def _fall(
    level: npt.NDArray[np.float64], peaks: npt.NDArray[np.intp], ends: npt.NDArray[np.intp]
) -> npt.NDArray[np.float64]:
    """Return the level at each of `LAGS` after the peaks over that at the peaks."""
    at = np.minimum(peaks[:, np.newaxis] + LAGS, ends[:, np.newaxis])
    return np.asarray(level[at] - level[peaks, np.newaxis])


def _guarded(count: int, cuts_s: Sequence[float] | npt.NDArray[np.float64]) -> npt.NDArray[np.intp]:
    """Return the running count of guarded frames, shape (frames + 1,)."""
    guard = np.zeros(count, np.intp)
    guard[:_GUARD_FRAMES] = guard[-_GUARD_FRAMES:] = 1
    for cut in (np.asarray(cuts_s) / HOP_S).astype(int).tolist():
        guard[max(0, cut - _GUARD_FRAMES) : max(0, cut + _GUARD_FRAMES)] = 1
    return np.concatenate(([0], np.cumsum(guard)))


def _falls(
    level: npt.NDArray[np.float64],
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Return peak and end of every fall that no rise of `_RISE_DB` interrupts.

    Only turning points are visited: a rise or a fall between two of them cannot end anything.
    """
    step = np.sign(np.diff(level))
    turns = np.flatnonzero(step[1:] * step[:-1] <= 0) + 1
    turns = np.concatenate(([0], turns, [len(level) - 1]))
    falls: list[tuple[int, int]] = []
    peak = trough = 0
    peak_db = trough_db = float(level[0])
    falling = False
    for at, now_db in zip(turns.tolist(), level[turns].tolist(), strict=True):
        if not falling:
            if now_db > peak_db:
                peak, peak_db = at, now_db
            elif now_db < peak_db - _RISE_DB:
                trough, trough_db, falling = at, now_db, True
        elif now_db < trough_db:
            trough, trough_db = at, now_db
        elif now_db > trough_db + _RISE_DB:
            falls.append((peak, trough))
            peak, peak_db, falling = at, now_db, False
    if falling:
        falls.append((peak, trough))
    peaks, ends = np.array(falls, np.intp).reshape(-1, 2).T
    return peaks, ends


def _stop_at(
    level: npt.NDArray[np.float64],
    peaks: npt.NDArray[np.intp],
    ends: npt.NDArray[np.intp],
    floor_db: float,
) -> npt.NDArray[np.intp]:
    """Move each end forward to the last frame before the level first meets `floor_db`."""
    low = np.concatenate((np.flatnonzero(level < floor_db), [len(level)]))
    return np.asarray(np.maximum(peaks, np.minimum(ends, low[np.searchsorted(low, peaks)] - 1)))


def _slopes(
    level: npt.NDArray[np.float64], peaks: npt.NDArray[np.intp], ends: npt.NDArray[np.intp]
) -> npt.NDArray[np.float64]:
    """Return the time of a 60 dB fall in each window of depth, shape (decays, windows)."""
    times = np.full((len(peaks), len(WINDOWS_DB)), np.nan)
    for start in range(0, len(peaks), _CHUNK):
        rows = slice(start, start + _CHUNK)
        lengths = ends[rows] - peaks[rows] + 1
        frame = np.arange(int(lengths.max()))
        inside = frame < lengths[:, np.newaxis]
        reach = np.minimum(peaks[rows, np.newaxis] + frame, len(level) - 1)
        depth = level[peaks[rows], np.newaxis] - level[reach]
        depth = np.where(inside, depth, -np.inf)
        crossings = {db: _first(depth >= db) for window in WINDOWS_DB for db in window}
        depth = np.where(inside, depth, 0.0)
        zero = np.zeros((len(depth), 1))
        sums = np.concatenate((zero, np.cumsum(depth, axis=1)), axis=1)
        moments = np.concatenate((zero, np.cumsum(depth * frame, axis=1)), axis=1)
        for column, (shallow, deep) in enumerate(WINDOWS_DB):
            first, last = crossings[shallow], crossings[deep]
            hit = np.flatnonzero(last < len(frame))
            i, j = first[hit], last[hit]
            # Least squares over the frames i..j in closed form; n frames about their middle.
            n = (j - i + 1).astype(np.float64)
            moment = moments[hit, j + 1] - moments[hit, i]
            moment -= (i + j) / 2 * (sums[hit, j + 1] - sums[hit, i])
            with np.errstate(divide="ignore", invalid="ignore"):
                slope = 12.0 * moment / (n * (n * n - 1.0))  # dB per frame
                fitted = np.where(slope > 0, 60.0 / slope, np.nan)
            # Two frames or fewer: the time between the crossings is all there is.
            short = 60.0 * np.maximum(j - i, 0.5) / (deep - shallow)
            times[start + hit, column] = np.where(j - i < 2, short, fitted) * HOP_S
    return times


def _first(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Return the first true column of each row, or the number of columns where there is none."""
    return np.asarray(np.where(mask.any(axis=1), mask.argmax(axis=1), mask.shape[1]))
