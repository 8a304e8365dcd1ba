"""The recording and what it shares."""

from __future__ import annotations

import numpy as np
import pytest

from vocheck.errors import AudioError
from vocheck.recording import Recording


def test_one_dimension_is_one_channel():
    """A plain array of samples is a mono recording."""
    assert Recording(np.zeros(10, np.float32), 48_000).samples.shape == (10, 1)


def test_samples_are_a_read_only_view_of_the_callers_array():
    """Nothing is copied, and nothing can be written through the recording."""
    mine = np.zeros((10, 2), np.float32)
    recording = Recording(mine, 48_000)
    assert np.shares_memory(recording.samples, mine)
    with pytest.raises(ValueError, match="read-only"):
        recording.samples[0, 0] = 1.0
    mine[0, 0] = 1.0  # the caller's array stays the caller's


@pytest.mark.parametrize(
    ("samples", "rate", "message"),
    [
        (np.zeros((2, 2, 2), np.float32), 48_000, "must be .frames, channels."),
        (np.zeros(4, np.int16), 48_000, "must be float32 or float64, not int16"),
        (np.zeros(4, np.float32), 0, "rate must be positive, not 0"),
        (
            np.array([0.0, np.nan], np.float32),
            1_000,
            "1 of 2 frames are not numbers .first at 0.001 s",
        ),
        (np.array([np.inf, 0.0], np.float32), 1_000, "1 of 2 frames are not numbers"),
    ],
)
def test_what_is_no_recording_is_refused(samples: np.ndarray, rate: int, message: str):
    """The message names the offending value."""
    with pytest.raises(AudioError, match=message):
        Recording(samples, rate)


def test_the_voice_is_the_channel_with_the_most_energy():
    """A dead channel does not halve the voice."""
    x = np.zeros((100, 2), np.float32)
    x[:, 1] = 0.5
    assert np.array_equal(Recording(x, 48_000).voice, x[:, 1])


def test_intermediates_are_computed_once():
    """Every measurement sees the same spectrogram and the same low-rate copy."""
    recording = Recording(
        np.random.default_rng(0).standard_normal(48_000).astype(np.float32), 48_000
    )
    assert recording.spectrogram is recording.spectrogram
    assert recording.voice_at(4_000) is recording.voice_at(4_000)


def test_the_spectrogram_adds_up_to_the_mean_square():
    """Parseval: the bins of a frame sum to the power of the windowed signal (closed form)."""
    t = np.arange(48_000) / 48_000
    sine = np.sin(2 * np.pi * 997 * t).astype(np.float32)
    power = Recording(sine, 48_000).spectrogram.power[20:-20].sum(axis=1)
    # 0.01 dB: the window does not hold a whole number of periods
    assert 10 * np.log10(power) == pytest.approx(-3.0103, abs=0.01)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_a_frame_is_centred_on_its_time(rate: int):
    """A click at 0.5 s is loudest in the frame whose time is 0.5 s, at any rate."""
    x = np.zeros(rate, np.float32)
    x[rate // 2] = 1.0
    spectrogram = Recording(x, rate).spectrogram
    loudest = spectrogram.times_s[spectrogram.power.sum(axis=1).argmax()]
    assert loudest == pytest.approx(0.5, abs=spectrogram.hop_s / 2)
