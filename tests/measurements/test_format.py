"""Word length, channel relations and completeness, against constructions whose truth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.material import speech
from vocheck.measurements import format as measured
from vocheck.recording import Recording

RATE = 48000


@pytest.fixture(scope="module")
def voice() -> np.ndarray:
    """Five seconds or so of speech over room noise, shape (frames,)."""
    return speech.take("en-us", speech.TEST_LINES[:2]).samples


def quantised(x: np.ndarray, bits: int) -> np.ndarray:
    step = 2.0 ** (1 - bits)
    return (np.rint(x / step) * step).astype(np.float32)


def noise_for(x: np.ndarray, db: float, seed: int) -> np.ndarray:
    """Return white noise `db` below the RMS of `x`."""
    rng = np.random.default_rng(seed)
    return np.sqrt(np.mean(x**2)) * 10 ** (db / 20) * rng.standard_normal(len(x))


def measure(*channels: np.ndarray) -> measured.Format:
    return measured.measure(Recording(np.column_stack(channels).astype(np.float32), RATE))


@pytest.mark.parametrize("bits", [8, 12, 16, 20, 24])
def test_word_length_is_that_of_the_quantiser(voice: np.ndarray, bits: int):
    """Rounding to N bits reads N (closed form)."""
    assert measured.used_bits(quantised(voice, bits)[:, np.newaxis]) == bits


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_word_length_of_double_precision_samples(voice: np.ndarray, bits: int):
    """A 32-bit file is read as float64, which carries its whole word (closed form)."""
    step = 2.0 ** (1 - bits)
    x = np.rint(voice.astype(np.float64) * 0.789 / step) * step
    assert measured.used_bits(x[:, np.newaxis]) == bits


@pytest.mark.parametrize("gain_db", [-20.0, -9.7, -3.1, 2.9])
def test_word_length_is_found_behind_a_gain(voice: np.ndarray, gain_db: float):
    """16 bits with a gain g move in steps of g 2**-15, so 16 - log2(g) to the nearest bit."""
    gain = 10 ** (gain_db / 20)
    x = quantised(gain * quantised(voice, 16), 24)
    assert measured.used_bits(x[:, np.newaxis]) == round(16 - np.log2(gain))


def test_dither_leaves_no_step_to_find(voice: np.ndarray):
    """With dither after the gain every one of the 24 bits is used."""
    rng = np.random.default_rng(3)
    dithered = 0.8 * quantised(voice, 16) + rng.triangular(-1, 0, 1, len(voice)) * 2**-15
    assert measured.used_bits(quantised(dithered, 24)[:, np.newaxis]) == 24


def test_bits_of_the_file_that_are_never_used(voice: np.ndarray):
    """A 16-bit recording in a 24-bit file leaves 8 unused."""
    x = quantised(voice, 16)
    source = replace(Recording(x, RATE).source, bits=24)
    assert measured.measure(Recording(x, RATE, source)).unused_bits == 8


def test_a_copy_is_dual_mono_at_any_gain(voice: np.ndarray):
    """One channel is the other, 7 dB lower."""
    result = measure(voice, 0.45 * voice)
    assert result.dual_mono
    assert not result.inverted
    assert result.channel_delay_s == 0.0


def test_two_microphones_are_not_dual_mono(voice: np.ndarray):
    """Noise of their own 20 dB below the voice makes two channels different (limit: 30 dB)."""
    result = measure(voice, voice + noise_for(voice, -20, 1))
    assert not result.dual_mono
    assert not result.inverted


def test_an_inverted_channel(voice: np.ndarray):
    """One channel is the other upside down, with noise of its own."""
    result = measure(voice, noise_for(voice, -40, 1) - voice)
    assert result.inverted
    assert not result.dual_mono


@pytest.mark.parametrize("frames", [1, 12, 240, -12, -240])
def test_a_delay_is_right_to_the_sample_and_has_its_sign(voice: np.ndarray, frames: int):
    """The second, softer channel is shifted by a known number of samples (closed form)."""
    shifted = 0.7 * np.roll(voice, frames)
    result = measure(voice + noise_for(voice, -40, 1), shifted + noise_for(shifted, -40, 2))
    assert result.channel_delay_s == frames / RATE
    assert result.channel_spread_s == abs(frames) / RATE


def test_an_inverted_channel_is_recognised_behind_a_delay(voice: np.ndarray):
    """The sign is taken at the lag where the channels match, not at zero."""
    result = measure(voice + noise_for(voice, -40, 1), -0.7 * np.roll(voice, 33))
    assert result.inverted
    assert result.channel_delay_s == 33 / RATE


def test_a_dead_channel_is_named_and_not_compared(voice: np.ndarray):
    """Noise 50 dB below the voice is a dead channel; a delay against it would be chance."""
    result = measure(noise_for(voice, -50, 1), voice)
    assert result.dead_channels == (1,)
    assert result.channel_delay_s is None
    assert not result.inverted


def test_unrelated_channels_have_no_delay(voice: np.ndarray):
    """Two different texts do not match at any lag."""
    other = speech.take("en-us", speech.TEST_LINES[2:5]).samples
    frames = min(len(voice), len(other))
    result = measure(voice[:frames], other[:frames])
    assert result.channel_delay_s is None
    assert "same sound" in result.not_measured["channel_delay_s"]


def test_a_quiet_effects_channel_is_not_dead(voice: np.ndarray):
    """A low-frequency effects channel carries no voice, and need not."""
    x = np.column_stack([voice, voice, voice, 0 * voice]).astype(np.float32)
    source = replace(Recording(x, RATE).source, layout=("FL", "FR", "FC", "LFE"))
    assert measured.measure(Recording(x, RATE, source)).dead_channels == ()


def test_missing_audio_is_passed_on(voice: np.ndarray):
    """What the reader found missing stands in the result."""
    source = replace(Recording(voice, RATE).source, missing_s=2.5)
    assert measured.measure(Recording(voice, RATE, source)).missing_s == 2.5
