"""Third-octave spectrum and bandwidth, against closed forms and known sources."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
import soxr

from tests.material import outside, packages, speech
from vocheck.measurements import tone
from vocheck.recording import Recording

RATE = 48000


def bursts(x: np.ndarray) -> np.ndarray:
    """Return `x` in phrases of 1 s with silence between, over faint noise, as speech has it."""
    t = np.arange(len(x)) / RATE
    faint = 1e-5 * np.random.default_rng(0).standard_normal(len(x))
    return (x * (t % 1.5 < 1.0) + faint).astype(np.float32)


def spoken(name_rate: int = RATE) -> np.ndarray:
    """Return full-band test speech: a synthetic voice with hiss up to 24 kHz in its phrases."""
    x = speech.take("en-us", speech.TEST_LINES[:2]).samples
    hiss = np.random.default_rng(1).standard_normal(len(x)) * np.abs(x) * 0.1
    return soxr.resample((x + hiss).astype(np.float32), RATE, name_rate)


def test_a_sine_lies_in_its_band():
    """1 kHz: all but the leakage of the window is in the band of 1 kHz (closed form: 0 dB)."""
    x = bursts(0.3 * np.sin(2 * np.pi * 1000 * np.arange(6 * RATE) / RATE))
    ltas = tone.measure(Recording(x, RATE)).ltas
    assert ltas is not None
    levels = {band.centre_hz: band.level_db for band in ltas}
    # 0.1 dB: the edges of the bursts spread a little of the sine
    assert levels[1000.0] == pytest.approx(0.0, abs=0.1)
    assert max(level for hz, level in levels.items() if hz != 1000.0) < -20.0


def test_white_noise_rises_a_third_of_an_octave_at_a_time():
    """The power of white noise in a band is its width: 1 dB per band number (closed form)."""
    x = bursts(0.05 * np.random.default_rng(2).standard_normal(30 * RATE))
    ltas = tone.measure(Recording(x, RATE)).ltas
    assert ltas is not None
    levels = np.array([band.level_db for band in ltas])
    number = np.arange(len(levels))
    expected = number - 10 * np.log10(np.sum(10 ** (number / 10)))
    # 20 s of noise: 1.5 dB below 200 Hz, where a band holds some hundred independent values
    # (standard deviation 0.4 dB and leakage of the window), 0.5 dB above
    assert np.abs(levels - expected)[:5] == pytest.approx(0.0, abs=1.5)
    assert np.abs(levels - expected)[5:] == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize("rate", [44100, 96000])
def test_the_spectrum_does_not_depend_on_the_rate(rate: int):
    """The same sound at another rate has the same spectrum (0.1 dB: windows of whole samples)."""
    before = tone.measure(Recording(spoken(), RATE)).ltas
    after = tone.measure(Recording(spoken(rate), rate)).ltas
    assert before is not None
    assert after is not None
    for a, b in zip(before[:-2], after, strict=False):  # the top bands meet 22.05 kHz
        assert b.level_db == pytest.approx(a.level_db, abs=0.1)


@pytest.mark.parametrize("source_hz", [8000, 11025, 16000, 22050, 32000])
def test_the_bandwidth_of_a_resampled_source(source_hz: int):
    """A source at a lower rate ends at half of it, less the converter's transition band (8 %)."""
    x = soxr.resample(soxr.resample(spoken(), RATE, source_hz), source_hz, RATE)
    x += np.random.default_rng(3).triangular(-1, 0, 1, len(x)).astype(np.float32) / 32768
    result = tone.measure(Recording(x, RATE))
    assert result.bandwidth_hz == pytest.approx(source_hz / 2, rel=0.08)
    assert result.bandwidth_drop_db is not None
    assert result.bandwidth_drop_db > 20.0


def test_a_full_band_voice_has_no_edge():
    """Speech with hiss up to half the rate ends there."""
    assert tone.measure(Recording(spoken(), RATE)).bandwidth_hz == RATE / 2


def test_a_click_does_not_hide_the_edge():
    """One wrong sample fills the whole spectrum, but only for a moment."""
    x = soxr.resample(soxr.resample(spoken(), RATE, 16000), 16000, RATE)
    x[len(x) // 2] += 0.5
    assert tone.measure(Recording(x, RATE)).bandwidth_hz == pytest.approx(8000, rel=0.08)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("word", "lossy"), [("Front_Center", "front-center"), ("Rear_Left", "rear-left")]
)
def test_a_lossy_copy_ends_where_the_original_does_not(word: str, lossy: str):
    """The same words, lossless in alsa-utils and as Vorbis in sound-theme-freedesktop."""
    original = outside.fetch(packages.ALSA) / f"usr/share/sounds/alsa/{word}.wav"
    theme = outside.fetch(packages.THEME) / "usr/share/sounds/freedesktop/stereo"
    copy = theme / f"audio-channel-{lossy}.oga"
    assert tone.measure(Recording(*soundfile.read(original))).bandwidth_hz == 24000.0
    result = tone.measure(Recording(*soundfile.read(copy)))
    assert result.bandwidth_hz is not None
    assert 16000 < result.bandwidth_hz < 20500  # where Vorbis of middle quality cuts
