"""ITU-R BS.1770-5 (11/2023): K-weighting, channel weights, gates, true peak.

Expected values are published where a table or sentence of the Recommendation is named, and closed
forms otherwise.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.conformance.meters import loudness, true_peak
from tests.conformance.signals import RATES, Samples, tone
from vocheck.dsp.blockfilter import BlockFilter
from vocheck.dsp.kweighting import channel_weights, k_weighting_sections, response_db

# Annex 1, Tables 1 and 2: b0, b1, b2, a0, a1, a2
STAGE_1 = [1.53512485958697, -2.69169618940638, 1.19839281085285]
STAGE_1 += [1.0, -1.69065929318241, 0.73248077421585]
STAGE_2 = [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]


def k_weighting_at_48_khz(frequencies_hz: np.ndarray) -> np.ndarray:
    """Return the response of the published sections in dB, by the definition of a transfer."""
    z = np.exp(-2j * np.pi * frequencies_hz / 48000)
    gain = np.ones(len(z))
    for b0, b1, b2, a0, a1, a2 in (STAGE_1, STAGE_2):
        gain = gain * np.abs((b0 + b1 * z + b2 * z**2) / (a0 + a1 * z + a2 * z**2))
    return 20.0 * np.log10(gain)


class TestKWeighting:
    """Annex 1: the two filter stages."""

    def test_coefficients_at_48_khz_are_the_published_ones(self) -> None:
        """Tables 1 and 2 are used as they are."""
        assert k_weighting_sections(48000).tolist() == [STAGE_1, STAGE_2]

    @pytest.mark.parametrize(
        ("rate", "tolerance_db"),
        [
            # Below 16 kHz the shelf reaches past half the sample rate, where two sections of second
            # order cannot follow it.
            (8000, 0.011),
            (11025, 0.005),
            (12000, 0.004),
            *((rate, 0.002) for rate in (16000, 18900, 22050, 24000, 32000, 37800, 44056, 44100)),
            *((rate, 0.002) for rate in (47952, 48000, 64000, 88200, 96000, 176400, 192000)),
        ],
    )
    def test_response_at_other_rates_is_that_of_48_khz(
        self, rate: int, tolerance_db: float
    ) -> None:
        """Other rates have "the same frequency response", which a bilinear transform misses."""
        frequencies = np.geomspace(10.0, min(20000.0, 0.45 * rate), 2000)
        error = response_db(k_weighting_sections(rate), frequencies, rate)
        error -= k_weighting_at_48_khz(frequencies)
        assert np.abs(error).max() <= tolerance_db

    @pytest.mark.parametrize("rate", [8000, 11025, 22050, *RATES])
    def test_filter_is_the_recursion(self, rate: int) -> None:
        """The block products give the output of the recursive filter, however the input is cut."""
        from scipy.signal import sosfilt

        rng = np.random.default_rng(1)
        # Noise on a large offset: the hardest case for single precision.
        x = (rng.standard_normal((2, 30011)) + 3.0).astype(np.float32)
        sections = k_weighting_sections(rate)
        block_filter = BlockFilter(sections, 2)
        cuts = [0, 1, 2, 50, 98, 5000, 5007, 23000, x.shape[1]]
        y = np.hstack([block_filter(x[:, a:b]) for a, b in zip(cuts, cuts[1:], strict=False)])
        expected = sosfilt(sections, x.astype(np.float64))
        # Single precision carries 24 bits: -144 dB of the peak, and some products add up.
        assert np.abs(y - expected).max() <= 10.0 ** (-125 / 20) * np.abs(expected).max()


class TestLevelAndChannels:
    """Annex 1, eq. (2), Table 3 and the sentence on calibration; Annex 3."""

    @pytest.mark.parametrize("rate", RATES)
    @pytest.mark.parametrize("speaker", ["FL", "FR", "FC"])
    def test_full_scale_sine_in_one_front_channel(self, rate: int, speaker: str) -> None:
        """A 0 dBFS sine of 997 Hz in left, right or centre reads -3.01 LKFS."""
        x = np.zeros((5 * rate, 3), np.float32)
        layout = ("FL", "FR", "FC")
        x[:, layout.index(speaker)] = tone(rate, [(5, 0.0)], frequency_hz=997, channels=1)[:, 0]
        # The published sentence has two decimals.
        assert loudness(x, rate, layout).integrated_lufs == pytest.approx(-3.01, abs=0.005)

    def test_one_channel_and_the_same_on_two(self) -> None:
        """A one-channel file reads 3.01 LU less than the same sound on two channels."""
        mono = tone(48000, [(5, -20.0)], channels=1)
        one = loudness(mono, 48000).summary()
        two = loudness(np.repeat(mono, 2, axis=1), 48000).summary()
        assert one.integrated_lufs is not None
        assert two.integrated_lufs == pytest.approx(one.integrated_lufs + 10 * math.log10(2))
        assert one.two_speakers_lufs == pytest.approx(two.integrated_lufs)
        assert two.two_speakers_lufs == two.integrated_lufs

    @pytest.mark.parametrize(
        ("layout", "weights"),
        [
            (("FC",), [1.0]),
            (("FL", "FR"), [1.0, 1.0]),
            (("FL", "FR", "FC", "LFE", "BL", "BR"), [1, 1, 1, 0, 1.41, 1.41]),  # Table 3
            (("FL", "FR", "FC", "LFE", "SL", "SR"), [1, 1, 1, 0, 1.41, 1.41]),
            # Annex 3, Table 4: 1.41 from 60 to 120 degrees; the backs of 7.1 stand at 135.
            (("FL", "FR", "FC", "LFE", "BL", "BR", "SL", "SR"), [1, 1, 1, 0, 1, 1, 1.41, 1.41]),
        ],
    )
    def test_weights(self, layout: tuple[str, ...], weights: list[float]) -> None:
        """Surrounds weigh 1.41, low-frequency effects nothing, layout given or not."""
        assert channel_weights(len(layout), layout).tolist() == weights
        if "SL" not in layout or len(layout) == 8:
            assert channel_weights(len(layout)).tolist() == weights

    @pytest.mark.parametrize("speaker", ["FL", "FC", "BL", "SL", "LFE"])
    def test_weight_shows_in_the_reading(self, speaker: str) -> None:
        """A tone in one of eight channels reads by 10 log10 of its weight (closed form)."""
        layout = ("FL", "FR", "FC", "LFE", "BL", "BR", "SL", "SR")
        x = np.zeros((3 * 48000, 8), np.float32)
        x[:, layout.index(speaker)] = tone(48000, [(3, -20.0)], channels=1)[:, 0]
        weight = {"LFE": 0.0, "SL": 1.41}.get(speaker, 1.0)
        level = -20.0 - 3.01 + 10 * math.log10(weight) if weight else -math.inf
        # 1 kHz lies 0.007 dB beside the frequency of calibration.
        assert loudness(x, 48000, layout).integrated_lufs == pytest.approx(level, abs=0.01)

    @pytest.mark.parametrize("rate", RATES)
    @pytest.mark.parametrize("frequency_hz", [25, 100, 500, 1000, 2000, 10000])
    def test_tones_levelled_by_the_curve(self, rate: int, frequency_hz: int) -> None:
        """Tones set by the inverse of K-weighting all read the same, as in ITU-R BS.2217."""
        level = -23.0 + 0.691 - k_weighting_at_48_khz(np.array([float(frequency_hz)]))[0]
        reading = loudness(tone(rate, [(5, level)], frequency_hz=frequency_hz), rate)
        # A tone of 25 Hz is not a whole number of periods in 400 ms at its onset; BS.2217: 0.1 LU.
        assert reading.integrated_lufs == pytest.approx(-23.0, abs=0.01)


class TestGates:
    """Annex 1, eq. (3) to (7): blocks of 400 ms every 100 ms, two gates."""

    def test_absolute_gate(self) -> None:
        """What is softer than -70 LUFS never counts; what is louder does."""
        quiet = loudness(tone(48000, [(5, -70.1)]), 48000)
        assert quiet.integrated_lufs == -math.inf
        assert quiet.summary().integrated_lufs is None
        assert "-70 LUFS" in quiet.summary().not_measured["integrated_lufs"]
        audible = loudness(tone(48000, [(5, -69.5)]), 48000)
        assert audible.integrated_lufs == pytest.approx(-69.5, abs=0.01)

    @pytest.mark.parametrize(("soft", "counts"), [(-29.0, True), (-36.0, False)])
    def test_relative_gate(self, soft: float, counts: bool) -> None:
        """Blocks 10 LU below the mean of the others are left out, nearer ones are not."""
        # 40 s loud and 40 s soft; the mean of both, less 10 LU, lies between the two soft levels.
        reading = loudness(tone(48000, [(40, -20), (40, soft)]), 48000).integrated_lufs
        mean = 10 * math.log10((10**-2.0 + 10 ** (soft / 10)) / 2) if counts else -20.0
        # The few blocks across the step hold some of either.
        assert reading == pytest.approx(mean, abs=0.02)

    @pytest.mark.parametrize("extra_s", [0.01, 0.051, 0.08, 0.0999])
    def test_incomplete_block_is_not_used(self, extra_s: float) -> None:
        """Whatever follows the last complete block does not count, however loud."""
        whole = tone(48000, [(1.0, -30.0)], channels=1)
        tail = tone(48000, [(extra_s, 0.0)], channels=1)
        longer = np.vstack((whole, tail))
        same = loudness(whole, 48000).integrated_lufs
        assert loudness(longer, 48000).integrated_lufs == same

    def test_block_counts_when_complete(self) -> None:
        """With the hundredth millisecond the next block is complete, and counts."""
        x = np.vstack(
            (tone(48000, [(1.0, -30.0)], channels=1), tone(48000, [(0.1, 0.0)], channels=1))
        )
        # Closed form, apart from the filter's settling at the step: 8 blocks, of which the last
        # holds 100 ms of the loud tone and is the only one above the relative gate.
        expected = -3.01 + 10 * math.log10(0.25)
        assert loudness(x, 48000).integrated_lufs == pytest.approx(expected, abs=0.05)
        assert loudness(x[:-1], 48000).integrated_lufs < -30.0

    def test_energies_are_averaged_not_levels(self) -> None:
        """The integrated loudness of two levels is that of their mean energy."""
        reading = loudness(tone(48000, [(30, -20), (30, -26)]), 48000).integrated_lufs
        mean = 10 * math.log10((10**-2.0 + 10**-2.6) / 2)
        assert reading == pytest.approx(mean, abs=0.02)  # blocks across the step

    def test_louder_than_full_scale(self) -> None:
        """There is no ceiling at 0 LUFS."""
        x = 4.0 * tone(48000, [(3, 0.0)])
        assert loudness(x, 48000).integrated_lufs == pytest.approx(12.04, abs=0.01)


class TestNoReading:
    """What has no loudness is not given a number."""

    @pytest.mark.parametrize("frames", [0, 1, 100, 19199])
    def test_shorter_than_a_block(self, frames: int) -> None:
        """Below 400 ms there is no block: nothing is measured, and the reason is stated."""
        summary = loudness(tone(48000, [(1, -20)])[:frames], 48000).summary()
        for field in ("integrated_lufs", "momentary_max_lufs", "two_speakers_lufs"):
            assert getattr(summary, field) is None
            assert "0.4 s" in summary.not_measured[field]

    @pytest.mark.parametrize("rate", [8000, 11025, 22050, 37800, 44100, 48000, 192000])
    def test_exactly_one_block(self, rate: int) -> None:
        """400 ms are measured."""
        x = tone(rate, [(0.4, -20)])
        assert len(x) == 0.4 * rate
        # The onset of the filter is part of so short a reading.
        assert loudness(x, rate).integrated_lufs == pytest.approx(-20.0, abs=0.1)
        assert loudness(x[:-1], rate).summary().integrated_lufs is None

    def test_silence(self) -> None:
        """Digital silence is minus infinity, not -70."""
        summary = loudness(np.zeros((5 * 48000, 2), np.float32), 48000).summary()
        assert summary.integrated_lufs == -math.inf
        assert summary.momentary_max_lufs == -math.inf
        assert summary.short_term_max_lufs == -math.inf
        assert summary.momentary_max_s is None
        assert summary.range_lu is None

    def test_low_frequency_effects_alone(self) -> None:
        """A sound in the low-frequency effects only is the lowest value (ITU-R BS.2217)."""
        x = np.zeros((3 * 48000, 6), np.float32)
        x[:, 3] = tone(48000, [(3, -10.0)], frequency_hz=60, channels=1)[:, 0]
        assert loudness(x, 48000).integrated_lufs == -math.inf

    def test_silence_after_a_loud_passage_is_silence(self) -> None:
        """Silence reads minus infinity over time, whatever came before."""
        x = tone(48000, [(5, 0.0), (10, None)])
        series = loudness(x, 48000).momentary_lufs()
        assert series[-1] < -150.0  # what the filter's ringing has left after 9.6 s


class TestTruePeak:
    """Annex 2 and its Attachment 1: the worst under-read of an oversampled peak."""

    @pytest.mark.parametrize(
        ("oversampling", "under_read_db"),
        # Attachment 1, the table for a normalised frequency of 0.45
        [(4, 0.554), (8, 0.136), (10, 0.087), (12, 0.060), (14, 0.044), (16, 0.034), (32, 0.008)],
    )
    def test_under_read_of_grids_is_not_ours(self, oversampling: int, under_read_db: float) -> None:
        """A tone that falls worst between the points of a grid is still read in full."""
        frequency = 0.45
        # The peak lies half a step of the grid beside a sample.
        shift = 0.5 / oversampling
        n = np.arange(-2000, 2001)
        x = np.cos(2 * np.pi * frequency * (n - shift)) * np.hanning(len(n))
        grid = math.cos(math.pi * frequency / oversampling)
        assert -20 * math.log10(grid) == pytest.approx(under_read_db, abs=0.0006)
        level = true_peak(x.astype(np.float32)[:, np.newaxis], 48000).level_dbtp
        # The window bends the peak by less than 0.001 dB; 0.005 dB is the promise.
        assert level == pytest.approx(0.0, abs=0.005)

    @pytest.mark.parametrize("rate", RATES)
    def test_tone_at_a_quarter_of_the_rate(self, rate: int) -> None:
        """Samples at 45 degrees hide 3.01 dB of a tone (closed form)."""
        phase = np.pi / 2 * np.arange(4000) + np.pi / 4
        x = (np.sin(phase) * np.hanning(4000)).astype(np.float32)[:, np.newaxis]
        reading = true_peak(x, rate)
        assert reading.level_dbtp == pytest.approx(0.0, abs=0.005)
        assert reading.sample_peak_dbfs == pytest.approx(-3.01, abs=0.001)
        assert reading.time_s == pytest.approx(2000 / rate, abs=2 / rate)


def peaks_by_fft(x: Samples, factor: int = 64) -> float:
    """Return the true peak in dB by oversampling through a spectrum padded with zeros."""
    padded = np.pad(x.astype(np.float64), 400)
    spectrum = np.fft.rfft(padded)
    if len(padded) % 2 == 0:
        spectrum[-1] /= 2
    fine = np.fft.irfft(spectrum, factor * len(padded)) * factor
    return 20.0 * math.log10(np.abs(fine).max())


def below_045(x: np.ndarray) -> Samples:
    """Low-pass to below 0.45 of the sample rate; the ends ring out within the signal."""
    from scipy.signal import firwin

    return np.convolve(x, firwin(257, 0.88, window=("kaiser", 10.0))).astype(np.float32)


class TestTruePeakAgainstTheSpectrum:
    """An independent way to the same peak: 64 times oversampling by FFT."""

    TOLERANCE_DB = 0.005  # the passband of the interpolator, and 0.003 dB of the 64-times grid

    @pytest.mark.parametrize("seed", range(10))
    @pytest.mark.parametrize(
        "kind", ["noise", "signs", "clipped", "tone", "walk", "beating", "pulses"]
    )
    def test_random_signals(self, kind: str, seed: int) -> None:
        """Noise, clipped noise, tones, walks and pulses agree with the padded spectrum."""
        rng = np.random.default_rng([seed, len(kind)])
        n = np.arange(int(rng.integers(10, 4000)))
        noise = rng.standard_normal(len(n))
        x = {
            "noise": noise,
            "signs": np.sign(noise),
            "clipped": np.clip(5 * noise, -1, 1),
            "tone": np.sin(rng.uniform(0.05, 2.75) * n + rng.uniform(0, 6)),
            "walk": np.cumsum(noise) / 50,
            "beating": np.sin(2.76 * n) * np.sin(rng.uniform(0.05, 1.5) * n),
            "pulses": noise * (rng.random(len(n)) < 0.02),
        }[kind]
        if not x.any():
            x[0] = 1.0
        y = below_045(x)
        level = true_peak(y[:, np.newaxis], 48000).level_dbtp
        assert level == pytest.approx(peaks_by_fft(y), abs=self.TOLERANCE_DB)

    @pytest.mark.parametrize("end", ["first", "last"])
    @pytest.mark.parametrize("distance", [0, 1, 5, 11, 30])
    def test_click_at_either_end(self, end: str, distance: int) -> None:
        """A peak among the first or last samples is not lost, and lies where it is."""
        x = np.full(5000, 1e-3, np.float32)
        at = distance if end == "first" else len(x) - 1 - distance
        x[at] = 0.6
        reading = true_peak(x[:, np.newaxis], 48000)
        # A single sample is its own peak: the sinc is greatest on it, apart from its neighbours.
        assert reading.level_dbtp == pytest.approx(20 * math.log10(0.6), abs=0.05)
        assert reading.time_s == pytest.approx(at / 48000, abs=0.5 / 48000)

    def test_peaks_of_channels_are_their_own(self) -> None:
        """Each channel has its peak, the low-frequency effects too; the highest is the file's."""
        gains = np.array([0.1, 0.2, 0.3, 0.9, 0.5, 0.0], np.float32)
        x = tone(48000, [(0.5, 0.0)], frequency_hz=60, channels=1) * gains
        reading = true_peak(x, 48000)
        with np.errstate(divide="ignore"):
            expected = 20 * np.log10(gains)
        # The abrupt end at a zero crossing leaves the peaks of a 60 Hz tone alone.
        assert reading.channels_dbtp == pytest.approx(expected, abs=0.001)
        assert reading.level_dbtp == max(reading.channels_dbtp)
