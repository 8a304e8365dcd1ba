"""The traces of a denoiser: none depends on the gain, and treatment moves them as theory says."""

from __future__ import annotations

import numpy as np
import pytest

from tests.accuracy.processing import Gate, gated, subtraction
from tests.material import speech
from tests.material.takes import RATE, SPEECH_DBFS, in_room
from tests.training.denoising.traces import traces
from vocheck.recording import Recording


@pytest.fixture(scope="module")
def noisy() -> np.ndarray:
    """Return a synthetic voice in noise 32 dB below it."""
    lines = speech.TEST_LINES[:3]
    take = speech.take("en-us", lines, rate=RATE, level_dbfs=SPEECH_DBFS, room_db=-np.inf)
    return in_room(take, -32.0, np.random.default_rng(0))


def found(x: np.ndarray) -> dict[str, float]:
    traced = traces(Recording(np.asarray(x, np.float32), RATE))
    assert isinstance(traced, dict), traced
    return traced


@pytest.mark.parametrize("gain_db", [-18.0, 6.0])
def test_the_gain_plays_no_part(noisy, gain_db):
    """The same take, turned up and down."""
    plain, turned = found(noisy), found(noisy * 10 ** (gain_db / 20))
    assert turned == pytest.approx(plain, abs=0.05)


def test_noise_has_the_spread_that_theory_gives(noisy):
    """The logarithm of a chi-square of two degrees spreads by 5.57 dB; subtraction raises that.

    Taking out the means over time and frequency leaves a little less.
    """
    plain, treated = found(noisy), found(subtraction(noisy))
    for group in range(3):
        assert plain[f"texture_std_{group}"] == pytest.approx(5.57, abs=0.4)
        assert treated[f"texture_std_{group}"] > plain[f"texture_std_{group}"] + 1.0


def test_a_gate_parts_the_words_from_the_pauses(noisy):
    """It closes by 40 dB between the words: what lies under them stays."""
    behind = found(gated(noisy, Gate(SPEECH_DBFS - 18.0, 40.0)))
    assert behind["soft_over_pause"] > found(noisy)["soft_over_pause"] + 20.0


def test_what_cannot_be_traced_has_a_reason(noisy):
    """Too low a rate, and no speech."""
    assert "8000 Hz" in traces(Recording(noisy[::6].astype(np.float32), 8_000))
    assert traces(Recording(np.zeros(RATE, np.float32), RATE)) == "no speech was found"
