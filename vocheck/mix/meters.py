"""Meters that a mix needs beside loudness and true peak: blocks in, constant memory.

`SidesMeter` keeps the energy of each channel in steps of 10 ms, and for two channels their common
energy; level, balance, correlation, the softest half second, head and tail all come from it.
`MonoMeter` is a loudness meter on the sum of two sides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from vocheck.dsp.level import db
from vocheck.dsp.sections import Sections
from vocheck.measurements.loudness import TWO_SPEAKERS_LU, LoudnessMeter, LoudnessReading
from vocheck.mix.blocks import block_powers, gated

STEPS_PER_S = 100
FLOOR_STEPS = 50  # the softest half second
EDGE_DB = -25.0  # a frame softer than this below the loud ones lies outside the sound
_LOUD_PERCENTILE = 95.0
CANCELED_LU = -70.0  # opposite sides leave no more than this when they are added
_MONO_GATE_LU = -20.0  # places this far below the whole are not looked at for the worst loss
_SHORT_TERM_S = 3.0


@dataclass(frozen=True, eq=False)
class SidesReading:
    """Energies of the channels in steps of 10 ms.

    Attributes
    ----------
    energy : ndarray, shape (channels, steps)
        Mean square of each step; the last step may be shorter.
    common : ndarray, shape (steps,), or None
        Mean product of left and right; two channels only.
    """

    energy: npt.NDArray[np.float64]
    common: npt.NDArray[np.float64] | None

    @property
    def rms_dbfs(self) -> float:
        """RMS over all frames and channels."""
        return db(float(self.energy.mean())) if self.energy.size else -math.inf

    @property
    def levels_dbfs(self) -> tuple[float, ...]:
        """RMS of each channel."""
        return tuple(db(float(channel.mean())) for channel in self.energy)

    @property
    def correlation(self) -> float | None:
        """Normalized correlation of two sides at lag 0; ``None`` where one of them is silent."""
        if self.common is None:
            return None
        left, right = (float(channel.sum()) for channel in self.energy)
        if left <= 0.0 or right <= 0.0:
            return None
        return float(self.common.sum()) / math.sqrt(left * right)

    @property
    def floor_dbfs(self) -> float | None:
        """RMS of the softest half second; ``None`` for less than that."""
        power = self.energy.mean(axis=0)
        if len(power) < FLOOR_STEPS:
            return None
        windows = np.lib.stride_tricks.sliding_window_view(power, FLOOR_STEPS)
        return db(float(windows.sum(axis=1).min()) / FLOOR_STEPS)

    @property
    def edges_s(self) -> tuple[float, float] | None:
        """Seconds before the first and after the last frame of sound; ``None`` for silence."""
        power = self.energy.mean(axis=0)
        loud = float(np.percentile(power, _LOUD_PERCENTILE)) if power.size else 0.0
        if loud <= 0.0:
            return None
        sound = np.flatnonzero(power > loud * 10.0 ** (EDGE_DB / 10.0))
        return float(sound[0]) / STEPS_PER_S, float(len(power) - 1 - sound[-1]) / STEPS_PER_S


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
        self._energy: list[npt.NDArray[np.float64]] = []
        self._common: list[npt.NDArray[np.float64]] = []
        self._two = channels == 2
        self._rate = rate_hz

    def feed(self, block: npt.NDArray[np.floating]) -> None:
        """Take in the next frames (frames, channels), blocks of any length."""
        for section in self._sections.add(block):
            self._measure(section)

    def result(self) -> SidesReading:
        """Return the readings; nothing more may be fed."""
        self._measure(self._sections.rest())
        return SidesReading(
            np.concatenate(self._energy, axis=1),
            np.concatenate(self._common, axis=1)[0] if self._two else None,
        )

    def _measure(self, section: npt.NDArray[np.float32]) -> None:
        self._energy.append(self._steps(section, section))
        if self._two:
            self._common.append(self._steps(section[:1], section[1:]))

    def _steps(
        self, one: npt.NDArray[np.float32], other: npt.NDArray[np.float32]
    ) -> npt.NDArray[np.float64]:
        """Return the mean product of each channel of two sections in steps of 10 ms."""
        frames = one.shape[1]
        edges = self._edges[self._edges < frames]
        if not len(edges):
            return np.zeros((len(one), 0))
        if frames == self._rate and frames % STEPS_PER_S == 0:
            split = (len(one), STEPS_PER_S, -1)
            sums = np.einsum("cij,cij->ci", one.reshape(split), other.reshape(split))
        else:
            sums = np.add.reduceat(one * other, edges, axis=1)
        means: npt.NDArray[np.float64] = sums / np.diff(np.append(edges, frames)).astype(float)
        return means


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
