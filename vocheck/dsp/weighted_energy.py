"""K-weighted energy of a stream in steps of 10 ms, and its loudest windows to the sample.

All loudness readings of ITU-R BS.1770 and EBU Tech 3341/3342 are means of this energy over windows
that start on a step of 100 ms, except the two maxima: the loudest 400 ms and the loudest 3 s may
start at any sample. A search on the 10 ms steps alone misses them by up to 0.2 LU in speech. Here
all samples are searched where a bound allows a step to hold the maximum: a window that starts
within a step has at most the energy of the window at its start and of the step that enters.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.blockfilter import BlockFilter
from vocheck.dsp.frames import blocked, framed
from vocheck.dsp.kweighting import k_weighting_sections
from vocheck.dsp.sections import Sections
from vocheck.errors import AudioError

STEPS_PER_S = 100  # 10 ms: divides the hop of 100 ms of EBU Tech 3341
MOMENTARY_STEPS = 40  # 400 ms: EBU Tech 3341; also the gating block of ITU-R BS.1770
SHORT_TERM_STEPS = 300  # 3 s
_SECTION_FRAMES = 192000  # about what is worked on at a time: long products, little memory
_TOLERANCE = 10.0**0.0015  # a maximum is not searched for its last 0.015 LU


@dataclass(frozen=True)
class Window:
    """The loudest window of a stream: its weighted mean square, and where it starts."""

    mean_square: float
    start_s: float


@dataclass(frozen=True, eq=False)
class KWeightedEnergies:
    """K-weighted energy of a recording, its channels summed with their weights.

    Attributes
    ----------
    mean_square : ndarray, shape (steps,)
        Of each whole step of 10 ms, the first starting at the first sample. A full-scale square
        wave in one front channel has 1, before weighting. Add -0.691 dB for LUFS.
    loudest_momentary, loudest_short_term : Window or None
        The window of 400 ms and that of 3 s with the most energy, wherever it starts (within
        0.015 LU of the greatest); ``None`` if the recording is shorter.
    """

    mean_square: npt.NDArray[np.float64]
    loudest_momentary: Window | None
    loudest_short_term: Window | None

    def windows(self, steps: int, hop: int, silence_after: int = 0) -> npt.NDArray[np.float64]:
        """Return the mean square of windows at a regular distance, shape (windows,).

        Parameters
        ----------
        steps, hop : int
            Length and distance of the windows, in steps of 10 ms.
        silence_after : int
            Steps of silence that follow the recording.
        """
        padded = np.concatenate((self.mean_square, np.zeros(silence_after)))
        if len(padded) < steps:
            return np.zeros(0)
        # Summed anew for each window: a running sum would leave the rounding error of loud
        # passages in the silences after them.
        part = np.gcd(steps, hop)
        parts = blocked(padded, part).sum(axis=1)
        views = framed(parts, steps // part, hop // part)
        mean: npt.NDArray[np.float64] = views.sum(axis=1) / steps
        return mean


class EnergyMeter:
    """Measures the K-weighted energies of a stream in constant memory (800 bytes per second).

    Parameters
    ----------
    rate_hz : int
    weights : ndarray, shape (channels,)
        See `vocheck.dsp.kweighting.channel_weights`.
    """

    def __init__(self, rate_hz: int, weights: npt.NDArray[np.float64]) -> None:
        self._rate = rate_hz
        self._step = rate_hz / STEPS_PER_S  # frames, not always a whole number
        # Channels without weight are not filtered; a slice, where there are none, saves a copy.
        self._heard = slice(None) if weights.all() else np.flatnonzero(weights)
        self._weights = weights[self._heard]
        # Sections of whole seconds, so that the steps lie alike in each at any sample rate.
        seconds = max(SHORT_TERM_STEPS // STEPS_PER_S, round(_SECTION_FRAMES / rate_hz))
        self._sections = Sections(len(weights), seconds * rate_hz)
        self._filter = BlockFilter(k_weighting_sections(rate_hz), len(self._weights))
        # The section before is kept, for windows that begin in it.
        shape = (len(self._weights), seconds * rate_hz)
        self._filtered, self._previous = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        steps = np.arange(seconds * STEPS_PER_S + 1)
        self._edges = (steps * rate_hz + STEPS_PER_S // 2) // STEPS_PER_S
        self._recent = np.zeros(SHORT_TERM_STEPS)
        self._energies: list[npt.NDArray[np.float64]] = []
        self._start = 0  # of the section, in frames
        self._best = {MOMENTARY_STEPS: (0.0, 0), SHORT_TERM_STEPS: (0.0, 0)}

    def feed(self, block: npt.NDArray[np.floating]) -> None:
        """Take in the next frames.

        Parameters
        ----------
        block : ndarray of float, shape (frames, channels) or (frames,) for one channel
            Of any length: the readings do not depend on how a stream is cut.

        Raises
        ------
        AudioError
            If the block has another number of channels, or a section holds a NaN or an infinity.
        """
        for section in self._sections.add(block):
            self._measure(section)

    def result(self) -> KWeightedEnergies:
        """Return the energies of all that was fed; more may be fed afterwards."""
        # What stands in the unfinished section is measured by a copy. It may write to the older of
        # the two buffers, which holds nothing that is still needed.
        meter = copy.copy(self)
        meter._filter = self._filter.copy()
        meter._energies = self._energies.copy()
        meter._best = self._best.copy()
        meter._measure(self._sections.rest())
        frames = self._sections.frames
        energies = np.concatenate(meter._energies)[: frames * STEPS_PER_S // self._rate]
        return KWeightedEnergies(
            energies,
            meter._window(MOMENTARY_STEPS, frames),
            meter._window(SHORT_TERM_STEPS, frames),
        )

    def _measure(self, section: npt.NDArray[np.float32]) -> None:
        frames = section.shape[1]
        self._previous, self._filtered = self._filtered, self._previous
        # The last section may end anywhere: silence follows it. A window that reaches into that
        # holds no more than the last one that does not, so it can stand among the candidates.
        self._filtered[:, frames:] = 0.0
        with np.errstate(invalid="ignore", over="ignore"):  # refused just below
            self._filter(section[self._heard], self._filtered[:, :frames])
            new = self._weights @ self._step_energies()
        if not np.isfinite(new).all():
            at = self._start / self._rate + int(np.argmin(np.isfinite(new))) / STEPS_PER_S
            raise AudioError(f"a sample is not a number, or beyond all measure, at {at:.2f} s")
        self._energies.append(new)
        recent = np.concatenate((self._recent, new))
        for steps in self._best:
            self._search(steps, np.concatenate((recent, [0.0])))
        self._recent = recent[-SHORT_TERM_STEPS:]
        self._start += frames

    def _step_energies(self) -> npt.NDArray[np.float64]:
        """Return the energy of each step of the section and channel over the step's length."""
        now = self._filtered
        if self._step.is_integer():
            length = int(self._step)
            steps = now.reshape(len(now), now.shape[1] // length, length)
            sums: npt.NDArray[np.floating] = np.einsum("cij,cij->ci", steps, steps)
        else:
            sums = np.add.reduceat(np.square(now, dtype=np.float64), self._edges[:-1], axis=1)
        return sums / np.float64(self._step)

    def _search(self, steps: int, energies: npt.NDArray[np.float64]) -> None:
        """Look for a louder window among those that end within the section."""
        total = np.concatenate(([0.0], np.cumsum(energies)))
        starts = np.arange(SHORT_TERM_STEPS - steps, len(energies) - steps)
        grid = total[starts + steps] - total[starts]
        bound = grid + energies[starts + steps]
        best = self._best[steps]
        loudest = int(np.argmax(grid))
        before = steps * self._rate // STEPS_PER_S  # frames of the section before that count
        if grid[loudest] > best[0]:
            start = round(loudest * self._step)
            best = (float(grid[loudest]), self._start - before + start)
        hopeful = np.flatnonzero(bound > best[0] * _TOLERANCE)
        if len(hopeful):
            first = round(int(hopeful[0]) * self._step)
            last = round((int(hopeful[-1]) + 1) * self._step)
            length = round(steps * self._step)
            entering = self._heard_from(first + length - before, last + length - before)
            leaving = self._heard_from(first - before, last - before)
            change = np.square(entering) - np.square(leaving[:, : entering.shape[1]])
            change = (self._weights / self._step).astype(np.float32) @ change
            energy = grid[hopeful[0]] + np.cumsum(change, dtype=np.float64)
            start = int(np.argmax(energy))
            if energy[start] > best[0]:
                best = (float(energy[start]), self._start - before + first + start + 1)
        self._best[steps] = best

    def _heard_from(self, first: int, last: int) -> npt.NDArray[np.float32]:
        """Return filtered frames by their place in the section; negative ones lie before it."""
        if first >= 0:
            return self._filtered[:, first:last]
        before = self._previous[:, first : min(last, 0) or None]
        return np.concatenate((before, self._filtered[:, : max(last, 0)]), axis=1)

    def _window(self, steps: int, frames: int) -> Window | None:
        last = frames - round(steps * self._step)
        if last < 0:
            return None
        energy, start = self._best[steps]
        return Window(energy / steps, min(max(start, 0), last) / self._rate)
