"""Breath blasts of known place and strength, in speech with known phones."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.accuracy.plosives import inject, pair
from tests.material import speech
from tests.material.planted import noise_burst, ringing_spike
from vocheck.measurements import plosives
from vocheck.recording import Recording
from vocheck.voice.activity import activity_of

LINES = speech.TEST_LINES[:4]


def measure(voice: speech.Speech) -> plosives.Plosives:
    return plosives.measure(Recording(voice.samples, voice.rate))


@pytest.fixture(scope="module")
def voice() -> speech.Speech:
    """Return a synthetic voice with known phone times, at a low rate."""
    return speech.take("en-us", LINES, rate=16000)


def test_clean_speech_has_none(voice):
    """A voice without air blasts: no event, and energy of minus infinity with its reason."""
    found = measure(voice)
    assert found.events == ()
    assert found.per_minute == 0.0
    assert found.energy_db == -math.inf
    assert found.reasons()["energy_db"] == "no plosive found"


@pytest.mark.parametrize("shape", [noise_burst, ringing_spike])
@pytest.mark.parametrize("level", [-6.0, 0.0, 6.0])
def test_blasts_are_found_at_their_time_and_level(voice, shape, level):
    """Blasts at every second p and b: each is found, and nothing else."""
    popped, times = inject(voice, speech.releases(voice)[::2], level, shape)
    found = measure(popped)
    assert found.events is not None
    right, wrong = pair(found.events, times)
    assert len(right) == len(times)
    assert wrong == []
    assert found.per_minute == pytest.approx(len(times) * 60 / voice.duration_s)
    # 1.5 dB on the mean: the part of a blast above the talker's pitch is not in the reading, and
    # blasts louder than the voice raise the speech level itself.
    assert np.mean([e.level_re_speech_db for e in right]) == pytest.approx(level, abs=1.5)


def test_energy_grows_with_the_blasts(voice):
    """The same blasts 6 dB louder: the energy re speech grows by 6 dB (closed form)."""
    times = speech.releases(voice)[::2]
    soft, loud = (
        measure(inject(voice, times, level, noise_burst)[0]).energy_db for level in (-6.0, 0.0)
    )
    assert soft is not None
    assert loud is not None
    # 1 dB: the louder blasts raise the energy of the speech that they are compared with.
    assert loud - soft == pytest.approx(6.0, abs=1.0)


def test_a_thump_in_a_pause_is_no_plosive(voice):
    """The same blasts in the middle of pauses are listed as thumps."""
    pauses = activity_of(Recording(voice.samples, voice.rate)).pauses
    middles = tuple((start + end) / 2 for start, end in pauses if end - start > 0.6)
    knocked, times = inject(voice, middles, 0.0, noise_burst)
    found = measure(knocked)
    assert found.events == ()
    assert found.thumps is not None
    assert len(pair(found.thumps, times)[0]) == len(times) > 0


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_another_rate_changes_nothing(voice, rate):
    """Resampled takes read the same: the band lies far below every converter's edge."""
    popped, _ = inject(voice, speech.releases(voice)[::2], 0.0, noise_burst)
    here, there = measure(popped).events, measure(popped.at(rate)).events
    assert here is not None
    assert there is not None
    assert len(here) == len(there)
    for a, b in zip(here, there, strict=True):
        assert a.time_s == pytest.approx(b.time_s, abs=0.005)  # one hop
        # 0.1 dB: the speech level, the reference, follows the width of the band a little.
        assert a.level_re_speech_db == pytest.approx(b.level_re_speech_db, abs=0.1)


def test_another_level_changes_nothing(voice):
    """A take 20 dB lower reads the same: every number is relative."""
    popped, _ = inject(voice, speech.releases(voice)[::2], 0.0, noise_burst)
    low = measure(replace(popped, samples=popped.samples * np.float32(0.1)))
    high = measure(popped)
    assert low.events is not None
    assert high.events is not None
    assert [e.time_s for e in low.events] == [e.time_s for e in high.events]
    assert low.energy_db == pytest.approx(high.energy_db, abs=0.01)  # rounding of float32


def test_silence_and_short_files_say_why():
    """Nothing is measured in silence or in less than a second."""
    silent = plosives.measure(Recording(np.zeros(48000, np.float32), 48000))
    assert silent.events is None
    assert silent.not_measured["events"] == "silence"
    short = plosives.measure(Recording(np.full(4800, 0.1, np.float32), 48000))
    assert short.not_measured["per_minute"] == "shorter than 1 s"
