"""Pitch against closed forms and against Praat."""

from __future__ import annotations

import numpy as np
import parselmouth
import pytest

from tests.material import speech
from vocheck.recording import Recording
from vocheck.voice.pitch import PITCH_RATE_HZ, pitch_of, track_pitch


def harmonic(hz: np.ndarray, rate: int) -> np.ndarray:
    """Return a tone of up to eight harmonics whose fundamental follows `hz`, one per sample."""
    phase = 2 * np.pi * np.cumsum(hz) / rate
    count = min(8, int(0.45 * rate / hz.max()))
    return (0.1 * sum(np.sin(k * phase + k) / k for k in range(1, count + 1))).astype(np.float32)


@pytest.mark.parametrize("hz", [70.0, 98.3, 150.0, 233.1, 320.0, 450.0])
def test_a_steady_tone_has_its_frequency(hz):
    """The pitch of a harmonic tone is its fundamental, without octave errors (closed form)."""
    x = harmonic(np.full(4 * PITCH_RATE_HZ, hz), PITCH_RATE_HZ)
    found = track_pitch(x, PITCH_RATE_HZ).hz
    # 0.3 %: a twentieth of a semitone, what is left of interpolating between samples of 4 kHz.
    np.testing.assert_allclose(found, hz, rtol=3e-3)


def test_a_glide_is_followed():
    """One octave in two seconds, up: each frame reads the frequency at its center."""
    t = np.arange(2 * PITCH_RATE_HZ) / PITCH_RATE_HZ
    track = track_pitch(harmonic(110.0 * 2 ** (t / 2), PITCH_RATE_HZ), PITCH_RATE_HZ)
    # 1 %: the pitch moves by 1.7 % within one window of 50 ms.
    np.testing.assert_allclose(track.hz, 110.0 * 2 ** (track.times_s / 2), rtol=0.01)


def test_noise_and_silence_have_no_pitch():
    """White noise is unvoiced nearly throughout, silence wholly."""
    noise = np.random.default_rng(3).standard_normal(5 * PITCH_RATE_HZ).astype(np.float32)
    # 5 %: chance peaks of the autocorrelation pass the voicing threshold now and then.
    assert (track_pitch(noise, PITCH_RATE_HZ).hz > 0).mean() < 0.05
    assert not track_pitch(np.zeros(PITCH_RATE_HZ, np.float32), PITCH_RATE_HZ).hz.any()


def test_two_words_far_apart_do_not_influence_each_other():
    """The path is the same whether a run of voicing is tracked alone or beside another."""
    first = harmonic(np.full(PITCH_RATE_HZ, 120.0), PITCH_RATE_HZ)
    second = harmonic(np.full(PITCH_RATE_HZ, 210.0), PITCH_RATE_HZ)
    gap = np.zeros(PITCH_RATE_HZ, np.float32)
    both = track_pitch(np.concatenate((first, gap, second)), PITCH_RATE_HZ)
    steady = both.hz[both.hz > 0]
    assert set(np.round(np.unique(np.round(steady, -1)))) == {120.0, 210.0}


def test_it_agrees_with_praat():
    """Median within half a semitone, few gross errors: Praat as an independent implementation."""
    taken = [speech.synthesise(speech.TEST_LINES[i], voice)
             for i, voice in enumerate(("slt", "kal", "en-gb-x-rp+f3"))]  # fmt: skip
    for one in taken:
        ours = pitch_of(Recording(one.samples, one.rate))
        praat = parselmouth.Sound(one.samples.astype(float), one.rate).to_pitch_ac(
            time_step=0.01, pitch_floor=60.0, pitch_ceiling=500.0
        )
        theirs = praat.selected_array["frequency"]
        nearest = np.abs(ours.times_s[:, np.newaxis] - praat.xs()).argmin(axis=0)
        hz = ours.hz[nearest]
        both = (hz > 0) & (theirs > 0)
        semitones = 12 * np.abs(np.log2(hz[both] / theirs[both]))
        # Two trackers differ at the edges of voicing; common gross error rates are 1 to 2 %.
        assert (semitones > 2).mean() < 0.02, one.name
        assert ((hz > 0) != (theirs > 0)).mean() < 0.10, one.name
        medians = np.median(ours.voiced_hz), np.median(theirs[theirs > 0])
        assert abs(12 * np.log2(medians[0] / medians[1])) < 0.5, one.name
