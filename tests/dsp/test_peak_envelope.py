"""True peaks over time, against a signal oversampled by scipy and against the true-peak meter."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from vocheck.dsp.peak_envelope import PeakEnvelope
from vocheck.measurements.true_peak import TruePeakMeter

RATE = 48000


def music_like(frames: int, seed: int = 3) -> np.ndarray:
    """Return noise below 0.4 of the rate that swells and falls, shape (frames, 2)."""
    rng = np.random.default_rng(seed)
    white = rng.standard_normal((frames + 400, 2))
    soft = signal.lfilter(signal.firwin(301, 0.8), 1.0, white, axis=0)[400:]
    swell = np.interp(np.arange(frames) / 999, np.arange(frames), rng.uniform(size=frames))
    return (soft * swell[:, None]).astype(np.float32)


def envelope(samples: np.ndarray, step: int, least: float = 1e-6, cut: int = 7001) -> np.ndarray:
    meter = PeakEnvelope(samples.shape[1], step, least)
    for start in range(0, len(samples), cut):
        meter.feed(samples[start : start + cut])
    return meter.result()


@pytest.mark.parametrize("step", [4, 32, 128])
def test_each_step_reads_what_an_oversampled_signal_reads_there(step: int):
    """64 times, by scipy's Fourier method: an ideal interpolator. Content to 0.4 fs.

    Within a thousandth of the highest peak (0.01 dB). Steps that still rise at their end are left
    out: there both tell their last point, and theirs comes later.
    """
    samples = music_like(2048)
    samples *= signal.windows.tukey(2048, 0.1).astype(np.float32)[:, None]
    ours = envelope(samples, step)
    fine = signal.resample(samples.astype(float), 64 * len(samples), axis=0)
    points = np.abs(fine).max(axis=1).reshape(-1, step * 64)
    theirs = points.max(axis=1)
    inner = slice(max(1, 128 // step), -max(1, 128 // step))
    turns = (points.argmax(axis=1) < step * 64 - 8)[inner]
    assert turns.sum() > len(turns) / 2
    difference = np.abs(ours[inner] - theirs[inner])[turns]
    assert difference.max() < 0.001 * theirs.max()


@pytest.mark.parametrize("frames", [1, 31, 33, 5000, 70001])
def test_the_highest_step_is_the_true_peak(frames: int):
    """Of streams of any length, first and last samples included; the meter is exact to 0.003 dB."""
    samples = np.random.default_rng(frames).standard_normal((frames, 2)).astype(np.float32)
    found = envelope(samples, 32)
    assert len(found) == -(-frames // 32)
    meter = TruePeakMeter(2, RATE)
    meter.feed(samples)
    assert 20 * np.log10(found.max()) == pytest.approx(meter.result().level_dbtp, abs=0.005)


def test_blocks_and_what_is_passed_over_change_nothing_above_the_least():
    """However a stream is cut, and whatever is left out below: above it the readings are equal."""
    samples = music_like(30_000)
    whole, cut = envelope(samples, 32, cut=30_000), envelope(samples, 32, cut=997)
    assert np.array_equal(whole, cut)
    least = 0.5 * float(whole.max())
    sparse = envelope(samples, 32, least)
    # Just above the least a peak may hide between the points looked at first (cos 45 degrees); the
    # products of fewer rows are rounded in another order.
    above = whole > 1.02 * least
    assert sparse[above] == pytest.approx(whole[above], rel=1e-6)
    assert np.count_nonzero(sparse) < np.count_nonzero(whole)
