"""The recording and what it shares."""

from __future__ import annotations

import gc
import pickle
import time
import weakref
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from vocheck.errors import AudioError
from vocheck.measurements import measure
from vocheck.recording import Recording, once
from vocheck.voice.channel import spectrogram_of, voice_at


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


def spoken() -> np.ndarray:
    """Five seconds that rise and fall like speech (made of noise; seeded)."""
    rng = np.random.default_rng(3)
    gate = np.repeat(rng.uniform(0.02, 1.0, 25), 9_600)
    return (0.15 * gate * rng.standard_normal(len(gate))).astype(np.float32)


def test_a_clean_safety_track_is_used_where_the_loud_one_clips():
    """20 dB lower, beside a track that was cut flat: nothing is lost."""
    x = spoken()
    loud = np.clip(4.0 * x, -0.9, 0.9)
    recording = Recording(np.column_stack((loud, 0.4 * x)), 48_000)
    assert recording.channel == 1
    assert np.array_equal(recording.judged.samples[:, 0], recording.samples[:, 1])
    result = measure(recording)
    assert result.clipping.samples == 0
    assert result.format.used_channel == 2
    assert result.true_peak.level_dbtp < -10.0


def test_where_both_clip_or_the_other_hears_something_else_the_loudest_stays():
    """No channel is better: the clipping is told."""
    x = spoken()
    loud = np.clip(4.0 * x, -0.9, 0.9)
    noise = 0.1 * np.random.default_rng(4).standard_normal(len(x)).astype(np.float32)
    for other in (0.3 * loud, noise, np.zeros_like(x)):
        recording = Recording(np.column_stack((other, loud)), 48_000)
        assert recording.channel == 1
        assert measure(recording).clipping.samples > 0


def test_two_microphones_are_not_summed():
    """One late and 6 dB softer: the loudness is that of the louder one alone (BS.1770-5 adds)."""
    x = spoken()
    late = np.concatenate((np.zeros(300, np.float32), 0.5 * x[:-300]))
    both = measure(Recording(np.column_stack((x, late)), 48_000))
    alone = measure(Recording(x, 48_000))
    assert both.loudness == alone.loudness
    assert (both.format.separate, alone.format.separate) == (True, False)


@pytest.mark.parametrize("gain", [1.0, -1.0, 0.95])
def test_copies_of_one_sound_stay_together(gain: float):
    """A mono voice in a stereo file measures as that file plays, either way up."""
    x = spoken()
    recording = Recording(np.column_stack((x, np.float32(gain) * x)), 48_000)
    assert recording.judged is recording


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
    assert spectrogram_of(recording) is spectrogram_of(recording)
    assert voice_at(recording, 4_000) is voice_at(recording, 4_000)


def test_threads_wait_for_one_result():
    """Eight threads ask at once, the function runs once, and all get the same object."""
    runs: list[int] = []

    @once
    def slow(recording: Recording, size: int) -> np.ndarray:
        runs.append(size)
        time.sleep(0.05)
        return np.zeros((size, len(recording.samples)))

    recording = Recording(np.zeros(10, np.float32), 48_000)
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda _: slow(recording, 3), range(8)))
    assert runs == [3]
    assert all(one is found[0] for one in found)
    assert slow(recording, 4).shape == (4, 10)  # another argument, another result
    assert runs == [3, 4]


def test_what_was_computed_goes_with_the_recording():
    """Nothing holds a result after its recording is gone."""
    recording = Recording(np.zeros(4_800, np.float32), 48_000)
    spectrogram = weakref.ref(spectrogram_of(recording))
    assert spectrogram() is not None
    del recording
    gc.collect()
    assert spectrogram() is None


def test_a_failed_computation_is_tried_again():
    """An error is not kept."""
    outcomes = iter([ValueError("no"), None])

    @once
    def fails_first(recording: Recording) -> int:
        if (error := next(outcomes)) is not None:
            raise error
        return len(recording.samples)

    recording = Recording(np.zeros(10, np.float32), 48_000)
    with pytest.raises(ValueError, match="no"):
        fails_first(recording)
    assert fails_first(recording) == 10


def test_a_recording_is_pickled_without_what_was_computed():
    """A process pool sends the samples alone."""
    recording = Recording(np.ones((4_800, 2), np.float32), 48_000)
    before = len(pickle.dumps(recording))
    spectrogram_of(recording)
    assert len(pickle.dumps(recording)) == before
    again = pickle.loads(pickle.dumps(recording))
    assert np.array_equal(again.samples, recording.samples)
    assert (again.rate, again.source) == (recording.rate, recording.source)


def test_the_spectrogram_adds_up_to_the_mean_square():
    """Parseval: the bins of a frame sum to the power of the windowed signal (closed form)."""
    t = np.arange(48_000) / 48_000
    sine = np.sin(2 * np.pi * 997 * t).astype(np.float32)
    power = spectrogram_of(Recording(sine, 48_000)).power[20:-20].sum(axis=1)
    # 0.01 dB: the window does not hold a whole number of periods
    assert 10 * np.log10(power) == pytest.approx(-3.0103, abs=0.01)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_a_frame_is_centred_on_its_time(rate: int):
    """A click at 0.5 s is loudest in the frame whose time is 0.5 s, at any rate."""
    x = np.zeros(rate, np.float32)
    x[rate // 2] = 1.0
    spectrogram = spectrogram_of(Recording(x, rate))
    loudest = spectrogram.times_s[spectrogram.power.sum(axis=1).argmax()]
    assert loudest == pytest.approx(0.5, abs=spectrogram.hop_s / 2)
