"""Sibilants of speech with known phones, and what a change of tone does to the numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.accuracy.sibilance import measure, score
from tests.material import speech
from tests.material.planted import with_bell
from vocheck.measurements import sibilance
from vocheck.recording import Recording

LINES = speech.TEST_LINES[:6]


@pytest.fixture(scope="module", params=["slt", "en-us"])
def voice(request) -> speech.Speech:
    """Two synthetic voices with known phone times that took no part in the fitting."""
    return speech.take(request.param, LINES)


def test_sibilants_are_found_and_little_else():
    """Against the synthesisers' own phone times; every other sound counts as wrong, t included."""
    takes = [speech.take(name, LINES) for name in speech.TEST_VOICES]
    counts = np.sum([score(take, measure(take))[:4] for take in takes], axis=0)
    found, wanted, right, events = counts.tolist()
    assert wanted >= 150
    # The aims of the method over all test voices (docs/accuracy.md).
    assert found / wanted >= 0.93
    assert right / events >= 0.90


@pytest.mark.outside
def test_a_real_reader():
    """44 s of a book: the aim for recall; some of the aligned labels are off by more than 30 ms."""
    reader = speech.aligned()
    found, wanted, right, events, _ = score(reader, measure(reader))
    assert found / wanted >= 0.93
    assert right / events >= 0.80


def test_a_sharper_take_of_a_line_reads_sharper(voice):
    """A bell of 2 dB more at 5-9 kHz, four times: ratio and 90th percentile rise every time."""
    results = [measure(with_bell(voice, gain)) for gain in (-2.0, 0.0, 2.0, 4.0, 6.0)]
    for name in ("ratio_db", "p90_db"):
        values = [getattr(r, name) for r in results]
        assert np.all(np.diff(values) > 0), name
        assert np.all(np.diff(values) < 2.5), name  # no more than the bell gives, and a new event


def test_the_peak_of_a_noise_is_where_it_was_put():
    """A hiss of 6-7 kHz between vowels peaks there (closed form)."""
    rate = 48000
    t = np.arange(3 * rate) / rate
    vowel = sum(np.sin(2 * np.pi * 120 * k * t) / k for k in range(1, 9)) * ((t % 1) < 0.4)
    spectrum = np.fft.rfft(np.random.default_rng(0).standard_normal(len(t)))
    hz = np.fft.rfftfreq(len(t), 1 / rate)
    hiss = np.fft.irfft(spectrum * ((hz > 6000) & (hz < 7000)), len(t))
    hiss *= ((t % 1) >= 0.4) & ((t % 1) < 0.5)
    x = (
        0.1 * vowel
        + 0.1 * hiss / hiss.std() * 0.3
        + 1e-5 * np.random.default_rng(1).standard_normal(len(t))
    )
    events = sibilance.measure(Recording(x.astype(np.float32), rate)).events
    assert events is not None
    assert len(events) == 3
    for event, start in zip(events, (0.4, 1.4, 2.4), strict=True):
        # 30 ms: half of the 21 ms window, the running mean of 25 ms and a hop.
        assert event.start_s == pytest.approx(start, abs=0.03)
        assert event.end_s == pytest.approx(start + 0.1, abs=0.03)
        assert 6000 - 200 < event.peak_hz < 7000 + 200  # half the smoothing of 0.4 kHz


@pytest.mark.parametrize("rate", [44100, 96000])
def test_another_rate_changes_nothing(voice, rate):
    """Resampled takes find the same sibilants and read the same ratio."""
    here, there = measure(voice), measure(voice.at(rate))
    assert here.events is not None
    assert there.events is not None
    assert len(here.events) == len(there.events)
    # 0.1 dB: bins and windows of the two rates differ by a fraction of a percent.
    assert there.ratio_db == pytest.approx(here.ratio_db, abs=0.1)
    assert there.p90_db == pytest.approx(here.p90_db, abs=0.1)


def test_another_level_changes_nothing(voice):
    """A take 20 dB lower reads the same: every number is relative."""
    low = measure(replace(voice, samples=voice.samples * np.float32(0.1)))
    assert low.ratio_db == pytest.approx(measure(voice).ratio_db, abs=0.01)  # rounding of float32


def test_what_cannot_be_measured_says_why():
    """Too low a rate, silence, and a voice without sibilants."""
    low = sibilance.measure(Recording(np.zeros(8000, np.float32), 8000))
    assert "8000 Hz" in low.not_measured["events"]
    silent = sibilance.measure(Recording(np.zeros(48000, np.float32), 48000))
    assert silent.not_measured["events"] == "no speech found"
