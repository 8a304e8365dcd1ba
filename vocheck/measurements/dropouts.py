"""Dropouts: places where the recorder or the driver lost sound, or played a buffer twice.

Two kinds are found, each with its start and end:

``zero-run``
    Digital silence of 0.3 ms or more that breaks into speech. One sample of exact zero is nothing
    special; fifteen in a row beside a voice are. At least one side of the run must be speech: the
    millisecond next to it is within 30 dB of the active speech level. A pause that a gate has
    emptied fades into its zeros, and is left alone.
``repeat``
    A stretch of at least 1 ms that repeats, sample for sample, what stood up to half a second
    before: an audio buffer delivered twice. No voice repeats itself exactly over 48 samples. The
    crests of the waveform and its steep zero crossings are sorted by their sample values; equal
    ones tell the lag, and the stretch around them is then compared sample by sample. A sound that
    repeats itself many times over is a test tone and not a fault.

Every channel that carries sound is searched.

Sources
-------
No published method: exact equality is a property of digital faults that no acoustic sound has. The
limits of 0.3 ms, 1 ms and 30 dB are our choice.

Limits of validity
------------------
Both kinds rest on exact equality. Gain does not hide them, and neither does a change of word
length without dither. Neither is found any more after resampling, dither or a lossy codec: check
the file that the recorder wrote. A dropout that falls entirely into a pause is not heard and not
reported. Speech synthesisers put exact zeros into stops, and so do hard edits; those count where
speech stands right beside them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from vocheck.recording import Recording
from vocheck.results import Group, Result

Kind = Literal["zero-run", "repeat"]

_ZERO_S = 0.0003  # shortest run of zeros
_SIDE_S = 0.001  # next to a run: how much is looked at
_SIDE_DB = -30.0  # re active level: what counts as speech beside a run
_PAUSE_S = 0.2  # a longer run with speech on one side only is an emptied pause
_JOIN_S = 0.005  # runs closer than this are one event

_REPEAT_S = 0.001  # shortest repeat
_LAG_S = 0.5  # longest lag
_MARK_DB = -20.0  # re active level: crests above this are compared
_HASH = np.uint64(0x9E3779B97F4A7C15)  # Fibonacci hashing: 2**64 over the golden ratio, odd
_PERIODS = 6  # a stretch that repeats more often than this is periodic by nature


@dataclass(frozen=True, kw_only=True)
class Dropout(Result):
    """One dropout.

    Attributes
    ----------
    start_s, end_s : float
        The missing stretch, or the second playing of the repeated one.
    kind : str
        ``"zero-run"`` or ``"repeat"``.
    """

    start_s: float
    end_s: float
    kind: Kind


@dataclass(frozen=True, kw_only=True)
class Dropouts(Group):
    """Dropouts of one recording.

    Attributes
    ----------
    events : tuple of Dropout
        In order of time.
    """

    events: tuple[Dropout, ...]


_Spans = list[tuple[int, int]]


def measure(recording: Recording) -> Dropouts:
    """Find runs of zeros inside speech, and repeated buffers."""
    level = float(10.0 ** (recording.active_level.dbfs / 20.0))
    rate = recording.rate
    zeros: _Spans = []
    repeats: _Spans = []
    if level > 0.0:
        for channel in recording.samples.T:
            x = np.ascontiguousarray(channel)
            zeros += zero_runs(x, rate, level)
            repeats += repeated(x, rate, level)
    kinds: tuple[tuple[Kind, _Spans], ...] = (("zero-run", zeros), ("repeat", repeats))
    events = [
        Dropout(start_s=start / rate, end_s=end / rate, kind=kind)
        for kind, spans in kinds
        for start, end in _joined(spans, round(_JOIN_S * rate))
    ]
    return Dropouts(events=tuple(sorted(events, key=lambda event: event.start_s)))


def zero_runs(x: npt.NDArray[np.floating], rate: int, level: float) -> _Spans:
    """Return the runs of exact zeros in `x`, shape (frames,), that break into speech.

    `level` is the active speech level as an RMS. Runs are (first, after the last) sample.
    """
    shortest = max(3, round(_ZERO_S * rate))
    # A run of `shortest` zeros covers at least two neighbors of a grid half as wide: look first.
    grid = max(1, shortest // 2)
    coarse = x[::grid] == 0
    if not (coarse[1:] & coarse[:-1]).any():
        return []
    edges = np.flatnonzero(np.diff((x == 0).view(np.int8), prepend=0, append=0))
    starts, ends = edges[::2], edges[1::2]
    long = ends - starts >= shortest
    side = max(2, round(_SIDE_S * rate))
    threshold = (level * 10.0 ** (_SIDE_DB / 20.0)) ** 2
    found = []
    for start, end in zip(starts[long].tolist(), ends[long].tolist(), strict=True):
        before, after = x[max(0, start - side) : start], x[end : end + side]
        speech = [float(np.vdot(part, part)) >= threshold * side for part in (before, after)]
        if all(speech) or (any(speech) and end - start < round(_PAUSE_S * rate)):
            found.append((start, end))
    return found


def repeated(x: npt.NDArray[np.floating], rate: int, level: float) -> _Spans:
    """Return the stretches of `x`, shape (frames,), that repeat an earlier stretch exactly.

    `level` is the active speech level as an RMS. Stretches are (first, after the last) sample.
    """
    marks = _marks(x, level * 10.0 ** (_MARK_DB / 20.0))
    if len(marks) < 2:
        return []
    # One integer holds a hash of two samples above and the place below: a single sort brings equal
    # marks together, in order of time.
    bits = np.ascontiguousarray(x, np.float32).view(np.uint32)
    place_bits = np.uint64(len(x).bit_length())
    pair = (bits[marks].astype(np.uint64) << np.uint64(32)) | bits[marks + 1]
    hashed = (pair * _HASH) >> place_bits << place_bits
    keys = np.sort(hashed | marks.astype(np.uint64))
    places = (keys & ((np.uint64(1) << place_bits) - np.uint64(1))).astype(np.intp)
    same = keys[1:] >> place_bits == keys[:-1] >> place_bits
    first, second = places[:-1][same], places[1:][same]
    near = second - first <= round(_LAG_S * rate)
    first, second = first[near], second[near]
    alike = (x[first - 1] == x[second - 1]) & (x[first + 2] == x[second + 2])
    first, second = first[alike], second[alike]
    shortest = max(16, round(_REPEAT_S * rate))
    found: _Spans = []
    reached: dict[int, int] = {}  # per lag: up to where it has been compared
    by_time = np.argsort(second, kind="stable")
    for a, b in zip(first[by_time].tolist(), second[by_time].tolist(), strict=True):
        lag = b - a
        if b < reached.get(lag, 0):
            continue
        start, end = _extent(x, a, b)
        reached[lag] = end
        if end - start >= shortest and end - start <= _PERIODS * lag:
            found.append((start, end))
    return found


def _marks(x: npt.NDArray[np.floating], threshold: float) -> npt.NDArray[np.intp]:
    """Return the places by which stretches are compared: steep zero crossings, and crests."""
    if len(x) < 4:
        return np.zeros(0, np.intp)
    slope = x[1:] - x[:-1]
    positive = x > 0
    rising = slope > 0
    crossing = positive[2:-1] != positive[1:-2]
    crest = (rising[1:-1] != rising[:-2]) & (np.abs(x[1:-2]) > threshold)
    steep = np.abs(slope[1:-1]) > 0.1 * threshold
    return np.flatnonzero((crossing & steep) | crest) + 1


def _extent(x: npt.NDArray[np.floating], a: int, b: int) -> tuple[int, int]:
    """Return the stretch around `b` over which `x` equals itself around `a`."""
    step = 256
    end = b
    while end < len(x):
        size = min(step, len(x) - end)
        differs = np.flatnonzero(x[end : end + size] != x[end - b + a : end - b + a + size])
        if len(differs):
            end += int(differs[0])
            break
        end += size
        step *= 2
    step = 256
    start = b
    while start > b - a:
        size = min(step, start - (b - a))
        differs = np.flatnonzero(x[start - size : start] != x[start - size - b + a : start - b + a])
        if len(differs):
            start -= size - 1 - int(differs[-1])
            break
        start -= size
        step *= 2
    return start, end


def _joined(spans: _Spans, gap: int) -> _Spans:
    joined: _Spans = []
    for start, end in sorted(spans):
        if joined and start - joined[-1][1] < gap:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return joined
