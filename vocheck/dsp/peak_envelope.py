"""The true peak of a signal over time: of each short step, between its samples too.

The interpolator is that of `vocheck.dsp.oversampling`, evaluated at eighths of a sample with a
parabola through the highest three: within 0.005 dB below 0.45 of the sample rate. Most of a signal
lies so far below the level that is asked for that a bound passes over it: no interpolated value
exceeds the largest sample around by more than the sum of the weights' magnitudes (9 dB). What is
left is looked at midway between samples first. There a local peak may still be 3 dB higher (see
`vocheck.dsp.oversampling`, step 2).
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from vocheck.dsp.oversampling import BLOCK, TAPS, taps
from vocheck.dsp.sections import Sections

Floats = npt.NDArray[np.float32]

_SIDE = TAPS // 2  # samples that an interpolated point rests on to either side
_SPAN = BLOCK + TAPS  # samples that the points of a block, and one beyond each end, rest on
_SECTION = 1 << 16  # frames worked on at a time, a multiple of every step
_PHASES = 8  # see the parabola of `vocheck.dsp.oversampling`
_BATCH = 1024  # blocks evaluated at a time: keeps the working set in the cache
_MIDWAY = 0.7  # of a peak, on the grid of half samples; just below cos(45 degrees)


class _Tables(NamedTuple):
    midpoints: Floats  # (_SPAN, BLOCK + 1)
    eighths: Floats  # (_SPAN, 8 * BLOCK + 2)
    bound: float


@lru_cache(maxsize=1)
def _tables() -> _Tables:
    def matrix(places: npt.NDArray[np.floating]) -> npt.NDArray[np.float64]:
        """Return the weights of points at some places (in samples from the block's first)."""
        first = np.minimum(np.floor(places).astype(int), BLOCK - 1)
        weights = np.zeros((_SPAN, len(places)))
        rows = first[:, np.newaxis] + 1 + np.arange(TAPS)
        fractions = (places - first).astype(np.float64)
        weights[rows, np.arange(len(places))[:, np.newaxis]] = taps(fractions)
        return weights

    midpoints = matrix(np.arange(BLOCK + 1) - 0.5)
    eighths = matrix(np.arange(-1, _PHASES * BLOCK + 1) / _PHASES)
    bound = 1.001 * float(np.abs(taps(np.array([0.5]))).sum())  # greatest midway
    return _Tables(midpoints.astype(np.float32), eighths.astype(np.float32), bound)


class PeakEnvelope:
    """Collects the true peak of each step of a stream, the highest of all channels.

    Parameters
    ----------
    channels : int
    step : int
        Frames of a step: a power of two from 2 to 256.
    least : float
        An amplitude. Steps whose peak is below it read 0: they are not searched.
    """

    def __init__(self, channels: int, step: int, least: float) -> None:
        self._delay = max(BLOCK, step)
        self._sections = Sections(channels, _SECTION, 2 * self._delay)
        self._step = step
        self._least = least
        self._found: list[Floats] = []

    def feed(self, block: npt.NDArray[np.floating]) -> None:
        """Take in the next frames (frames, channels), blocks of any length."""
        for section in self._sections.add(block):
            self._search(section)

    def result(self) -> Floats:
        """Return the peaks, shape (steps,); nothing more may be fed.

        What rises before the first frame or after the last counts to the first or the last step.
        """
        rest = self._sections.rest()
        # Silence after the end: what the last frames rest on, up to a whole step.
        behind = self._delay + -rest.shape[1] % self._delay
        self._search(np.pad(rest, ((0, 0), (0, behind))))
        peaks = np.concatenate(self._found)
        first = self._delay // self._step
        count = -(-self._sections.frames // self._step)
        if not count:
            return peaks[:0]
        peaks[first] = peaks[: first + 1].max()
        peaks[first + count - 1] = peaks[first + count - 1 :].max()
        return peaks[first : first + count]

    def _search(self, section: Floats) -> None:
        """Search a section, all but as much of its start and its end as it lies behind."""
        frames = section.shape[1] - 2 * self._delay
        steps = np.zeros(frames // self._step, np.float32)
        for channel in section:
            np.maximum(steps, self._peaks(channel[self._delay - _SIDE :], frames), out=steps)
        self._found.append(steps)

    def _peaks(self, channel: Floats, frames: int) -> Floats:
        """Return the peaks of the frames that begin _SIDE samples after the start."""
        blocks = frames // BLOCK
        item = channel.itemsize
        spans = np.ndarray((blocks, _SPAN), np.float32, channel, 0, (BLOCK * item, item))
        loudest = _highest(channel[: frames + TAPS].reshape(-1, BLOCK))
        around = np.maximum(np.maximum(loudest[:-2], loudest[1:-1]), loudest[2:])
        hot = np.flatnonzero(around * _tables().bound > self._least)
        peaks = np.zeros((blocks, max(1, BLOCK // self._step)), np.float32)
        for first in range(0, len(hot), _BATCH):
            rows = hot[first : first + _BATCH]
            self._evaluate(spans[rows], rows, peaks)
        steps: Floats = peaks.reshape(frames // self._step, -1).max(axis=1)
        return steps

    def _evaluate(self, spans: Floats, rows: npt.NDArray[np.intp], peaks: Floats) -> None:
        tables = _tables()
        on_samples = _highest(spans[:, _SIDE : _SIDE + BLOCK])
        double = np.maximum(_highest(spans @ tables.midpoints), on_samples)
        near = np.flatnonzero(double > _MIDWAY * self._least)
        if not len(near):
            return
        values = np.abs(spans[near] @ tables.eighths)
        parts = peaks.shape[1]
        inner = values[:, 1:-1].reshape(len(near), parts, -1)
        place = inner.argmax(axis=2) + np.arange(parts) * inner.shape[2] + 1
        low, middle, high = (
            np.take_along_axis(values, place + shift, axis=1) for shift in (-1, 0, 1)
        )
        bend = np.maximum(2.0 * middle - low - high, np.float32(1e-30))
        rise = np.square(high - low) / (8.0 * bend)
        # At the edge of a part the slope may go on: there the peak lies in the next one.
        is_top = (middle >= low) & (middle >= high)
        peaks[rows[near]] = np.where(is_top, middle + rise, middle)


def _highest(x: Floats) -> Floats:
    """Return the largest magnitude along the last axis."""
    highest: Floats = np.maximum(x.max(axis=-1), -x.min(axis=-1))
    return highest
