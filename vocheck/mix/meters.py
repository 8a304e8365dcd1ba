"""Meters that a mix needs beside loudness and true peak: blocks in, constant memory.

`SidesMeter` keeps the power in steps of 10 ms and the energy of each channel: level, balance,
correlation, the softest half second, head and tail all come from it.
`MonoMeter` is a loudness meter on the sum of two sides.
`OversMeter` finds the places where the true peak is over a limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_db, amplitude_ratio, db, power_ratio
from vocheck.dsp.frames import framed
from vocheck.dsp.oversampling import GROUP, OVERLAP, SECTION, PeakSearch
from vocheck.dsp.runs import runs_of
from vocheck.dsp.sections import Sections
from vocheck.measurements.loudness import TWO_SPEAKERS_LU, LoudnessMeter, LoudnessReading
from vocheck.mix.blocks import block_powers, gated
from vocheck.mix.results import PeakOver

STEPS_PER_S = 100  # 10 ms: divides every window of EBU Tech 3341
FLOOR_STEPS = 50  # the softest half second
SILENCE_DBFS = -90.0
"""Softer than this is digital silence: dithered silence of 16 bits lies at -96 dBFS (closed form),
a lossy codec makes its own of it, and no microphone in a room is as quiet at the level of a mix."""
_SILENCE_STEPS = 10  # 0.1 s: shorter gaps of a wave that rests at zero are not told
_PAUSE_DB = -10.0  # a pause is that far below the loud frames, or it is none
_STEADY_DB = 10.0  # in a pause no frame rises further than that above its mean: no word starts
EDGE_DB = -25.0  # a frame softer than this below the loud ones lies outside the sound
_LOUD_PERCENTILE = 95.0  # the loud frames, without a single peak
CANCELED_LU = -70.0  # opposite sides leave no more than this when they are added
_MONO_GATE_LU = -20.0  # places this far below the whole are not looked at for the worst loss
_SHORT_TERM_S = 3.0  # EBU Tech 3341
_OVERS_STEP = 8 * GROUP  # frames that are searched for one over
_ONE_OVER_S = 0.5  # places closer than this are one


@dataclass(frozen=True, eq=False)
class SidesReading:
    """What the channels hold.

    Attributes
    ----------
    power : ndarray, shape (steps,)
        Mean square over all channels in steps of 10 ms; the last step may be shorter.
    mean_squares : ndarray, shape (channels,)
        Of each channel over the whole.
    mean_product : float or None
        Of left and right over the whole; two channels only.
    """

    power: npt.NDArray[np.float64]
    mean_squares: npt.NDArray[np.float64]
    mean_product: float | None

    @property
    def rms_dbfs(self) -> float:
        """RMS over all frames and channels."""
        return db(float(self.mean_squares.mean()))

    @property
    def levels_dbfs(self) -> tuple[float, ...]:
        """RMS of each channel."""
        return tuple(db(float(channel)) for channel in self.mean_squares)

    @property
    def correlation(self) -> float | None:
        """Normalized correlation of two sides at lag 0; ``None`` where one of them is silent."""
        if self.mean_product is None:
            return None
        product = float(np.prod(self.mean_squares))
        if product <= 0.0:
            return None
        return min(1.0, max(-1.0, self.mean_product / math.sqrt(product)))

    @property
    def floor_dbfs(self) -> float | None:
        """RMS of the softest half second of the pauses; ``None`` where there is none to measure.

        Pauses between the first and the last loud frame count; where there is none, what lies
        before and after them. Digital silence is left out.
        """
        if len(self.power) < FLOOR_STEPS:
            return None
        windows = framed(self.power, FLOOR_STEPS)
        means = windows.mean(axis=1)
        clean = ~framed(self._silent, FLOOR_STEPS).any(axis=1)
        steady = windows.max(axis=1) <= means * power_ratio(_STEADY_DB)
        pause = clean & steady & (means <= self._loud * power_ratio(_PAUSE_DB))
        first, last = self._from(_PAUSE_DB)
        starts = np.arange(len(means))
        inside = (starts >= first) & (starts + FLOOR_STEPS <= last)
        outside = (starts + FLOOR_STEPS <= first) | (starts >= last)
        for found in (pause & inside, clean & outside, clean):
            if found.any():
                return db(float(means[found].min()))
        return None

    @property
    def digital_silence_s(self) -> tuple[tuple[float, float], ...]:
        """Where digital silence starts and ends: stretches of 0.1 s or more."""
        return tuple(
            (float(start) / STEPS_PER_S, float(end) / STEPS_PER_S)
            for start, end in runs_of(self._silent)
            if end - start >= _SILENCE_STEPS
        )

    @property
    def sound_s(self) -> float:
        """The time from the first to the last sound, in steps of 10 ms: digital silence is none."""
        heard = np.flatnonzero(~self._silent)
        return float(heard[-1] + 1 - heard[0]) / STEPS_PER_S if len(heard) else 0.0

    @cached_property
    def _silent(self) -> npt.NDArray[np.bool_]:
        """Which steps are digital silence."""
        silent: npt.NDArray[np.bool_] = self.power < power_ratio(SILENCE_DBFS)
        return silent

    @cached_property
    def _loud(self) -> float:
        """What the loud frames have; 0 for silence."""
        return float(np.percentile(self.power, _LOUD_PERCENTILE)) if self.power.size else 0.0

    def _from(self, below_db: float) -> tuple[int, int]:
        """Return the first step at most that far below the loud ones, and the first after all."""
        sound = np.flatnonzero(self.power > self._loud * power_ratio(below_db))
        return (int(sound[0]), int(sound[-1]) + 1) if len(sound) else (0, 0)

    @property
    def edges_s(self) -> tuple[float, float] | None:
        """Seconds before the first and after the last frame of sound; ``None`` for silence."""
        if self._loud <= 0.0:
            return None
        first, last = self._from(EDGE_DB)
        return first / STEPS_PER_S, (len(self.power) - last) / STEPS_PER_S


class SidesMeter:
    """Measures the channels of a stream in steps of 10 ms.

    Parameters
    ----------
    rate_hz, channels : int
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        # Sections of whole seconds, so that the steps lie alike in each at any sample rate.
        self._sections = Sections(channels, rate_hz)
        steps = np.arange(STEPS_PER_S)
        self._edges = (steps * rate_hz + STEPS_PER_S // 2) // STEPS_PER_S
        self._rate = rate_hz
        self._power: list[npt.NDArray[np.float64]] = []
        self._squares = np.zeros(channels)
        self._product = 0.0

    def feed(self, block: npt.NDArray[np.floating]) -> None:
        """Take in the next frames (frames, channels), blocks of any length."""
        for section in self._sections.add(block):
            self._measure(section)

    def result(self) -> SidesReading:
        """Return the readings; nothing more may be fed."""
        self._measure(self._sections.rest())
        frames = max(1, self._sections.frames)
        return SidesReading(
            np.concatenate(self._power),
            self._squares / frames,
            self._product / frames if len(self._squares) == 2 else None,
        )

    def _measure(self, section: npt.NDArray[np.float32]) -> None:
        channels, frames = section.shape
        edges = self._edges[self._edges < frames]
        if not len(edges):
            return
        if frames == self._rate and frames % STEPS_PER_S == 0:
            steps = section.reshape(channels, STEPS_PER_S, -1)
            sums = np.einsum("cij,cij->ci", steps, steps).astype(np.float64)
        else:
            sums = np.add.reduceat(np.square(section, dtype=np.float64), edges, axis=1)
        self._squares += sums.sum(axis=1)
        self._power.append(sums.mean(axis=0) / np.diff(np.append(edges, frames)))
        if channels == 2:
            self._product += float(np.vdot(section[0], section[1]))


class MonoMeter:
    """Measures how loud two sides are when played as one.

    Parameters
    ----------
    rate_hz : int
    """

    def __init__(self, rate_hz: int) -> None:
        self._meter = LoudnessMeter(rate_hz, 1)

    def feed(self, block: npt.NDArray[np.floating]) -> None:
        """Take in the next frames, shape (frames, 2)."""
        self._meter.feed((block[:, 0] + block[:, 1]) * 0.5)

    @cached_property
    def reading(self) -> LoudnessReading:
        """What the meter reads; nothing more may be fed."""
        return self._meter.result()

    def change_lu(self, stereo: LoudnessReading) -> float | None:
        """Return the loudness in mono, on both speakers, less that in stereo.

        Both are averaged over the blocks that count for the integrated loudness in stereo; ``None``
        where there is none. What a gate of its own would drop in mono is a loss, too.
        """
        both = block_powers(stereo)
        counted = gated(both)
        if not counted.any():
            return None
        mono = block_powers(self.reading)
        change = db(float(mono[counted].mean()) / float(both[counted].mean()))
        return change if change > CANCELED_LU else -math.inf

    def worst(self, stereo: LoudnessReading) -> tuple[float, float] | None:
        """Return the 3 s that lose most in mono, and the time of their middle."""
        mono = self.reading.short_term_lufs() + TWO_SPEAKERS_LU
        both = stereo.short_term_lufs()
        heard = np.flatnonzero(both > stereo.integrated_lufs + _MONO_GATE_LU)
        if not len(heard):
            return None
        change = mono[heard] - both[heard]
        worst = int(np.argmin(change))
        loss = float(change[worst])
        return loss if loss > CANCELED_LU else -math.inf, float(
            heard[worst]
        ) * 0.1 + _SHORT_TERM_S / 2.0


class OversMeter:
    """Finds the places of a stream where the true peak is over a limit.

    A search that starts from the limit as if it were the highest peak so far passes over all that
    lies below it, so that only what is over costs time.

    Parameters
    ----------
    channels, rate_hz : int
    limit_dbtp : float
    """

    def __init__(self, channels: int, rate_hz: int, limit_dbtp: float) -> None:
        self._sections = Sections(channels, SECTION, OVERLAP)
        self._rate = rate_hz
        self._limit = amplitude_ratio(limit_dbtp)
        self._found: list[tuple[float, float]] = []
        self._done = 0

    def feed(self, block: npt.NDArray[np.floating]) -> None:
        """Take in the next frames (frames, channels), blocks of any length."""
        for section in self._sections.add(block):
            self._search(section)

    def result(self) -> tuple[PeakOver, ...]:
        """Return the places in the order of time; nothing more may be fed."""
        rest = self._sections.rest()
        # Silence after the end: enough to search up to it, and to fill the last group.
        self._search(np.pad(rest, ((0, 0), (0, OVERLAP + -rest.shape[1] % GROUP))))
        last_s = max(0, self._sections.frames - 1) / self._rate
        places: list[tuple[float, float]] = []
        for place, peak in sorted(self._found):
            time_s = min(max(0.0, place / self._rate), last_s)
            if not places or time_s - places[-1][0] >= _ONE_OVER_S:
                places.append((time_s, peak))
            elif peak > places[-1][1]:
                places[-1] = (time_s, peak)
        return tuple(
            PeakOver(time_s=time_s, level_dbtp=amplitude_db(peak)) for time_s, peak in places
        )

    def _search(self, section: npt.NDArray[np.float32]) -> None:
        frames = section.shape[1] - OVERLAP
        for channel in section:
            whole = self._highest(channel)
            if whole.peak <= self._limit:
                continue
            for start in range(0, frames, _OVERS_STEP):
                end = min(frames, start + _OVERS_STEP)
                part = self._highest(channel[start : end + OVERLAP])
                if part.peak > self._limit:
                    self._found.append((self._done + start + part.place, part.peak))
        self._done += frames

    def _highest(self, samples: npt.NDArray[np.float32]) -> PeakSearch:
        search = PeakSearch()
        search.peak = self._limit
        search.add(samples)
        return search
