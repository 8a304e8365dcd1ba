"""Breaths, put into the pauses of synthesised speech, which has none of its own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from tests.material import speech
from vocheck.measurements import breaths
from vocheck.recording import Recording
from vocheck.voice.activity import activity_of
from vocheck.voice.level import active_level_of

RATE = 48000


@pytest.fixture(scope="module")
def voice() -> speech.Speech:
    return speech.take("en-us", speech.TEST_LINES[:5], room_db=-65.0)


def breath(seconds: float, rng: np.random.Generator) -> np.ndarray:
    """Return noise of 700 Hz to 3.5 kHz that swells and fades, RMS 1."""
    band = butter(2, (700, 3500), "bandpass", fs=RATE, output="sos")
    x = sosfilt(band, rng.standard_normal(round(seconds * RATE)))
    x *= np.sin(np.pi * np.linspace(0, 1, len(x))) ** 0.6
    return x / np.sqrt(np.mean(x**2))


def test_a_synthesiser_does_not_breathe(voice: speech.Speech):
    """Nothing is found where there is none."""
    assert breaths.measure(Recording(voice.samples, RATE)).events == ()


@pytest.mark.parametrize("level_db", [-40.0, -30.0, -20.0])
def test_breaths_before_phrases(voice: speech.Speech, level_db: float):
    """Four of five or more are found, at the level they were put in with.

    Recall: our floor for synthetic breaths. Level within 2 dB: the soft ends of the breath fall out
    of it (up to 1 dB more), the room's noise adds to a weak one.
    """
    rng = np.random.default_rng(4)
    x = voice.samples.copy()
    recording = Recording(voice.samples, RATE)
    active = active_level_of(recording).dbfs
    true = []
    for _, end_s in activity_of(recording).pauses[:-1]:
        seconds = rng.uniform(0.25, 0.45)
        sound = breath(seconds, rng) * 10 ** ((active + level_db) / 20)
        start = round((end_s - 0.06) * RATE) - len(sound)
        if start > 0:
            x[start : start + len(sound)] += sound.astype(np.float32)
            true.append((start / RATE, start / RATE + seconds))
    found = breaths.measure(Recording(x, RATE)).events
    assert found is not None
    hits = [e for a, b in true for e in found if min(e.end_s, b) - max(e.start_s, a) > (b - a) / 2]
    assert len(hits) >= 0.8 * len(true)
    assert np.mean([e.level_re_speech_db for e in hits]) == pytest.approx(level_db, abs=2.0)


def test_without_speech_there_is_nothing_to_compare_with():
    """Silence has no breaths, and says why."""
    result = breaths.measure(Recording(np.zeros(RATE, np.float32), RATE))
    assert result.events is None
    assert "speech" in result.not_measured["events"]
