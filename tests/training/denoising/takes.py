"""Takes with noise, as they are and treated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, sosfilt

from tests.material.treatments import Maker
from tests.training import takes
from tests.training.takes import SPEECH_DBFS, Reader, Samples
from vocheck.voice.level import active_level

RATES = (16_000, 44_100, 48_000)
_RATE_SHARES = (0.3, 0.2, 0.5)
_SECONDS = (4.0, 9.0)
_CODEC_SHARE = 0.2
_EDGES_S = (0.12, 0.06)  # of the gaps: the words' ends


@dataclass(frozen=True, eq=False)
class Take:
    """One take.

    Attributes
    ----------
    samples : ndarray of float32, shape (frames,)
    rate : int
    lowered_db : float
        By how much the treatment lowered the gaps against the speech; 0 without one.
    """

    samples: Samples
    rate: int
    lowered_db: float


def take(reader: Reader, treatment: Maker | None, seed: int) -> Take:
    """Return a take in noise, treated where there is a treatment."""
    rng = np.random.default_rng(seed)
    reading = takes.read(reader, rng, _SECONDS)
    rate = int(rng.choice(RATES, p=_RATE_SHARES))
    x = takes.resampled(reading.samples, reading.rate, rate)
    if rng.random() < 0.35:
        x = takes.in_small_room(x, rate, rng)
    if treatment is not None or rng.random() < 0.5:
        snr_db = rng.uniform(15, 48)
    else:
        snr_db = rng.uniform(45, 78)
    if treatment is not None or rng.random() >= 0.15:
        gain = np.float32(10.0 ** ((SPEECH_DBFS - snr_db) / 20.0))
        x = x + takes.noise(len(x), rate, rng) * gain
    lowered_db = 0.0
    if treatment is not None:
        before = _gap_level(x, rate, reading.gaps_s)
        x = treatment(rng)(x, rate)
        lowered_db = before - _gap_level(x, rate, reading.gaps_s)
    return Take(takes.finished(x, rate, rng, _CODEC_SHARE), rate, lowered_db)


def _gap_level(x: Samples, rate: int, gaps_s: tuple[tuple[float, float], ...]) -> float:
    """Return the level of the gaps above 300 Hz, relative to the speech."""
    after, before = _EDGES_S
    parts = [x[int((a + after) * rate) : int((b - before) * rate)] for a, b in gaps_s]
    heard = sosfilt(butter(2, 300, "high", fs=rate, output="sos"), np.concatenate(parts))
    return 20.0 * np.log10(takes.rms(heard) + 1e-12) - active_level(x, rate).dbfs
