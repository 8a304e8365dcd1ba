"""What the loudness group says of a take; the standard's own tables are in tests/conformance."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vocheck.measurements import loudness
from vocheck.measurements.loudness import energies_of
from vocheck.recording import Recording, Source

RATE = 48000


def sine(dbfs: float, seconds: float, channels: int = 1) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    x = 10 ** (dbfs / 20) * np.sin(2 * np.pi * 1000 * t)
    return np.repeat(x[:, np.newaxis], channels, axis=1).astype(np.float32)


def test_one_channel_is_told_both_ways() -> None:
    """A mono take has its own loudness, and 3.01 LU more on two speakers."""
    found = loudness.measure(Recording(sine(-20.0, 5), RATE))
    # Closed form: a sine has 3.01 dB less than its peak. 1 kHz reads 0.007 LU more than 997 Hz.
    assert found.integrated_lufs == pytest.approx(-23.01, abs=0.01)
    assert found.two_speakers_lufs == pytest.approx(-20.0, abs=0.01)


def test_loudest_place_is_named() -> None:
    """The times of the maxima are the middles of the loudest 400 ms and 3 s."""
    x = np.vstack((sine(-40.0, 5), sine(-20.0, 0.4), sine(-40.0, 5)))
    found = loudness.measure(Recording(x, RATE))
    # The filter delays the burst by a millisecond or so.
    assert found.momentary_max_s == pytest.approx(5.2, abs=0.005)
    # Any 3 s that hold the whole burst are equally loud.
    assert found.short_term_max_s is not None
    assert 3.9 <= found.short_term_max_s <= 6.5
    assert found.momentary_max_lufs == pytest.approx(-23.01, abs=0.1)


def test_layout_of_the_file_decides_the_weights() -> None:
    """Six channels in the order of the file: the low-frequency effects stand where it says."""
    x = np.zeros((5 * RATE, 6), np.float32)
    x[:, 5] = sine(-20.0, 5)[:, 0]
    film = Source(
        rate_hz=RATE, channels=6, duration_s=5, layout=("FL", "FC", "FR", "BL", "BR", "LFE")
    )
    assert loudness.measure(Recording(x, RATE, film)).integrated_lufs == -math.inf
    # In the usual order the sixth is a surround: 10 log10 1.41 more than a front channel.
    usual = loudness.measure(Recording(x, RATE)).integrated_lufs
    assert usual == pytest.approx(-23.01 + 10 * math.log10(1.41), abs=0.01)


def test_every_missing_number_has_its_reason() -> None:
    """Whatever is None is explained, at every length and level."""
    for x in (sine(-20, 0.1), sine(-20, 1), sine(-20, 30), sine(-90, 30), 0 * sine(0, 5)):
        found = loudness.measure(Recording(x, RATE))
        for name, value in found.to_dict().items():
            assert (value is None) == (name in found.reasons())


def test_double_precision_reads_the_same() -> None:
    """Samples of 64 bits give what those of 32 bits give."""
    x = sine(-20.0, 5)
    single = loudness.measure(Recording(x, RATE))
    assert loudness.measure(Recording(x.astype(np.float64), RATE)) == single


def test_energies_are_shared() -> None:
    """The energies of 10 ms are those of the take, one per whole step."""
    energies = energies_of(Recording(sine(-20.0, 2.005), RATE))
    assert energies.mean_square.shape == (200,)
    # Closed form: half the square of the amplitude, and the 0.691 dB of K-weighting at 1 kHz.
    level = 10 * np.log10(energies.mean_square[10:]) - 0.691
    assert level == pytest.approx(np.full(190, -23.01), abs=0.01)
