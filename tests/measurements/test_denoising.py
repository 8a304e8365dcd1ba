"""Denoised takes, made here by a textbook method, against the same takes untouched."""

from __future__ import annotations

import numpy as np
import pytest

from tests.accuracy.processing import Gate, gated, subtraction
from tests.material import speech
from tests.material.takes import RATE, SPEECH_DBFS, in_room
from vocheck.dsp.weighting import power_gain
from vocheck.measurements import denoising
from vocheck.recording import Recording

LINES = speech.TEST_LINES[:3]


@pytest.fixture(scope="module")
def noisy() -> np.ndarray:
    """Return a synthetic voice in a noisy room; neither the voice nor the lines were trained on."""
    take = speech.take("en-us", LINES, rate=RATE, level_dbfs=SPEECH_DBFS, room_db=-np.inf)
    return in_room(take, -32.0, np.random.default_rng(0))


def measured(x: np.ndarray, rate: int = RATE) -> denoising.Denoising:
    return denoising.measure(Recording(np.asarray(x, np.float32), rate))


def test_an_untouched_take_is_not_called_denoised(noisy):
    """Noise 32 dB below the voice, as recorded."""
    found = measured(noisy)
    assert found.score is not None
    assert found.score < 0.5


def test_spectral_subtraction_is_told(noisy):
    """Boll (1979), with the musical noise that it is known for."""
    found = measured(subtraction(noisy))
    assert found.score is not None
    assert found.score > 0.8


def test_a_gate_is_told(noisy):
    """A gate that closes by 40 dB between the words."""
    found = measured(gated(noisy, Gate(SPEECH_DBFS - 18.0, 40.0)))
    assert found.score is not None
    assert found.score > 0.8


@pytest.mark.parametrize("gain_db", [-18.0, 6.0])
def test_the_gain_plays_no_part(noisy, gain_db):
    """The same take, turned up and down."""
    plain, turned = measured(noisy), measured(noisy * 10 ** (gain_db / 20))
    assert turned.score == pytest.approx(plain.score, abs=0.02)
    assert turned.pauses_re_speech_dba == pytest.approx(plain.pauses_re_speech_dba, abs=0.01)


def test_the_level_of_the_pauses():
    """White noise of known level: A-weighting takes 2.5 dB off it at 48 kHz (IEC 61672-1)."""
    take = speech.take("en-us", LINES, rate=RATE, level_dbfs=SPEECH_DBFS, room_db=-np.inf)
    rng = np.random.default_rng(3)
    x = take.samples + 10 ** ((SPEECH_DBFS - 40.0) / 20) * rng.standard_normal(len(take.samples))
    hz = np.linspace(1.0, RATE / 2, 4000)
    weighted_db = 10 * np.log10(power_gain("A", hz).mean())
    # 1.5 dB: the median of frames of 21 ms lies a little below their mean.
    assert measured(x).pauses_re_speech_dba == pytest.approx(-40.0 + weighted_db, abs=1.5)


def test_what_cannot_be_told_has_a_reason(noisy):
    """Too low a rate, no speech, no pause."""
    low = measured(noisy[::6], 8_000)
    assert low.score is None
    assert "8000 Hz" in low.reasons()["score"]
    silent = measured(np.zeros(RATE))
    assert silent.reasons()["score"] == "no speech was found"
