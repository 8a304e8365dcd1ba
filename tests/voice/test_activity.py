"""Speech activity on speech with known sounds, and on what is no speech."""

from __future__ import annotations

import numpy as np
import pytest

from tests.material import speech as voices
from vocheck.recording import Recording
from vocheck.voice.activity import FRAME_S, activity_of

RATE = 48_000


def spoken_frames(take: voices.Speech, frames: int) -> np.ndarray:
    times = (np.arange(frames) + 0.5) * FRAME_S
    spoken = np.zeros(frames, bool)
    for phone in take.phones:
        if phone.label not in voices.SILENT:
            spoken[np.searchsorted(times, phone.start_s) : np.searchsorted(times, phone.end_s)] = 1
    return spoken


@pytest.mark.parametrize("voice", ["slt", "en-us", "en-gb-x-rp+f3"])
@pytest.mark.parametrize("room_db", [-60.0, -30.0])
def test_it_agrees_with_the_synthesiser(voice, room_db):
    """Frames of 10 ms: nearly all speech is found, and little else but the pads."""
    take = voices.take(voice, voices.TEST_LINES[:2], room_db=room_db)
    active = activity_of(Recording(take.samples, take.rate)).speech
    spoken = spoken_frames(take, len(active))
    # Recall 0.95: soft last sounds. Precision 0.85: pads of 90 ms around each phrase, and gaps of
    # less than 150 ms that count as speech.
    assert (active & spoken).sum() > 0.95 * spoken.sum()
    assert (active & spoken).sum() > 0.85 * active.sum()


def test_padding_with_digital_silence_changes_nothing():
    """Zeros around a take with room noise leave its phrases where they were."""
    take = voices.take("en-us", voices.TEST_LINES[:2], room_db=-45.0)
    pad = np.zeros(3 * RATE, np.float32)
    plain = activity_of(Recording(take.samples, RATE))
    padded = activity_of(Recording(np.concatenate((pad, take.samples, pad)), RATE))
    shifted = [(a - 3.0, b - 3.0) for a, b in padded.phrases]
    # 20 ms: two frames, where the window of the spectrogram reaches over the edge.
    np.testing.assert_allclose(shifted, plain.phrases, atol=0.021)


@pytest.mark.parametrize("level", [1e-4, 0.1])
def test_noise_alone_is_no_speech(level):
    """Stationary noise, soft or loud, has no phrases and is one long usable pause."""
    noise = level * np.random.default_rng(6).standard_normal(5 * RATE)
    found = activity_of(Recording(noise.astype(np.float32), RATE))
    assert found.phrases == ()
    assert found.usable_pauses == ((0.0, 5.0),)


def test_usable_pauses_keep_off_the_words():
    """100 ms after a phrase and 50 ms before one are left out; the ends of the take are not."""
    take = voices.take("en-us", voices.TEST_LINES[:2])
    found = activity_of(Recording(take.samples, RATE))
    for (start, end), (first, last) in zip(found.pauses, found.usable_pauses, strict=True):
        assert first == pytest.approx(start if start == 0.0 else start + 0.1)
        assert last == pytest.approx(end if end == take.duration_s else end - 0.05)
