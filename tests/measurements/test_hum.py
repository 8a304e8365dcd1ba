"""Hum and whine, on tones of known frequency and level."""

from __future__ import annotations

import numpy as np
import pytest

from tests.measurements.test_noise import band_noise, words
from vocheck.measurements import hum
from vocheck.recording import Recording

RATE = 48_000


def tone(hz: float, level_dbfs: float, seconds: float = 6.0, rate: int = RATE) -> np.ndarray:
    t = np.arange(round(seconds * rate)) / rate
    return np.sqrt(2.0) * 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * t + 0.7)


def take(*added: np.ndarray, noise_dbfs: float = -75.0, rate: int = RATE) -> Recording:
    x = words(rate=rate) + 10 ** (noise_dbfs / 20) * band_noise(6.0, 20, 20_000, rate)
    return Recording((x + sum(added)).astype(np.float32), rate)


@pytest.mark.parametrize("mains", [50, 60])
@pytest.mark.parametrize("deviation_hz", [-0.4, -0.05, 0.0, 0.2])
def test_a_family_of_multiples_is_hum_of_the_right_mains(mains, deviation_hz):
    """Fundamental and three multiples, each -70 dBFS, a little off the nominal frequency."""
    multiples = [tone(n * (mains + deviation_hz), -70.0) for n in (1, 2, 3, 4)]
    found = hum.measure(take(*multiples))
    assert found.mains_hz == mains
    # Four equal powers add up to +6.02 dB (closed form); 0.7 dB for the noise under the teeth.
    assert found.level_dbfs == pytest.approx(-70.0 + 6.02, abs=0.7)
    assert found.tones == ()


@pytest.mark.parametrize(("hz", "mains"), [(300.0, None), (100.0, 50), (120.0, 60)])
def test_one_strong_multiple_is_enough_unless_both_families_have_it(hz, mains):
    """100 Hz can only be 50 Hz mains; 300 Hz alone is a multiple of both and says nothing."""
    found = hum.measure(take(tone(hz, -55.0)))
    assert found.mains_hz == mains
    assert [round(t.frequency_hz) for t in found.tones] == ([] if mains else [hz])


@pytest.mark.parametrize("hz", [437.0, 1000.0, 7777.0, 15_734.0])
@pytest.mark.parametrize("level", [-60.0, -75.0])
def test_a_steady_tone_is_found_at_its_frequency_and_level(hz, level):
    """A tone outside the mains families is listed with its frequency and level."""
    found = hum.measure(take(tone(hz, level)))
    assert len(found.tones) == 1
    # A tenth of a bin of 5.9 Hz; 0.5 dB for the noise within the window's main lobe.
    assert found.tones[0].frequency_hz == pytest.approx(hz, abs=0.6)
    assert found.tones[0].level_dbfs == pytest.approx(level, abs=0.5)


def test_a_voice_is_no_hum():
    """A monotone voice at 120 Hz, twice the American mains, stops in the pauses and is none."""
    t = np.arange(6 * RATE) / RATE
    voice = words() * 0 + 0.05 * sum(np.sin(2 * np.pi * 120 * k * t) / k for k in range(1, 20))
    speaking = ((t - 1.0) % 1.6 < 0.8) & (t >= 1.0) & (t < 5.2)
    swell = 0.1 + 0.9 * np.sin(2 * np.pi * 2.5 * t) ** 2
    x = voice * speaking * swell + 1e-4 * band_noise(6.0, 20, 20_000)
    found = hum.measure(Recording(x.astype(np.float32), RATE))
    assert found.mains_hz is None
    assert found.tones == ()
    assert found.not_measured["mains_hz"] == "no hum was found"


def test_white_noise_has_neither_hum_nor_tones():
    """Forty different noises of 4 s: not one false alarm."""
    for seed in range(40):
        x = 1e-3 * band_noise(4.0, 20, 20_000, seed=seed)
        found = hum.measure(Recording(x.astype(np.float32), RATE))
        assert (found.mains_hz, found.tones) == (None, ()), seed


def test_without_pauses_it_says_so():
    """No pause, no statement about hum."""
    x = words(3.0, head_s=0.0)[: round(0.75 * RATE)] + tone(50.0, -40.0, 0.75)
    found = hum.measure(Recording(x.astype(np.float32), RATE))
    assert found.mains_hz is None
    assert "of usable pause" in found.not_measured["mains_hz"]


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_the_rate_does_not_matter(rate):
    """Hum and whine at another rate: the same within 0.7 dB."""
    added = [tone(n * 50.1, -68.0, rate=rate) for n in (1, 2, 3)] + [tone(9000.0, -65.0, rate=rate)]
    found = hum.measure(take(*added, rate=rate))
    assert found.mains_hz == 50
    assert found.level_dbfs == pytest.approx(-68.0 + 4.77, abs=0.7)
    assert found.tones[0].level_dbfs == pytest.approx(-65.0, abs=0.5)
