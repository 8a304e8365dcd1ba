"""The sides, mono and the voice over its bed: all expected values by closed form."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import soxr
from scipy.signal import butter, sosfilt

from tests.mix.signals import noise, silence, tone, write
from vocheck.measurements.loudness import LoudnessMeter
from vocheck.mix import check_mix
from vocheck.mix.meters import MonoMeter, SidesMeter


def sides(samples: np.ndarray, rate: int = 48000):
    meter = SidesMeter(rate, samples.shape[1])
    meter.feed(samples)
    return meter.result()


def mono_change(samples: np.ndarray, rate: int = 48000) -> float | None:
    mono, stereo = MonoMeter(rate), LoudnessMeter(rate, 2)
    mono.feed(samples)
    stereo.feed(samples)
    return mono.change_lu(stereo.result())


@pytest.mark.parametrize("rate", [8000, 37800, 44100, 48000, 96000])
def test_levels_of_a_tone(rate: int) -> None:
    """A sine of 0.5 has an RMS of 20 lg 0.5 - 3.01 dBFS at any rate."""
    reading = sides(tone(2, -6.0206, rate, 500), rate)
    # closed form; 0.01 dB for steps of 10 ms that hold no whole number of frames
    assert reading.rms_dbfs == pytest.approx(-9.031, abs=0.01)
    assert reading.power.shape == (200,)


@pytest.mark.parametrize("cut", [1, 7, 480, 48000, 100_000])
def test_blocks_of_any_size_give_the_same(cut: int) -> None:
    """The reading does not depend on how the stream is cut."""
    samples = noise(1.2345 if cut < 10 else 5.4321, -20)[: 6000 if cut < 10 else None]
    whole = sides(samples)
    meter = SidesMeter(48000, 2)
    for start in range(0, len(samples), cut):
        meter.feed(samples[start : start + cut])
    pieces = meter.result()
    np.testing.assert_array_equal(whole.power, pieces.power)
    np.testing.assert_array_equal(whole.mean_squares, pieces.mean_squares)
    assert whole.mean_product == pieces.mean_product


@pytest.mark.parametrize(
    ("left", "right", "expected"),
    [(1.0, 1.0, 1.0), (1.0, 0.3, 1.0), (1.0, -1.0, -1.0), (1.0, 0.0, None)],
)
def test_correlation_of_one_tone(left: float, right: float, expected: float | None) -> None:
    """Equal sides 1, opposite sides -1, whatever their levels; undefined with a silent side."""
    samples = tone(1, -20) * [left, right]
    correlation = sides(samples).correlation
    if expected is None:
        assert correlation is None
    else:
        assert correlation == pytest.approx(expected, abs=1e-5)


def test_correlation_of_a_quarter_period() -> None:
    """Sine against cosine is 0; unrelated noise is near 0."""
    phase = 2 * np.pi * 1000 * np.arange(48000) / 48000
    samples = np.stack([np.sin(phase), np.cos(phase)], axis=1)
    assert sides(samples).correlation == pytest.approx(0.0, abs=1e-5)
    # closed form: standard deviation of the estimate is 1 / sqrt(frames) = 0.003
    assert sides(noise(2.5, -20)).correlation == pytest.approx(0.0, abs=0.015)


def test_softest_half_second() -> None:
    """Half a second 20 dB below the rest is found, wherever it lies."""
    samples = np.concatenate([tone(2, -20), tone(0.5, -40), tone(2, -20)])
    assert sides(samples).floor_dbfs == pytest.approx(-43.01, abs=0.01)
    assert sides(samples[:10000]).floor_dbfs is None


def test_head_and_tail() -> None:
    """What lies before and after the sound, in steps of 10 ms."""
    samples = np.concatenate([silence(0.73), tone(3, -20), silence(1.31)])
    assert sides(samples).edges_s == pytest.approx((0.73, 1.31), abs=0.011)
    assert sides(silence(1)).edges_s is None


@pytest.mark.parametrize(
    ("samples", "expected", "tolerance"),
    [
        (tone(5, -20), 0.0, 0.001),
        (noise(10, -20), -3.01, 0.1),  # the estimate from 10 s of noise
        (tone(5, -20) * [1.0, 0.0], -3.01, 0.001),
        # (1 + 0.5) / 2 squared, twice, over 1 + 0.25
        (tone(5, -20) * [1.0, 0.5], 10 * math.log10(2 * 0.75**2 / 1.25), 0.001),
        # 1 - 0.5 instead
        (tone(5, -20) * [1.0, -0.5], 10 * math.log10(2 * 0.25**2 / 1.25), 0.001),
    ],
)
def test_change_in_mono(samples: np.ndarray, expected: float, tolerance: float) -> None:
    """Both sides added at half amplitude and played twice, against stereo."""
    assert mono_change(samples) == pytest.approx(expected, abs=tolerance)


def test_opposite_sides_leave_nothing() -> None:
    """Inverted sides are silence in mono; silence has no change."""
    assert mono_change(tone(3, -20) * [1.0, -1.0]) == -math.inf
    assert mono_change(silence(3)) is None


def test_the_worst_place_in_mono(tmp_path: Path) -> None:
    """Five seconds with one side at -0.5 of the other are named, with their loss."""
    good, bad = tone(10, -20), tone(5, -20) * [1.0, -0.5]
    path = write(tmp_path / "mix.wav", np.concatenate([good, bad, good]))
    measured = check_mix(path, []).measurements
    assert measured.mono_worst_lu == pytest.approx(10 * math.log10(0.125 / 1.25), abs=0.01)
    assert measured.mono_worst_s is not None
    assert 11.5 <= measured.mono_worst_s <= 13.5  # the middle of 3 s within 10 .. 15


def stems(tmp_path: Path, voice: np.ndarray, bed: np.ndarray):
    length = min(len(voice), len(bed))
    left = voice if voice.shape[1] == 2 else np.repeat(voice, 2, axis=1)
    return check_mix(
        write(tmp_path / "mix.wav", left[:length] + bed[:length]),
        [],
        {
            "voice": write(tmp_path / "voice.wav", voice),
            "bed": write(tmp_path / "bed.wav", bed),
        },
    )


def phrases(level: float, channels: int = 2) -> np.ndarray:
    """Return 30 s: a tone for 4 s of every 6 s."""
    return np.concatenate([tone(4, level, channels=channels), silence(2, channels=channels)] * 5)


@pytest.mark.parametrize("lead", [4.0, 12.0, 20.0])
def test_voice_over_bed(tmp_path: Path, lead: float) -> None:
    """Voice at -20, bed at -20 less the lead: that is the difference, pauses left out."""
    result = stems(tmp_path, phrases(-20), tone(30, -20 - lead, frequency=1000))
    # closed form; the filter rings for a moment at the edges of a phrase
    assert result.measurements.voice_to_bed_lu == pytest.approx(lead, abs=0.02)
    (check,) = [c for c in result.checks if c.fact == "voice_to_bed_lu"]
    assert check.verdict == ("warn" if lead < 10 else "pass")


def test_a_one_channel_voice_stem(tmp_path: Path) -> None:
    """A mono voice stem counts as on both speakers, as it sounds in the mix."""
    result = stems(tmp_path, phrases(-20, channels=1), tone(30, -32))
    assert result.measurements.voice_to_bed_lu == pytest.approx(12.0, abs=0.02)


def test_a_bed_that_plays_in_the_pauses_only(tmp_path: Path) -> None:
    """A ducked bed counts as it is under the voice, not as loud as it is between the phrases."""
    bed = np.concatenate([tone(4, -40), tone(2, -14)] * 5)
    lead = stems(tmp_path, phrases(-20), bed).measurements.voice_to_bed_lu
    # closed form: -20 against -40; the loud bed rings on for a moment into the next phrase
    assert lead == pytest.approx(20.0, abs=0.1)


def test_the_closest_place(tmp_path: Path) -> None:
    """Where the bed rises by 6 dB under one phrase, that phrase is named."""
    bed = np.concatenate([tone(12, -34), tone(4, -28), tone(14, -34)])
    measured = stems(tmp_path, phrases(-20), bed).measurements
    assert measured.stems is not None
    assert measured.stems.closest_lu == pytest.approx(8.0, abs=0.05)
    assert measured.stems.closest_s is not None
    assert 11.5 <= measured.stems.closest_s <= 16.5  # 3 s that hold this phrase and no other
    assert measured.stems.voice_active == pytest.approx(4 / 6, abs=0.01)


def test_loudness_of_the_dialogue(tmp_path: Path) -> None:
    """Voice and bed of equal level and other pitch add up by 3 dB where the voice is active."""
    result = stems(tmp_path, phrases(-20), tone(30, -20, frequency=997))
    measured = result.measurements
    assert measured.dialogue_lufs == pytest.approx(-16.99, abs=0.1)
    assert measured.loudness_to_dialogue_lu is not None
    assert measured.loudness_to_dialogue_lu < 0


def test_stems_that_say_nothing(tmp_path: Path) -> None:
    """A silent voice, a silent bed, a lone stem: no number, and the reason why."""
    silent_voice = stems(tmp_path, silence(5), tone(5, -30)).measurements
    assert silent_voice.voice_to_bed_lu is None
    assert silent_voice.stems is not None
    assert "voice stem is silent" in silent_voice.stems.not_measured["voice_lufs"]
    silent_bed = stems(tmp_path, tone(5, -30), silence(5)).measurements
    assert silent_bed.voice_to_bed_lu is None
    mix = write(tmp_path / "mix.wav", tone(5, -20))
    lone = check_mix(mix, [], {"bed": mix}).measurements
    assert lone.stems is not None
    assert lone.stems.not_measured["voice_lufs"] == "no stem was given for the voice"


def test_stems_of_other_rates_and_lengths(tmp_path: Path) -> None:
    """A stem at another sample rate, or a little longer, is compared over what both cover."""
    low = butter(8, 3000.0, fs=48000, output="sos")  # below half of both rates
    rng = np.random.default_rng(6)
    spoken, below = (
        10 ** (level / 20) * sosfilt(low, rng.standard_normal((seconds * 48000, 2)), axis=0)
        for seconds, level in ((10, -20), (12, -35))
    )
    voice = write(tmp_path / "voice.wav", soxr.resample(spoken, 48000, 44100), 44100)
    bed = write(tmp_path / "bed.wav", below)
    mix = write(tmp_path / "mix.wav", spoken + below[: len(spoken)])
    lead = check_mix(mix, [], {"voice": voice, "bed": bed}).measurements.voice_to_bed_lu
    # the level of 10 s of such noise scatters by 1 / sqrt(60 000 degrees of freedom): 0.02 dB
    assert lead == pytest.approx(15.0, abs=0.1)


def test_places_over_the_peak_limit(tmp_path: Path) -> None:
    """Three bursts stand over 0 dBTP, one only between its samples; nothing else is named."""
    quiet, burst = tone(1, -6), tone(0.2, 1)
    # closed form: at a quarter of the sample rate, 45 degrees off, samples are 3.01 dB below the
    # peaks of the sine; faded in and out, so that its ends do not overshoot
    between = np.sin(np.pi / 2 * np.arange(9600) + np.pi / 4)[:, None] * 10 ** (0.5 / 20)
    between = np.tile(between * np.hanning(9600)[:, None], (1, 2))
    mix = np.concatenate([quiet, burst, quiet, between, quiet, burst * [0.1, 1.0], quiet])
    measured = check_mix(write(tmp_path / "mix.wav", mix), []).measurements
    assert measured.peak_limit_dbtp == 0.0  # no destination, no other limit
    times = [place.time_s for place in measured.peaks_over_limit]
    levels = [place.level_dbtp for place in measured.peaks_over_limit]
    # each burst lasts 0.2 s
    assert times == pytest.approx([1.1, 2.3, 3.5], abs=0.1)
    # the search's own accuracy at up to a quarter of the rate; 0.05 dB for the edges of a burst
    assert levels == pytest.approx([1.0, 0.5, 1.0], abs=0.05)
    assert max(levels) == pytest.approx(measured.true_peak.level_dbtp, abs=1e-6)


def test_the_limit_is_that_of_the_strictest_destination(tmp_path: Path) -> None:
    """With destinations at -1 and -2 dBTP, places over -2 are named."""
    mix = write(tmp_path / "mix.wav", np.concatenate([tone(2, -1.5), tone(2, -6)]))
    measured = check_mix(mix, ["social", "netflix"], encode=()).measurements
    assert measured.peak_limit_dbtp == -2.0
    assert measured.peaks_over_limit
    assert all(place.time_s < 2.1 for place in measured.peaks_over_limit)


def test_voice_over_bed_over_time(tmp_path: Path) -> None:
    """The lead is drawn where the voice speaks, and dips where the bed rises."""
    bed = np.concatenate([tone(12, -34), tone(4, -28), tone(14, -34)])
    over = stems(tmp_path, phrases(-20), bed).over_time
    leads = over.voice_to_bed_lu
    assert leads is not None
    assert len(leads) == len(over.short_term_lufs)
    # closed form: -20 against -34, and against -28 in the windows from 12.0 to 13.0 s
    assert leads[0] == pytest.approx(14.0, abs=0.05)
    assert leads[125] == pytest.approx(8.0, abs=0.05)
    # the window from 4.1 s holds 1.1 s of voice: less than half
    assert leads[41] is None
    assert check_mix(tmp_path / "mix.wav", []).over_time.voice_to_bed_lu is None
