"""Noise floor, weighted floors, rumble and steadiness, on noise of known level."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vocheck.dsp.weighting import power_gain
from vocheck.measurements import noise
from vocheck.recording import Recording

RATE = 48_000


def words(seconds: float = 6.0, rate: int = RATE, head_s: float = 1.0) -> np.ndarray:
    """Return buzzes with syllables, -20 dBFS, and 0.8 s of silence between and around them."""
    t = np.arange(round(seconds * rate)) / rate
    buzz = sum(np.sin(2 * np.pi * 140 * k * t + k * k) / k for k in range(1, 25))
    word = ((t - head_s) % 1.6 < 0.8) & (t >= head_s) & (t < seconds - 0.8)
    shape = np.convolve(word, np.hanning(round(0.03 * rate)), mode="same")
    syllables = 0.1 + 0.9 * np.sin(2 * np.pi * 2.5 * t) ** 2
    return (0.13 * buzz * syllables * shape / shape.max()).astype(np.float32)


def band_noise(seconds: float, low_hz: float, high_hz: float, rate: int = RATE, seed: int = 0):
    """Return noise of RMS 1 that is flat between two frequencies and nothing elsewhere."""
    count = round(seconds * rate)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(count))
    hz = np.fft.rfftfreq(count, 1 / rate)
    x = np.fft.irfft(spectrum * ((hz >= low_hz) & (hz <= high_hz)), count)
    return x / np.sqrt(np.mean(x**2))


def weighted_db(weighting: str, low_hz: float, high_hz: float) -> float:
    """Return the level change of flat noise in a band under a weighting, from its integral."""
    hz = np.linspace(low_hz, high_hz, 200_001)
    return 10 * math.log10(float(power_gain(weighting, hz).mean()))


@pytest.mark.parametrize("level", [-30.0, -45.0, -60.0, -75.0])
def test_white_noise_reads_its_level(level):
    """Flat noise of known RMS up to 20 kHz: unweighted, A and 468 (closed form)."""
    x = words() + 10 ** (level / 20) * band_noise(6.0, 20, 20_000)
    found = noise.measure(Recording(x.astype(np.float32), RATE))
    # 0.15 dB: three standard deviations of the power of white noise over two seconds of pause.
    assert found.floor_dbfs == pytest.approx(level, abs=0.15)
    assert found.floor_a_dbfs == pytest.approx(level + weighted_db("A", 20, 20_000), abs=0.2)
    assert found.floor_468_dbfs == pytest.approx(level + weighted_db("468", 20, 20_000), abs=0.2)


def test_a_breath_and_a_click_do_not_raise_the_floor():
    """A third of the pauses disturbed by 10 to 20 dB: the rest gives the floor."""
    x = words() + 1e-3 * band_noise(6.0, 20, 20_000)
    breath = slice(round(0.2 * RATE), round(0.55 * RATE))
    x[breath] += 5e-3 * band_noise(0.35, 500, 5_000, seed=1)
    x[round(0.7 * RATE)] += 0.3
    found = noise.measure(Recording(x.astype(np.float32), RATE))
    # 0.5 dB: edges of the breath that stay below the trimming threshold.
    assert found.floor_dbfs == pytest.approx(-60.0, abs=0.5)


def test_dc_and_ultrasound_are_no_noise():
    """A DC offset and a tone at 30 kHz leave the floor as it is."""
    rate = 96_000
    clean = words(rate=rate) + 1e-3 * band_noise(6.0, 20, 20_000, rate)
    t = np.arange(len(clean)) / rate
    dirty = clean + 0.01 + 0.01 * np.sin(2 * np.pi * 30_000 * t)
    before, after = (noise.measure(Recording(x.astype(np.float32), rate)) for x in (clean, dirty))
    # 0.05 dB: single-precision samples, and the window's slopes around 0 Hz.
    assert after.floor_dbfs == pytest.approx(before.floor_dbfs, abs=0.05)
    assert after.rumble_dbfs == pytest.approx(before.rumble_dbfs, abs=0.5)


@pytest.mark.parametrize("pause_s", [0.0, 0.2])
def test_too_little_pause_gives_no_number(pause_s):
    """Words without usable pause never pass for quiet: no number, and the reason has the bound."""
    x = words(3.0, head_s=0.0)[: round(0.8 * RATE)]
    gap = np.zeros(round(pause_s * RATE), np.float32)
    x = np.concatenate((x, gap, x, gap, x))
    x = x + (1e-3 * band_noise(len(x) / RATE, 20, 20_000)).astype(np.float32)
    found = noise.measure(Recording(x, RATE))
    assert found.floor_dbfs is None
    assert found.floor_a_dbfs is None
    assert found.snr_db is None
    assert "of usable pause" in found.not_measured["floor_dbfs"]
    assert found.pause_s < 0.3  # what docs/measurements/noise.md asks for


def test_digital_silence_is_told_from_a_quiet_room():
    """A take whose pauses are zeros has a floor of silence and no signal-to-noise ratio."""
    found = noise.measure(Recording(words(), RATE))
    assert found.floor_dbfs == -math.inf
    assert found.snr_db is None
    assert found.not_measured["snr_db"] == "the pauses are digital silence"


def test_padding_does_not_hide_the_room():
    """Zeros before and after the take are not counted as pause."""
    x = words() + 1e-3 * band_noise(6.0, 20, 20_000)
    padded = np.concatenate((np.zeros(2 * RATE), x, np.zeros(2 * RATE))).astype(np.float32)
    found = noise.measure(Recording(padded, RATE))
    assert found.floor_dbfs == pytest.approx(-60.0, abs=0.3)


def test_room_tone_alone_is_measured():
    """A recording without speech is one long pause: it has a floor and no signal-to-noise ratio."""
    x = 1e-3 * band_noise(5.0, 20, 20_000)
    found = noise.measure(Recording(x.astype(np.float32), RATE))
    assert found.floor_dbfs == pytest.approx(-60.0, abs=0.1)
    assert found.pause_s == pytest.approx(5.0, abs=0.02)
    assert found.not_measured["snr_db"] == "no speech was found"


@pytest.mark.parametrize("level", [-40.0, -60.0])
def test_rumble_reads_its_level(level):
    """Noise from 15 to 50 Hz is rumble; noise from 200 Hz on is none."""
    low = 10 ** (level / 20) * band_noise(6.0, 15, 50)
    hiss = 1e-3 * band_noise(6.0, 200, 20_000, seed=1)
    rumbling = noise.measure(Recording((words() + low + hiss).astype(np.float32), RATE))
    quiet = noise.measure(Recording((words() + hiss).astype(np.float32), RATE))
    # 2 dB: a band of 35 Hz over two seconds of pause has some 70 independent samples (std 0.7 dB),
    # less those of frames that were trimmed.
    assert rumbling.rumble_dbfs == pytest.approx(level, abs=2.0)
    assert quiet.rumble_dbfs < -80.0


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_hum_is_no_rumble(mains):
    """The fundamental of the mains lies in the band of rumble, and is not counted as such."""
    x = words() + 1e-4 * band_noise(6.0, 20, 20_000)
    t = np.arange(len(x)) / RATE
    humming = x + 3e-3 * np.sin(2 * np.pi * mains * t)  # -53.5 dBFS
    found = noise.measure(Recording(humming.astype(np.float32), RATE))
    # 20 dB below the hum: the side lobes of the window.
    assert found.rumble_dbfs < -73.5


def test_steady_noise_spreads_little_and_changing_noise_much():
    """White noise spreads by less than 3 dB; with half a second of rustle by more than 8."""
    x = words() + 1e-3 * band_noise(6.0, 20, 20_000)
    steady = noise.measure(Recording(x.astype(np.float32), RATE))
    assert steady.spread_db < 3.0
    x[round(0.2 * RATE) : round(0.7 * RATE)] += 4e-3 * band_noise(0.5, 300, 2_500, seed=1)
    moving = noise.measure(Recording(x.astype(np.float32), RATE))
    assert moving.spread_db > 8.0


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_the_rate_does_not_matter(rate):
    """The same take at another rate reads the same within 0.3 dB (the pauses move by a frame)."""
    import soxr

    x = (words() + 1e-3 * band_noise(6.0, 20, 19_000)).astype(np.float32)
    here = noise.measure(Recording(x, RATE))
    there = noise.measure(Recording(soxr.resample(x, RATE, rate, "VHQ"), rate))
    for field in ("floor_dbfs", "floor_a_dbfs", "floor_468_dbfs", "snr_db"):
        assert getattr(there, field) == pytest.approx(getattr(here, field), abs=0.3), field
