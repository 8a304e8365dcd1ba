"""Peaks that end at a ceiling: seen the same at any gain, and found where a low cut blurs them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from tests.material import speech
from tests.material.planted import clip
from vocheck.policy.limits import load_limits
from vocheck.voice.ceiling import MIN_SPEECH_S, find_ceiling, half_waves, inputs

RATE = 48_000
SPEECH_S = 8.0
LEAST = load_limits()["ceiling"].thresholds[0].value


@pytest.fixture(scope="module")
def voice() -> np.ndarray:
    """Return a synthetic voice that nothing was fitted on."""
    x = speech.take("en-us", speech.TEST_LINES[:3]).samples
    return (0.5 * x / np.abs(x).max()).astype(np.float32)


def blurred(x: np.ndarray) -> np.ndarray:
    """Return what a low cut at 60 Hz leaves: no top is flat any more."""
    return sosfilt(butter(1, 60, "high", fs=RATE, output="sos"), x).astype(np.float32)


def told(x: np.ndarray):
    found = find_ceiling(x, half_waves(x), SPEECH_S)
    assert not isinstance(found, str), found
    return found


@pytest.mark.quick
def test_gain_and_polarity_play_no_part(voice):
    """The same numbers 20 dB lower and upside down."""
    plain = inputs(voice, half_waves(voice), SPEECH_S)
    for changed in (0.1 * voice, -voice):
        x = changed.astype(np.float32)
        # 1e-3 dB: rounding of float32. Zeros count as negative: upside down, as positive.
        assert inputs(x, half_waves(x), SPEECH_S) == pytest.approx(plain, abs=5e-3)


def test_half_waves_lie_between_the_changes_of_sign():
    """Closed form: ten periods of a sine have twenty half waves of amplitude 0.8."""
    x = (0.8 * np.sin(2 * np.pi * 100 * (np.arange(RATE // 10) + 0.5) / RATE)).astype(np.float32)
    waves = half_waves(x)
    assert len(waves.tops) == 20
    assert waves.tops == pytest.approx(0.8, abs=1e-4)
    assert waves.ends - waves.starts == pytest.approx(RATE / 200, abs=1)
    # A sine exceeds the share s of its top for 1 - 2 asin(s) / pi of a half wave.
    (above,) = waves.durations(x, (0.9,))
    assert above / (RATE / 200) == pytest.approx(1 - 2 * np.arcsin(0.9) / np.pi, abs=0.01)


def test_a_ceiling_is_found_behind_a_low_cut(voice):
    """Clean below the limit, 1 and 3 % clipped above it; the share to a factor of three."""
    assert told(blurred(voice)).score < LEAST
    for share in (1e-2, 3e-2):
        found = told(blurred(clip(voice, share)[0].astype(np.float32)))
        assert found.score > LEAST
        assert 1 / 3 < found.fraction / share < 3


def test_what_cannot_be_told_has_a_reason(voice):
    """Too little speech, silence, and a wave that never changes its sign."""
    waves = half_waves(voice)
    assert "needed" in find_ceiling(voice, waves, MIN_SPEECH_S / 2)
    for x in (np.zeros(0, np.float32), np.zeros(RATE, np.float32), np.ones(RATE, np.float32)):
        assert isinstance(find_ceiling(x, half_waves(x), SPEECH_S), str)
