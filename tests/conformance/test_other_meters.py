"""Our readings against independent meters on random signals: where they agree, and where not.

The other meters are libebur128 (through pyebur128), FFmpeg's ``ebur128`` filter (through PyAV) and
pyloudnorm. Every difference found has its reason here, and a test that shows it is that reason.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction

import numpy as np
import pytest

from tests.conformance.meters import loudness, true_peak
from tests.conformance.signals import tone

SEEDS = range(6)


def swelling_noise(rate_hz: int, seconds: float, channels: int, seed: int) -> np.ndarray:
    """Return low-passed noise whose level wanders over 50 dB, shape (frames, channels)."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * rate_hz)
    knots = rng.uniform(-55.0, -5.0, int(seconds * 3) + 2)
    level = np.interp(np.arange(frames) / rate_hz * 3, np.arange(len(knots)), knots)
    noise = rng.standard_normal((frames + 14, channels))
    # A moving average of eight samples, twice: little is left above 0.1 of the sample rate.
    for _ in range(2):
        noise = np.add.reduce([noise[k : len(noise) - 7 + k] for k in range(8)]) / 8
    return (0.3 * noise * 10.0 ** (level[:, np.newaxis] / 20.0)).astype(np.float32)


def libebur128(x: np.ndarray, rate_hz: int, modes: str = "MODE_I"):  # noqa: ANN201
    import pyebur128

    mode = 0
    for name in modes.split():
        mode |= getattr(pyebur128.MeasurementMode, name)
    state = pyebur128.R128State(x.shape[1], rate_hz, pyebur128.MeasurementMode(mode))
    state.add_frames(np.ascontiguousarray(x).ravel(), len(x))
    return state


def ffmpeg(x: np.ndarray, rate_hz: int, layout: str = "stereo") -> Iterator[dict[str, float]]:
    """Yield what the filter reads after every 100 ms."""
    import av

    graph = av.filter.Graph()
    source = graph.add_abuffer(
        sample_rate=rate_hz, format="flt", layout=layout, time_base=Fraction(1, rate_hz)
    )
    meter = graph.add("ebur128", "peak=true:metadata=1")
    sink = graph.add("abuffersink")
    source.link_to(meter)
    meter.link_to(sink)
    graph.configure()

    def ready() -> Iterator[dict[str, float]]:
        while True:
            try:
                frame = sink.pull()
            except (av.error.BlockingIOError, av.error.EOFError):
                return
            yield {
                name.removeprefix("lavfi.r128."): float(value)
                for name, value in frame.metadata.items()
            }

    for start in range(0, len(x), rate_hz // 10):
        block = np.ascontiguousarray(x[start : start + rate_hz // 10]).reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(block, format="flt", layout=layout)
        frame.sample_rate, frame.pts, frame.time_base = rate_hz, start, Fraction(1, rate_hz)
        source.push(frame)
        yield from ready()
    source.push(None)
    yield from ready()


class TestLibebur128:
    """libebur128 1.2.6."""

    @pytest.mark.parametrize("seed", SEEDS)
    @pytest.mark.parametrize("channels", [1, 2, 5, 6])
    def test_integrated_at_48_khz(self, channels: int, seed: int) -> None:
        """The integrated loudness is the same, of one to six channels and any length."""
        import pyebur128

        x = swelling_noise(48000, 4.0 + 3.37 * seed, channels, seed)
        theirs = pyebur128.get_loudness_global(libebur128(x, 48000))
        # Ours is in single precision: 1e-6 of the energy. The promise is 0.0001 LU.
        assert loudness(x, 48000).integrated_lufs == pytest.approx(theirs, abs=1e-4)

    @pytest.mark.parametrize("seed", SEEDS)
    def test_momentary_and_short_term_over_time(self, seed: int) -> None:
        """Asked every 10 ms, it reads our momentary and short-term series."""
        import pyebur128

        x = swelling_noise(48000, 5.0, 2, seed)
        state = libebur128(x[:0], 48000, "MODE_M MODE_S")
        momentary, short_term = [], []
        for start in range(0, len(x), 480):
            state.add_frames(np.ascontiguousarray(x[start : start + 480]).ravel(), 480)
            momentary.append(pyebur128.get_loudness_momentary(state))
            short_term.append(pyebur128.get_loudness_shortterm(state))
        reading = loudness(x, 48000)
        # Its windows before the first full one hold silence; ours begin with the first full one.
        assert reading.momentary_lufs(0.01) == pytest.approx(momentary[39:], abs=1e-4)
        assert reading.short_term_lufs(0.01) == pytest.approx(short_term[299:], abs=1e-4)

    @pytest.mark.parametrize(("rate", "frequency_hz"), [(16000, 7000), (96000, 15000)])
    def test_other_rates_differ_by_its_response(self, rate: int, frequency_hz: int) -> None:
        """At other rates it differs by the error of its bilinear filter, ours does not."""
        import pyebur128

        from vocheck.dsp.kweighting import SECTIONS_48K, response_db

        x = tone(rate, [(5, -20)], frequency_hz=frequency_hz)
        expected = -20.0 - 0.691 + response_db(SECTIONS_48K, [frequency_hz], 48000)[0]
        # A tone of a full-scale sine in two channels: -3.01 and +3.01 cancel.
        assert loudness(x, rate).integrated_lufs == pytest.approx(expected, abs=0.002)
        theirs = pyebur128.get_loudness_global(libebur128(x, rate))
        assert abs(theirs - expected) > 0.02

    @pytest.mark.parametrize("seed", SEEDS)
    def test_range_differs_by_its_step_and_padding(self, seed: int) -> None:
        """Its range takes windows every second and no silence at the end; then ours is the same."""
        import pyebur128

        from vocheck.measurements.loudness import _range

        x = swelling_noise(48000, 70.0, 1, seed)
        theirs = pyebur128.get_loudness_range(libebur128(x, 48000, "MODE_LRA"))
        reading = loudness(x, 48000)
        # Its percentiles take the neighbour below or above among some 68 windows.
        steps = np.sort(reading.short_term_lufs(1.0))
        nearest = float(np.diff(steps[len(steps) // 20 :]).max())
        assert _range(reading.energies.windows(300, 100)) == pytest.approx(theirs, abs=nearest)
        # Every 100 ms, as Tech 3342 has it, gives something near.
        assert reading.range_lu == pytest.approx(theirs, abs=2.0)

    @pytest.mark.parametrize("seed", SEEDS)
    def test_true_peak_of_low_frequencies(self, seed: int) -> None:
        """The true peak agrees where its short interpolator is flat."""
        import pyebur128

        x = swelling_noise(48000, 2.0, 1, seed)
        state = libebur128(x, 48000, "MODE_TRUE_PEAK")
        theirs = 20 * math.log10(pyebur128.get_true_peak(state, 0))
        # Four times oversampling misses up to 0.1 dB at 0.2 of the rate, and 49 taps ripple.
        assert true_peak(x, 48000).level_dbtp == pytest.approx(theirs, abs=0.1)

    def test_it_loses_a_peak_at_the_very_end(self) -> None:
        """A peak between the last samples does not leave its filter; ours is flushed."""
        import pyebur128

        x = np.zeros((4800, 1), np.float32)
        x[-4:-2] = 0.5  # between two equal samples the curve rises to 4/pi of them, or more
        state = libebur128(x, 48000, "MODE_TRUE_PEAK")
        assert pyebur128.get_true_peak(state, 0) == pytest.approx(0.5)
        level = true_peak(x, 48000).level_dbtp
        # Closed form: two sincs half a sample away, 2 * 0.5 * 2 / pi.
        assert level == pytest.approx(20 * math.log10(2 / math.pi), abs=0.01)


class TestFfmpeg:
    """FFmpeg's ebur128 filter."""

    @pytest.mark.parametrize("seed", SEEDS)
    def test_readings_every_100_ms(self, seed: int) -> None:
        """Momentary and short-term loudness every 100 ms are ours, to its three decimals."""
        x = swelling_noise(48000, 6.0, 2, seed)
        theirs = list(ffmpeg(x, 48000))
        reading = loudness(x, 48000)
        momentary = [frame["M"] for frame in theirs][3:60]
        short_term = [frame["S"] for frame in theirs][29:60]
        assert reading.momentary_lufs() == pytest.approx(momentary, abs=0.001)
        assert reading.short_term_lufs() == pytest.approx(short_term, abs=0.001)

    @pytest.mark.parametrize("seed", SEEDS)
    def test_integrated_differs_by_its_histogram(self, seed: int) -> None:
        """The integrated loudness lies up to 0.02 LU lower: it sums a histogram of 0.01 LU."""
        x = swelling_noise(48000, 8.0, 2, seed)
        theirs = list(ffmpeg(x, 48000))[-1]["I"]
        # Each block is rounded down to 0.01 LU; a block at the gate may fall to either side.
        assert -0.025 <= theirs - loudness(x, 48000).integrated_lufs <= 0.005

    @pytest.mark.parametrize("seed", SEEDS)
    def test_true_peak_of_low_frequencies(self, seed: int) -> None:
        """The true peak agrees to the three decimals of its linear reading."""
        x = swelling_noise(48000, 2.0, 2, seed)
        theirs = list(ffmpeg(x, 48000))[-1]
        peaks = 10 ** (np.array(true_peak(x, 48000).channels_dbtp) / 20)
        # Rounded to 0.001, and four times oversampling misses up to 1 % at 0.2 of the rate.
        assert peaks[0] == pytest.approx(theirs["true_peaks_ch0"], abs=0.001, rel=0.01)
        assert peaks[1] == pytest.approx(theirs["true_peaks_ch1"], abs=0.001, rel=0.01)

    def test_silence(self) -> None:
        """It reads -70 for silence, where there is no loudness."""
        x = np.zeros((48000, 2), np.float32)
        assert list(ffmpeg(x, 48000))[-1]["I"] == -70.0
        assert loudness(x, 48000).integrated_lufs == -math.inf


class TestPyloudnorm:
    """pyloudnorm."""

    @pytest.mark.parametrize("seed", SEEDS)
    def test_published_filter_on_whole_blocks(self, seed: int) -> None:
        """With the published filter and a length of whole blocks, the reading is the same."""
        import pyloudnorm

        x = swelling_noise(48000, 3.0 + seed, 2, seed)
        theirs = pyloudnorm.Meter(48000, filter_class="DeMan").integrated_loudness(x)
        assert loudness(x, 48000).integrated_lufs == pytest.approx(theirs, abs=1e-4)

    @pytest.mark.parametrize("seed", SEEDS)
    def test_default_filter_reads_low(self, seed: int) -> None:
        """Its default filter has its high-pass normalised, and reads 0.04 LU less."""
        import pyloudnorm

        x = swelling_noise(48000, 3.0 + seed, 2, seed)
        theirs = pyloudnorm.Meter(48000).integrated_loudness(x)
        # -0.043 dB is the gain of the published numerator; the shelf differs by some 0.01 dB.
        assert theirs - loudness(x, 48000).integrated_lufs == pytest.approx(-0.041, abs=0.02)

    def test_it_counts_an_incomplete_block(self) -> None:
        """A last block that is more than half there counts with it, and must not."""
        import pyloudnorm

        x = swelling_noise(48000, 1.08, 1, 0)
        x[48000:] *= 20.0  # 80 ms more than the last whole block, and loud
        theirs = pyloudnorm.Meter(48000, filter_class="DeMan").integrated_loudness(x)
        ours = loudness(x, 48000).integrated_lufs
        # The sums run over different lengths of array: 1e-8 LU is above their rounding.
        assert ours == pytest.approx(loudness(x[:48000], 48000).integrated_lufs, abs=1e-8)
        assert theirs > ours + 0.1
