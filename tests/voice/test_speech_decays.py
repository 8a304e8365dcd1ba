"""Free decays in a signal whose decays are known in closed form."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from vocheck.voice.speech_decays import (
    EDGES_HZ,
    RATE_HZ,
    WINDOWS_DB,
    find_decays,
    join,
)

BANDS = len(EDGES_HZ) - 1


def bursts(
    rt60_s: float, *, count: int = 12, period_s: float = 1.2, noise_db: float = -80.0
) -> npt.NDArray[np.float32]:
    """Return noise bursts of 0.15 s, each dying away exponentially, over steady noise."""
    rng = np.random.default_rng(7)
    t = np.arange(round(count * period_s * RATE_HZ)) / RATE_HZ % period_s
    envelope = np.where(t < 0.15, 1.0, 10.0 ** (-3.0 * (t - 0.15) / rt60_s))
    steady = 10.0 ** (noise_db / 20.0) * rng.standard_normal(len(t))
    return np.asarray(0.1 * envelope * rng.standard_normal(len(t)) + 0.1 * steady, np.float32)


@pytest.mark.parametrize("rt60_s", [0.1, 0.2, 0.4, 0.8])
def test_exponential_decay_is_found_in_every_band(rt60_s: float) -> None:
    """Noise that dies away exponentially gives its own reverberation time in all bands."""
    found = find_decays(bursts(rt60_s))
    column = WINDOWS_DB.index((5.0, 35.0))
    for band in range(BANDS):
        times = found.time_60_db_s[found.band == band, column]
        times = times[np.isfinite(times)]
        assert len(times) >= 6
        # Closed form. A 30 dB line through the level of narrow-band noise scatters: 150 Hz of band
        # and 0.05 s of decay are 8 independent values of 5.6 dB. The median over 12 bursts is held
        # to 15 % in the lowest bands and the shortest decays, which 16 ms windows also lengthen.
        assert float(np.median(times)) == pytest.approx(rt60_s, rel=0.15)


def test_noise_is_subtracted() -> None:
    """A decay that meets steady noise 30 dB down keeps its slope down to 23 dB."""
    found = find_decays(bursts(0.5, noise_db=-35.0))
    times = found.time_60_db_s[:, WINDOWS_DB.index((13.0, 23.0))]
    # Closed form; the median of 96 decays of 10 dB each, a sixth of the whole time: 10 %.
    assert float(np.nanmedian(times)) == pytest.approx(0.5, rel=0.1)


def test_gain_changes_nothing() -> None:
    """The decays of a take 40 dB softer are the same."""
    x = bursts(0.3)
    loud, soft = find_decays(x), find_decays(x * np.float32(0.01))
    np.testing.assert_array_equal(loud.band, soft.band)
    # float32 rounding moves a level by less than 1e-5 dB.
    np.testing.assert_allclose(loud.time_60_db_s, soft.time_60_db_s, rtol=1e-3)


def test_file_ends_and_cuts_are_left_out() -> None:
    """A hard cut is an instant decay; none is reported within 60 ms of it or of the file's ends."""
    x = bursts(0.4)
    cut_s = 4 * 1.2 + 0.1  # inside the fifth burst
    x[int(cut_s * RATE_HZ) : int((cut_s + 0.6) * RATE_HZ)] = 0.0
    for found, cuts in ((find_decays(x), ()), (find_decays(x, [cut_s]), (cut_s,))):
        ends = found.start_s + found.duration_s
        spans = [(0.0, 0.06), (len(x) / RATE_HZ - 0.06, np.inf)]
        spans += [(cut - 0.05, cut + 0.05) for cut in cuts]
        for start, end in spans:
            assert not ((found.start_s < end) & (ends > start)).any()
    at_cut = find_decays(x)
    assert ((at_cut.start_s < cut_s) & (at_cut.start_s + at_cut.duration_s > cut_s - 0.02)).any()


@pytest.mark.parametrize("frames", [0, 1, 255, 256, 2000, 16000])
def test_short_and_silent_input(frames: int) -> None:
    """Nothing, next to nothing and silence have no decays."""
    found = find_decays(np.zeros(frames, np.float32))
    assert len(found) == 0
    assert found.time_60_db_s.shape == (0, len(WINDOWS_DB))
    assert found.length_s == frames / RATE_HZ


def test_join_keeps_every_decay() -> None:
    """Joined tables hold the decays of all takes, and their lengths add up."""
    one, two = find_decays(bursts(0.2)), find_decays(bursts(0.6, count=6))
    both = join([one, two])
    assert len(both) == len(one) + len(two)
    assert both.length_s == pytest.approx(one.length_s + two.length_s)  # closed form
    # Closed form: the mean weighted by length, 2 to 1.
    np.testing.assert_allclose(both.snr_db, (2 * one.snr_db + two.snr_db) / 3)


def test_history_of_a_decay() -> None:
    """Steady noise before a decay stands at its peak's level, and the decay ends in the noise."""
    found = find_decays(bursts(0.3, noise_db=-40.0))
    deep = found.only(found.depth_db > 25.0)
    assert deep.to_noise.mean() > 0.9
    # Closed form: 0 dB, less what the highest of some 20 ms means of narrow-band noise stands above
    # the mean of 32 ms.
    assert -5.0 < float(np.median(deep.before_db[:, 0])) < 0.5
    assert float(np.median(deep.over_noise_db)) == pytest.approx(40.0, abs=6.0)
