"""What the true-peak group says of a take; the standard's own tables are in tests/conformance."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vocheck.measurements import true_peak
from vocheck.recording import Recording

RATE = 48000


def bump(frames: int = 4000) -> np.ndarray:
    """Return a tone of a quarter of the rate whose samples miss its peak by 3.01 dB."""
    x = np.sin(np.pi / 2 * np.arange(frames) + np.pi / 4) * np.hanning(frames)
    return x.astype(np.float32)


@pytest.mark.parametrize("gain_db", [-60.0, -6.0, 0.0, 12.0])
def test_gain_law(gain_db: float) -> None:
    """A gain moves every level by itself, over full scale too."""
    found = true_peak.measure(Recording(bump() * np.float32(10 ** (gain_db / 20)), RATE))
    # The promise is 0.005 dB.
    assert found.level_dbtp == pytest.approx(gain_db, abs=0.005)
    assert found.sample_peak_dbfs == pytest.approx(gain_db - 3.0103, abs=0.001)


def test_inverted_is_the_same() -> None:
    """A negative peak counts like a positive one."""
    one, other = (true_peak.measure(Recording(sign * bump(), RATE)) for sign in (1, -1))
    assert one == other


@pytest.mark.parametrize("rate", [8000, 11025, 44100, 96000, 192000])
def test_the_place_is_found(rate: int) -> None:
    """The time is that of the peak, at any rate and far from the start."""
    x = np.zeros((400_000, 2), np.float32)
    x[300_000:304_000, 1] = bump()
    found = true_peak.measure(Recording(x, rate))
    # The envelope is flat at its top: the peak lies on one of the two swings around it.
    assert found.time_s == pytest.approx(302_000 / rate, abs=2 / rate)
    assert found.channels_dbtp[0] == -math.inf
    assert found.channels_dbtp[1] == found.level_dbtp


def test_no_samples() -> None:
    """A recording without samples has no peak, and says so."""
    found = true_peak.measure(Recording(np.zeros((0, 2), np.float32), RATE))
    assert found.level_dbtp is None
    assert found.not_measured["level_dbtp"] == "no samples"


def test_silence() -> None:
    """Silence has a level of minus infinity and no place."""
    found = true_peak.measure(Recording(np.zeros((1000, 2), np.float32), RATE))
    assert found.level_dbtp == -math.inf
    assert found.time_s is None
    assert found.reasons()["time_s"] == "silence"


def test_samples_are_not_above_the_curve() -> None:
    """The true peak is never below the sample peak."""
    rng = np.random.default_rng(0)
    for _ in range(20):
        x = rng.standard_normal(int(rng.integers(1, 3000)))
        found = true_peak.measure(Recording(x, RATE))
        assert found.level_dbtp is not None
        assert found.level_dbtp >= found.sample_peak_dbfs
