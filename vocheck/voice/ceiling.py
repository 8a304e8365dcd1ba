"""Do the peaks of a voice end at a ceiling? A clipper or a limiter leaves one, a codec blurs it.

Method: the peaks of a voice thin out upwards: few half waves come near the highest one. A ceiling
crowds them there. How far the peaks lie below the highest that are reached at given rates (so
often in a second of speech), in both polarities together and in each, and how flat the highest and
the lower half waves are, are weighed by three linear discriminants: whether there is a ceiling at
all; if there is, whether it was cut or limited; and which share of the samples stood above it. None
of them depends on the gain or the polarity. The coefficients are fitted by
``tests.training.clipping``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_levels_db, amplitude_ratio
from vocheck.dsp.regression import standardized

COEFFICIENTS = "ceiling.npz"
MIN_SPEECH_S = 2.0  # the fit knows takes of 3 s and more, pauses included; our choice
_RATES = (0.15, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0)  # per second
_CROWD_RATE = 4  # place in `_RATES` at which the more crowded polarity is told
_LOWEST = 0.2  # of the highest peak: lower half waves are not counted
_REFERENCE = 1  # place in `_RATES`: the highest peak itself may be a chance
_TOP, _LOWER = 0.9, (0.35, 0.8)  # half waves whose shapes are set side by side
_LEVELS = (0.98, 0.95, 0.9, 0.7)  # of the peak of a half wave
_FEWEST = 3  # half waves that make a shape

Values = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]


@dataclass(frozen=True)
class Ceiling:
    """What is told of the peaks.

    Attributes
    ----------
    score : float
        Natural logarithm of the odds that there is a ceiling, if half of all takes had one.
    cut_score : float
        The same that it was cut and not limited, if there is one.
    fraction : float
        Estimated share of the samples that stood above it, if there is one.
    """

    score: float
    cut_score: float
    fraction: float


@dataclass(frozen=True, eq=False)
class HalfWaves:
    """Stretches of a signal between changes of its sign.

    Attributes
    ----------
    starts, ends : ndarray of int, shape (half waves,)
        First sample, and the first after the last.
    tops : ndarray, shape (half waves,)
        Highest absolute value.
    positive : ndarray of bool, shape (half waves,)
    """

    starts: Places
    ends: Places
    tops: Values
    positive: npt.NDArray[np.bool_]

    def of(self, keep: npt.NDArray[np.bool_]) -> HalfWaves:
        """Return some of them."""
        return HalfWaves(self.starts[keep], self.ends[keep], self.tops[keep], self.positive[keep])

    def durations(self, x: npt.NDArray[np.float32], levels: tuple[float, ...]) -> Values:
        """Return how many samples of each exceed each level, shape (levels, half waves).

        Parameters
        ----------
        x : ndarray of float32, shape (frames,)
            The signal.
        levels : tuple of float
            Relative to the half wave's own top.
        """
        lengths = self.ends - self.starts
        if not len(lengths):
            return np.zeros((len(levels), 0))
        offsets = np.cumsum(lengths) - lengths
        inside = np.arange(int(lengths.sum())) + np.repeat(self.starts - offsets, lengths)
        relative = np.abs(x[inside]) / np.repeat(self.tops, lengths)
        counts = [np.add.reduceat((relative > level).astype(np.intp), offsets) for level in levels]
        return np.asarray(counts, np.float64)


def half_waves(x: npt.NDArray[np.float32]) -> HalfWaves:
    """Return the half waves of a signal of one channel, shape (frames,)."""
    if not len(x):
        empty = np.zeros(0, np.intp)
        return HalfWaves(empty, empty, np.zeros(0), np.zeros(0, bool))
    positive = x > 0
    starts = np.concatenate(([0], np.flatnonzero(positive[1:] != positive[:-1]) + 1))
    tops = np.maximum.reduceat(np.abs(x), starts).astype(np.float64)
    return HalfWaves(starts, np.append(starts[1:], len(x)), tops, positive[starts])


def find_ceiling(x: npt.NDArray[np.float32], waves: HalfWaves, speech_s: float) -> Ceiling | str:
    """Tell whether the peaks of `x` end at a ceiling; where that cannot be told, the reason."""
    found = inputs(x, waves, speech_s)
    if isinstance(found, str):
        return found
    weights = _coefficients()
    scores = standardized(found, weights["mean"], weights["spread"]) @ weights["out"]
    score, cut, log_share = (scores + weights["out_at"]).tolist()
    return Ceiling(score, cut, float(10.0 ** min(log_share, 0.0)))


def inputs(x: npt.NDArray[np.float32], waves: HalfWaves, speech_s: float) -> Values | str:
    """Return what the discriminants look at, shape (inputs,), or why there is nothing to look at.

    Parameters
    ----------
    x : ndarray of float32, shape (frames,)
        The channel with the voice.
    waves : HalfWaves
        Of `x`.
    speech_s : float
        How long somebody speaks.
    """
    if speech_s < MIN_SPEECH_S:
        return f"{speech_s:.1f} s of speech; {MIN_SPEECH_S:.1f} s are needed"
    high = waves.of(waves.tops > _LOWEST * waves.tops.max(initial=0.0))
    if not (high.positive.any() and (~high.positive).any()):
        return "the wave hardly changes its sign"
    both, *single = (
        _depths_db(tops, speech_s)
        for tops in (high.tops, high.tops[high.positive], high.tops[~high.positive])
    )
    crowded, other = sorted(single, key=lambda depths: float(depths[_CROWD_RATE]))
    reference = float(high.tops.max()) * amplitude_ratio(-float(both[_REFERENCE]))
    shapes = [
        _shape(x, high.of((high.tops > low * reference) & (high.tops <= top * reference)))
        for low, top in ((_TOP, np.inf), _LOWER)
    ]
    return np.concatenate((both, crowded, other, *shapes))


def _depths_db(tops: Values, speech_s: float) -> Values:
    """Return how far below the highest peak those lie that are reached at each of `_RATES`.

    Peaks lower than `_LOWEST` count as that.
    """
    falling = np.sort(tops)[::-1]
    floor = _LOWEST * falling[0]
    # The n-th highest peak stands in the middle of the n-th of so many equal parts of the time.
    places = np.asarray(_RATES) * speech_s - 0.5
    reached = np.interp(places, np.arange(len(falling) + 1), np.append(falling, floor))
    depths: Values = amplitude_levels_db(falling[0] / np.maximum(reached, floor))
    return depths


def _shape(x: npt.NDArray[np.float32], waves: HalfWaves) -> Values:
    """Return how long half waves stay near their tops, and how long above 70 % of the whole.

    NaN where there are too few.
    """
    if len(waves.tops) < _FEWEST:
        return np.full(len(_LEVELS), np.nan)
    above = waves.durations(x, _LEVELS).sum(axis=1)
    whole = float((waves.ends - waves.starts).sum())
    return np.append(above[:-1] / above[-1], above[-1] / whole)


@cache
def _coefficients() -> Mapping[str, Values]:
    with resources.files(__package__).joinpath(COEFFICIENTS).open("rb") as file:
        return dict(np.load(file))
