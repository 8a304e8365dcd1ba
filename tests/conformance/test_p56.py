"""Active speech level against the text of ITU-T P.56 (12/2011), Method B."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vocheck.voice.level import active_level

RATE = 48_000


def bursts(on_s: float, period_s: float, count: int, amplitude: float = 0.1) -> np.ndarray:
    t = np.arange(round(period_s * count * RATE)) / RATE
    tone = amplitude * np.sin(2 * np.pi * 500 * t)
    return (tone * (t % period_s < on_s)).astype(np.float32)


def level_of_bursts(on_s: float, period_s: float, amplitude: float = 0.1) -> float:
    """Return what P.56 gives for long tone bursts: closed form.

    The envelope of a burst that began t ago is p (1 - (1 + t/T) exp(-t/T)), and t after its end
    p (1 + t/T) exp(-t/T), with p the mean of the rectified tone and T = 30 ms. A threshold c * p is
    passed r after the start and f after the end, so the time above it, hangover included, is
    on - r + f + 0.2 s. The level A for that time must stand 15.9 dB above c * p.
    """
    plateau = amplitude * 2 / math.pi
    power = amplitude**2 / 2

    def decay(x: float) -> float:
        return (1 + x) * math.exp(-x)

    def inverse(y: float) -> float:
        low, high = 0.0, 60.0
        for _ in range(100):
            middle = (low + high) / 2
            low, high = (middle, high) if decay(middle) > y else (low, middle)
        return low

    low, high = 1e-6, 1 - 1e-6
    for _ in range(100):
        c = (low + high) / 2
        active = on_s - 0.03 * inverse(1 - c) + 0.03 * inverse(c) + 0.2
        level = 10 * math.log10(power * on_s / active)
        low, high = (c, high) if level - 20 * math.log10(c * plateau) > 15.9 else (low, c)
    assert active < period_s  # else the bursts run together and the closed form does not hold
    return level


@pytest.mark.parametrize("on_s", [0.3, 1.0, 2.0, 3.2])
def test_tone_bursts_have_their_closed_form_level(on_s):
    """Rise, decay, hangover and margin all enter the level and the activity."""
    found = active_level(bursts(on_s, 4.0, 15), RATE)
    expected = level_of_bursts(on_s, 4.0)
    # 0.02 dB: the envelope is sampled every 1 ms, which moves each edge by up to half of that.
    assert found.dbfs == pytest.approx(expected, abs=0.02)
    share = on_s / 4.0 * (0.1**2 / 2) / 10 ** (expected / 10)
    assert found.activity == pytest.approx(share, abs=0.005)


def test_a_steady_tone_is_active_throughout():
    """Level equals RMS: -3.01 dB below the square wave of the same peak (closed form)."""
    t = np.arange(20 * RATE) / RATE
    found = active_level((0.5 * np.sin(2 * np.pi * 400 * t)).astype(np.float32), RATE)
    # 0.03 dB: the envelope takes 0.1 s of 20 s to rise above the threshold.
    assert found.dbfs == pytest.approx(20 * math.log10(0.5) - 3.01, abs=0.03)
    assert found.activity > 0.99


def test_pauses_do_not_count():
    """Adding 10 s of silence moves the RMS by several decibels, the active level by none."""
    x = bursts(2.0, 3.0, 4)
    longer = np.concatenate((x, np.zeros(10 * RATE, np.float32)))
    assert active_level(longer, RATE).dbfs == pytest.approx(active_level(x, RATE).dbfs, abs=0.01)


@pytest.mark.parametrize("gain_db", [-60.0, -37.3, -20.0, -1.7, 6.5])
def test_gain_moves_the_level_by_itself(gain_db):
    """No grid of thresholds shows through."""
    x = bursts(1.3, 2.9, 5)
    moved = active_level(x * np.float32(10 ** (gain_db / 20)), RATE).dbfs
    # 0.001 dB: single-precision samples.
    assert moved == pytest.approx(active_level(x, RATE).dbfs + gain_db, abs=0.001)


@pytest.mark.parametrize("rate", [8_000, 16_000, 44_100, 96_000])
def test_the_rate_does_not_matter(rate):
    """The same bursts at another rate have the same level."""
    t = np.arange(12 * rate) / rate
    x = (0.1 * np.sin(2 * np.pi * 500 * t) * (t % 3 < 1)).astype(np.float32)
    # 0.03 dB: the step of the envelope is the whole number of samples nearest to 1 ms.
    assert active_level(x, rate).dbfs == pytest.approx(level_of_bursts(1.0, 3.0), abs=0.03)


def test_silence_has_no_level():
    """Silence is minus infinity, and no part of it is active."""
    found = active_level(np.zeros(RATE, np.float32), RATE)
    assert found.dbfs == -math.inf
    assert found.activity == 0.0
