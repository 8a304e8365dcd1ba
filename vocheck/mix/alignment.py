"""Whether a stem is of this mix, starts with it, and stands in it as loud as it is given.

Mix and stems are thinned to 4 kHz, as the mean of all channels. A stem that is in the mix has a
sharp peak in its cross-correlation with it, wherever the bed lies (both spectra flattened: Knapp
and Carter, IEEE Trans. ASSP 24(4), 1976, from memory). Where the peak is, tells how late the stem
starts; least squares of the mix on its stems there tell how loud each stands in it. Of long mixes
the first 15 min are compared.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_db, db
from vocheck.dsp.sections import Sections

THIN_HZ = 4000
"""Rate at which stems and mix are compared: what a voice and a bed are told apart by lies below."""
KEPT_S = 900.0
"""How much of each is compared: a lag and a gain are the same all along."""
WINDOW_S = 120.0
"""The loudest stretch of a stem that is looked for in the mix."""
MOST_LAG_S = 60.0
"""How late a stem is looked for: a leader and a countdown are shorter."""
_PEAK = 15.0
"""A peak that many times the RMS of the cross-correlation is no chance: of the half million lags
that are looked at, chance gives up to 5 (normal distribution). On the demo session, other takes
from the same room reach up to 10, the take that is in the mix 170."""
_AT_ZERO = 0.7  # a correlation nearly as high at no lag is no lag: tones repeat themselves
_FLATTEN = 1e-3  # of the mean of the cross-spectrum: lower lines are not raised to the others
_SAME = 0.95  # a mix that is so like its stem holds little else there: nothing needs to be searched
_ALIKE = 0.5  # tones have no peak: they are in the mix where it is this much like them, 1 for equal

Floats = npt.NDArray[np.float32]


class ThinMeter:
    """Thins a stream to `THIN_HZ`, the mean of its channels, and keeps its first 15 min.

    Parameters
    ----------
    rate_hz, channels : int
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._sections = Sections(channels, rate_hz)
        self._edges = np.arange(THIN_HZ) * rate_hz // THIN_HZ
        self._kept: list[Floats] = []

    def feed(self, block: npt.NDArray[np.floating]) -> None:
        """Take in the next frames (frames, channels), blocks of any length."""
        for section in self._sections.add(block):
            self._thin(section)

    def result(self) -> Floats:
        """Return what was kept, shape (samples,); nothing more may be fed."""
        self._thin(self._sections.rest())
        return np.concatenate(self._kept) if self._kept else np.zeros(0, np.float32)

    def _thin(self, section: npt.NDArray[np.float32]) -> None:
        frames = section.shape[1]
        if not frames or len(self._kept) >= KEPT_S:
            return
        edges = np.unique(self._edges[self._edges < frames])
        counts = np.diff(np.append(edges, frames))
        sums = np.add.reduceat(section.mean(axis=0), edges)
        self._kept.append((sums / counts).astype(np.float32))


@dataclass(frozen=True)
class Fit:
    """How a stem stands in the mix.

    Attributes
    ----------
    lag_s : float
        How much later it starts than in the mix; negative where it starts earlier.
    gain_db : float
        How much louder it is than in the mix.
    """

    lag_s: float
    gain_db: float


def fit_stems(mix: Floats, stems: Mapping[str, Floats]) -> dict[str, Fit | None]:
    """Return how each stem stands in the mix; ``None`` for one that is not in it.

    A silent stem is left out.

    Parameters
    ----------
    mix : ndarray of float32, shape (samples,)
        As `ThinMeter` gives it.
    stems : mapping of str to ndarray of float32, shape (samples,)
    """
    heard = {name: stem for name, stem in stems.items() if stem.any()}
    if not mix.any():
        return dict.fromkeys(heard)
    lags = {name: _lag(mix, stem) for name, stem in heard.items()}
    found = {name: lag for name, lag in lags.items() if lag is not None}
    placed = [_shifted(heard[name], -lag, len(mix)) for name, lag in found.items()]
    gains: list[float] = []
    if placed:
        products = [[float(np.vdot(one, other)) for other in placed] for one in placed]
        with_mix = [float(np.vdot(one, mix)) for one in placed]
        gains = np.linalg.lstsq(np.array(products), np.array(with_mix), rcond=1e-6)[0].tolist()
    fits: dict[str, Fit | None] = dict.fromkeys(heard)
    for (name, lag), gain in zip(found.items(), gains, strict=True):
        fits[name] = Fit(lag / THIN_HZ, -amplitude_db(abs(gain))) if gain else None
    return fits


def null_db(mix: Floats, stems: Mapping[str, Floats]) -> float | None:
    """Return what is left of the mix when its stems are taken away as given, against the mix.

    ``-inf`` where nothing is left, ``None`` for a silent mix.
    """
    power = float(np.vdot(mix, mix))
    if not power:
        return None
    rest = mix - np.sum([_shifted(stem, 0, len(mix)) for stem in stems.values()], axis=0)
    return db(float(np.vdot(rest, rest)) / power)


def _shifted(samples: Floats, later: int, length: int) -> Floats:
    """Return samples that start later (or earlier, if negative), cut or filled to a length."""
    placed = np.zeros(length, np.float32)
    source, start = (samples, later) if later >= 0 else (samples[-later:], 0)
    part = source[: max(0, length - start)]
    placed[start : start + len(part)] = part
    return placed


def _lag(mix: Floats, stem: Floats) -> int | None:
    """Return by how many samples a stem is later than in the mix; ``None`` if it is not in it."""
    from scipy import fft

    alike = _alike(mix, stem)
    if alike > _SAME:
        return 0
    reach = round(MOST_LAG_S * THIN_HZ)
    start = _loudest(stem, round(WINDOW_S * THIN_HZ))
    part = stem[start : start + round(WINDOW_S * THIN_HZ)]
    around = _shifted(mix, reach - start, len(part) + 2 * reach)
    size = fft.next_fast_len(len(around) + len(part), real=True)
    cross = fft.rfft(around, size) * np.conj(fft.rfft(part, size))
    strength = np.abs(cross)
    correlation = fft.irfft(cross / (strength + _FLATTEN * strength.mean() + 1e-30), size)
    correlation = np.abs(correlation[: 2 * reach + 1])
    best, here = int(np.argmax(correlation)), float(correlation[reach - 1 : reach + 2].max())
    peak = float(correlation[best])
    # Where the two hardly overlap there is nothing to correlate, and chance is less.
    first = max(0, reach - start)
    last = min(len(around), reach - start + len(mix))
    lags = np.arange(len(correlation))
    overlap = np.minimum(lags + len(part), last) - np.maximum(lags, first)
    chance = correlation[overlap >= overlap.max() / 2]
    if peak < _PEAK * float(np.sqrt(np.mean(np.square(chance)))):
        return 0 if alike > _ALIKE else None
    return 0 if here >= _AT_ZERO * peak else reach - best


def _alike(mix: Floats, stem: Floats) -> float:
    """Return how like a stem the mix is where the stem sounds, without lag: 0 to 1."""
    heard = np.where(stem, _shifted(mix, 0, len(stem)), np.float32(0.0))
    both = float(np.vdot(heard, heard)) * float(np.vdot(stem, stem))
    return abs(float(np.vdot(heard, stem))) / both**0.5 if both > 0.0 else 0.0


def _loudest(samples: Floats, length: int) -> int:
    """Return where the stretch of most energy starts, to a second."""
    seconds = np.add.reduceat(np.square(samples), np.arange(0, len(samples), THIN_HZ))
    count = min(len(seconds), length // THIN_HZ)
    sums = np.convolve(seconds, np.ones(count, np.float32), mode="valid")
    return int(np.argmax(sums)) * THIN_HZ
