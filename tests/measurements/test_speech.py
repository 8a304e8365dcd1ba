"""Speech: handles, pauses, syllables and pitch, on speech whose sounds are known."""

from __future__ import annotations

import numpy as np
import pytest

from tests.material import speech as voices
from tests.measurements.test_noise import band_noise, words
from vocheck.measurements import speech
from vocheck.recording import Recording

RATE = 48_000


def noisy(x: np.ndarray, level_dbfs: float = -75.0) -> np.ndarray:
    noise = band_noise(len(x) / RATE, 20, 20_000)[: len(x)]
    return (x + 10 ** (level_dbfs / 20) * noise).astype(np.float32)


def test_head_tail_and_pauses_of_constructed_words():
    """Words of 0.8 s with 0.8 s between them, after 1 s, at known places."""
    found = speech.measure(Recording(noisy(words(6.0)), RATE))
    # 60 ms: the pads of 30 and 60 ms, and the slopes of the words.
    assert found.head_s == pytest.approx(1.0, abs=0.06)
    assert len(found.phrases) == 3
    for i, pause in enumerate(found.pauses):
        assert pause.start_s == pytest.approx(1.8 + 1.6 * i, abs=0.1)
        assert pause.end_s == pytest.approx(2.6 + 1.6 * i, abs=0.1)
    assert found.tail_s == pytest.approx(6.0 - found.phrases[-1].end_s, abs=0.001)
    assert (found.starts_cut, found.ends_cut) == (False, False)


@pytest.mark.parametrize("voice", ["slt", "en-gb-x-rp+f3"])
def test_a_take_that_starts_or_ends_within_a_word_is_told(voice):
    """The same sentence whole, and cut in the middle of its first and of its last vowel."""
    take = voices.take(voice, voices.TEST_LINES[:1], level_dbfs=-20.0)
    vowels = take.of(voices.VOWELS)
    first, last = (round((v.start_s + v.end_s) / 2 * RATE) for v in (vowels[0], vowels[-1]))
    whole = speech.measure(Recording(take.samples, RATE))
    late = speech.measure(Recording(take.samples[first:], RATE))
    early = speech.measure(Recording(take.samples[:last], RATE))
    assert (whole.starts_cut, whole.ends_cut) == (False, False)
    assert (late.starts_cut, late.ends_cut) == (True, False)
    assert (early.starts_cut, early.ends_cut) == (False, True)


@pytest.mark.parametrize("voice", ["slt", "en-us"])
def test_syllables_and_pauses_of_synthetic_speech(voice):
    """Three lines: the synthesiser's vowels are the syllables, its gaps the pauses."""
    take = voices.take(voice, voices.TEST_LINES[:3])
    found = speech.measure(Recording(take.samples, RATE))
    true = len(take.of(voices.VOWELS))
    # 15 %: the mean error by take that the method's authors and the accuracy page report.
    assert found.syllables == pytest.approx(true, rel=0.15)
    assert sum(p.end_s - p.start_s > 0.4 for p in found.pauses) >= 2
    spoken = found.activity * take.duration_s
    assert found.syllables_per_s == pytest.approx(found.syllables / spoken, rel=0.02)


def test_pitch_of_a_known_tone():
    """The buzz of the words is at 140 Hz throughout: that is the median, and there is no range."""
    found = speech.measure(Recording(noisy(words(6.0)), RATE))
    assert found.pitch_median_hz == pytest.approx(140.0, rel=0.005)
    assert found.pitch_range_st < 0.2


@pytest.mark.parametrize("samples", [np.zeros(2 * RATE), 1e-3 * band_noise(3.0, 20, 20_000)])
def test_without_speech_there_is_nothing_to_report(samples):
    """Silence and room tone have no phrases; what hangs on them gives its reason."""
    found = speech.measure(Recording(samples.astype(np.float32), RATE))
    assert found.phrases == ()
    assert found.head_s is None
    assert found.syllables_per_s is None
    assert found.pitch_median_hz is None
    assert found.not_measured["head_s"] == "no speech was found"


@pytest.mark.parametrize("change", ["44.1 kHz", "96 kHz", "-20 dB"])
def test_rate_and_gain_do_not_matter(change):
    """The same take at another rate or level: phrases within 20 ms, the rest within 3 %."""
    import soxr

    take = voices.take("en-us", voices.TEST_LINES[:2])
    rate, x = RATE, take.samples
    if change == "-20 dB":
        x = x * np.float32(0.1)
    else:
        rate = round(float(change.split()[0]) * 1000)
        x = soxr.resample(x, RATE, rate, "VHQ")
    here = speech.measure(Recording(take.samples, RATE))
    there = speech.measure(Recording(x, rate))
    assert len(here.phrases) == len(there.phrases)
    for a, b in zip(here.phrases, there.phrases, strict=True):
        assert (b.start_s, b.end_s) == pytest.approx((a.start_s, a.end_s), abs=0.021)
    assert there.pitch_median_hz == pytest.approx(here.pitch_median_hz, rel=0.01)
    assert there.syllables == pytest.approx(here.syllables, rel=0.03, abs=1)
