"""Octave and third-octave bands to IEC 61260-1."""

from __future__ import annotations

import numpy as np
import pytest

from vocheck.dsp.octaves import band_filter, bands, filter_delay_s, power_spectrum

RATE_HZ = 48_000

# Published: ISO 266 / IEC 61260-1, annex E: nominal mid-band frequencies
OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
THIRDS_HZ = (
    *(100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0),
    *(1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0),
)


def test_nominal_frequencies_are_those_of_the_standard() -> None:
    """Published names, octaves and third-octaves."""
    assert tuple(band.nominal_hz for band in bands(1, 31.5, 16000.0)) == OCTAVES_HZ
    assert tuple(band.nominal_hz for band in bands(3, 100.0, 8000.0)) == THIRDS_HZ


def test_edges_meet_and_follow_the_base_ten_ratio() -> None:
    """Closed form: G = 10^0.3; the upper edge of one band is the lower edge of the next."""
    for fraction in (1, 3):
        found = bands(fraction, 100.0, 8000.0)  # type: ignore[arg-type]
        for low, high in zip(found, found[1:], strict=False):
            assert low.high_hz == pytest.approx(high.low_hz)
            assert high.centre_hz / low.centre_hz == pytest.approx(10.0 ** (0.3 / fraction))


@pytest.mark.parametrize("centre_hz", [63.0, 1000.0, 8000.0])
@pytest.mark.parametrize("reverse", [False, True])
def test_the_filter_passes_its_band_and_nothing_else(centre_hz: float, reverse: bool) -> None:
    """IEC 61260-1, class 1: 0.4 dB at the centre, 16.6 dB or more an octave away from it."""
    (band,) = bands(1, centre_hz, centre_hz)
    times = np.arange(4 * RATE_HZ) / RATE_HZ
    for ratio, lowest_db, highest_db in (
        (1.0, -0.4, 0.4),
        (0.5, -200.0, -16.6),
        (2.0, -200.0, -16.6),
    ):
        x = np.sin(2.0 * np.pi * ratio * band.centre_hz * times)
        y = band_filter(x, RATE_HZ, band, reverse=reverse)[RATE_HZ : 3 * RATE_HZ]
        level_db = 10.0 * np.log10(2.0 * np.mean(y**2))
        assert lowest_db <= level_db <= highest_db


def test_the_filter_delay_is_in_proportion_to_its_bandwidth() -> None:
    """Closed form: a band-pass of constant relative width scales in time with its frequency."""
    low, high = bands(1, 250.0, 500.0)
    ratio = filter_delay_s(low, RATE_HZ) / filter_delay_s(high, RATE_HZ)
    assert ratio == pytest.approx(10.0**0.3, rel=0.01)


@pytest.mark.parametrize("length", [0, 1, 2, 1000, 50_001])
def test_the_bins_of_a_spectrum_add_up_to_the_power(length: int) -> None:
    """Parseval; white noise, 20 %: a window sees 1000 samples unevenly, which scatters by 5 %."""
    x = np.random.default_rng(3).standard_normal(length)
    x -= x.mean() if length else 0.0
    spectrum = power_spectrum(x, RATE_HZ, 10.0)
    assert np.isfinite(spectrum.power).all()
    if length > 2:
        assert spectrum.power.sum() == pytest.approx(
            np.mean(x**2), rel=0.2 if length < 50_000 else 0.02
        )


def test_a_tone_has_its_power_in_its_band() -> None:
    """Closed form: half the square of the amplitude, all of it in the octave of 1 kHz."""
    x = 0.5 * np.sin(2.0 * np.pi * 1100.0 * np.arange(RATE_HZ) / RATE_HZ)
    spectrum = power_spectrum(x, RATE_HZ, 10.0)
    inside, outside = (spectrum.band(bands(1, hz, hz)[0]) for hz in (1000.0, 4000.0))
    assert inside == pytest.approx(0.125, rel=1e-3)
    assert outside < 1e-9
