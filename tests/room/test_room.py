"""Measuring a room: claps, sweeps, room tone, what is refused, and two positions compared."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile

import vocheck
from vocheck.dsp.impulses import find_impulses, recognise
from vocheck.dsp.octaves import bands, power_spectrum
from vocheck.dsp.sweep import LEVEL_DBFS, exponential_sweep
from vocheck.errors import AudioError
from vocheck.recording import Recording
from vocheck.room import RoomResult, measure_room
from vocheck.room.positions import compare_positions
from vocheck.wording.positions import sentence, verdict
from vocheck.wording.room import notes

Signal = npt.NDArray[np.float64]
RATE_HZ = 48_000


def claps(
    t60_s: float = 0.3,
    count: int = 3,
    gap_s: float = 1.5,
    noise_dbfs: float = -75.0,
    direct: float = 0.0,
    seed: int = 0,
    rate_hz: int = RATE_HZ,
) -> Signal:
    """Return impulses in a room with an exponential decay, peaks at half scale, in steady noise."""
    rng = np.random.default_rng(seed)
    x = np.zeros(round((1.0 + count * gap_s) * rate_hz))
    for index in range(count):
        start = round((0.7 + index * gap_s) * rate_hz)
        times = np.arange(min(len(x) - start, round(2.0 * t60_s * rate_hz))) / rate_hz
        decay = rng.standard_normal(len(times)) * 10.0 ** (-3.0 * times / t60_s)
        decay[0] += direct
        x[start : start + len(decay)] += decay * rng.uniform(0.6, 1.0)
    x *= 0.5 / np.abs(x).max()
    return x + rng.standard_normal(len(x)) * 10.0 ** (noise_dbfs / 20.0)


def standard_error(t60_s: float, impulses: int) -> float:
    """Return that of the mean T20 of 500 Hz and 1 kHz, in seconds.

    ISO 3382-2:2008, clause 7.1 (from memory), for a number of integrated impulse responses:
    0.88 sqrt((1 + 1.90 / 10) / (B T N)) of T in each octave, B of them 0.707 of the centre.
    """
    each = [
        0.88 * t60_s * math.sqrt(1.19 / (0.707 * hz * t60_s * impulses)) for hz in (500.0, 1000.0)
    ]
    return math.hypot(*each) / 2


def noise(dbfs: float, seconds: float, seed: int = 1) -> Signal:
    """Return white noise of this RMS."""
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(round(seconds * RATE_HZ))
    return x * 10.0 ** (dbfs / 20.0) / math.sqrt(float(np.mean(x**2)))


def tone(frequency_hz: float, rms_dbfs: float, seconds: float) -> Signal:
    """Return a sine of this RMS."""
    times = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return math.sqrt(2.0) * 10.0 ** (rms_dbfs / 20.0) * np.sin(2.0 * np.pi * frequency_hz * times)


def measured(x: Signal, **options: object) -> RoomResult:
    """Measure an array."""
    return measure_room(Recording(x, RATE_HZ), **options)  # type: ignore[arg-type]


class TestClaps:
    @pytest.mark.parametrize("t60_s", [0.15, 0.3, 0.7])
    def test_the_reverberation_time_of_claps_is_that_of_the_room(self, t60_s: float) -> None:
        """Closed form; three standard errors of three impulses (`standard_error`)."""
        result = measured(claps(t60_s, gap_s=2.0))
        assert result.excitation == "impulse"
        assert len(result.responses) == 3
        assert result.mid_t_s == pytest.approx(t60_s, abs=3.0 * standard_error(t60_s, 3))
        assert result.mid_scatter_s == pytest.approx(standard_error(t60_s, 3), rel=0.2)
        assert result.mid_spread_s is not None

    def test_each_clap_is_found_where_it_is(self) -> None:
        """Closed form: 0.7 s and every 1.5 s after it, to the 20 dB rule's few samples."""
        onsets = [response.onset_s for response in measured(claps(count=4)).responses]
        assert onsets == pytest.approx([0.7, 2.2, 3.7, 5.2], abs=0.001)

    def test_the_mean_of_several_files_is_the_mean_of_their_claps(self) -> None:
        """Two files of two claps weigh like the four claps they hold."""
        files = [Recording(claps(count=2, seed=seed), RATE_HZ) for seed in (1, 2)]
        both = measure_room(files)
        each = [measure_room(file).mid_t_s or 0.0 for file in files]
        assert len(both.responses) == 4
        assert both.mid_t_s == pytest.approx(sum(each) / 2)

    def test_what_does_not_belong_to_the_claps_changes_nothing(self) -> None:
        """DC, digital silence at both ends, polarity, gain and a second channel leave T20 alone."""
        x = claps(0.2)
        plain = measured(x)
        silence = np.zeros(RATE_HZ)
        variants = {
            "dc": x + 0.05,
            "inverted": -x,
            "20 dB softer": 0.1 * x,
            "silence": np.concatenate((silence, x, silence)),
            "a dead channel": np.column_stack((np.zeros_like(x), x)),
        }
        for name, variant in variants.items():
            assert measured(variant).mid_t_s == pytest.approx(plain.mid_t_s, rel=1e-3), name

    def test_the_sample_rate_changes_little(self) -> None:
        """The same room at 44.1 and 96 kHz, other noise: three standard errors."""
        for rate_hz in (44_100, 96_000):
            result = measure_room(Recording(claps(0.3, rate_hz=rate_hz), rate_hz))
            assert result.mid_t_s == pytest.approx(0.3, abs=3.0 * standard_error(0.3, 3))

    def test_a_near_microphone_hears_the_room_behind_the_direct_sound(self) -> None:
        """Closed form: a direct sound 20 dB over the decay does not shorten T20, but raises C50."""
        far, near = measured(claps(0.3)), measured(claps(0.3, direct=60.0, noise_dbfs=-100.0))
        assert near.mid_t_s == pytest.approx(0.3, abs=3.0 * standard_error(0.3, 3))
        assert near.mid_c50_db is not None
        assert far.mid_c50_db is not None
        assert near.mid_c50_db > far.mid_c50_db + 6.0
        assert any("nearer to the source" in note for note in notes(near))

    def test_a_clap_too_soft_for_its_noise_gives_reasons(self) -> None:
        """Closed form: a peak 35 dB over the noise holds no 28 dB of decay."""
        result = measured(claps(0.3, noise_dbfs=-41.0))
        assert result.mid_t_s is None
        assert "dB are needed" in result.not_measured["mid_t_s"]
        assert not any(band.valid for band in result.bands)
        assert all(band.reason for band in result.bands)

    def test_claps_too_near_to_each_other_are_told(self) -> None:
        """A room of 1.2 s has not died away after half a second."""
        result = measured(claps(1.2, gap_s=0.5))
        assert any("before" in note and "died away" in note for note in notes(result))
        assert [band.responses for band in result.bands[3:]] == [1] * 5  # the last clap only

    def test_a_gate_that_cuts_the_decay_is_told(self) -> None:
        """The stretch ends at the digital silence, and a decay seen over 20 dB gives no T20."""
        x = claps(0.6, count=1)
        x[round(0.9 * RATE_HZ) :] = 0.0
        x = np.concatenate((x, noise(-75.0, 0.5)))
        result = measured(x, excitation="impulse")
        assert any("gate" in note for note in notes(result))
        assert result.mid_t_s is None

    def test_an_overload_is_told(self) -> None:
        """Clipping flattens the direct sound: early measures of it are not to be trusted."""
        result = measured(np.clip(4.0 * claps(0.3), -1.0, 1.0))
        assert all(response.overloaded for response in result.responses)
        assert any("overloads" in note for note in notes(result))

    def test_one_clap_asks_for_more(self) -> None:
        """A mean of one is told as such."""
        assert any("three or more" in note for note in notes(measured(claps(count=1))))

    def test_third_octaves_average_to_the_same_room(self) -> None:
        """Closed form; ISO 3382-1: mid-band of third-octaves is 400 to 1250 Hz."""
        result = measured(claps(0.7, gap_s=2.5), fraction=3)
        assert len(result.bands) == 20
        assert result.mid_t_s == pytest.approx(0.7, abs=3.0 * standard_error(0.7, 3))

    def test_targets_are_published_values_with_their_source(self) -> None:
        """Closed form: 0.25 (100/100)^(1/3) s for a listening room of 100 m3."""
        result = measured(claps(0.3), volume_m3=100.0)
        listening = result.comparisons[-1]
        assert (listening.low_s + listening.high_s) / 2 == pytest.approx(0.25)
        assert all(comparison.source and comparison.status for comparison in result.comparisons)

    def test_a_roomy_place_is_a_finding(self) -> None:
        """0.7 s is above both limits."""
        findings = {f.name: f.severity for f in measured(claps(0.7, gap_s=2.5)).findings}
        assert findings["room_live"] == "fixable"


class TestSweeps:
    def played(self, t60_s: float = 0.3, tail_s: float = 2.0) -> tuple[Signal, Signal]:
        """Return a sweep and its recording in a room."""
        from scipy.signal import fftconvolve

        sweep = exponential_sweep(RATE_HZ, 3.0)
        (room,) = np.split(claps(t60_s, count=1, noise_dbfs=-200.0)[round(0.7 * RATE_HZ) :], 1)
        lead, tail = np.zeros(RATE_HZ), np.zeros(round(tail_s * RATE_HZ))
        recorded = fftconvolve(np.concatenate((lead, sweep, tail)), room)
        recorded *= 0.5 / np.abs(recorded).max()
        return sweep, recorded + noise(-70.0, len(recorded) / RATE_HZ)

    def test_a_sweep_measures_what_a_clap_does(self) -> None:
        """Closed form, three standard errors; the noise comes from before the sweep."""
        sweep, recorded = self.played()
        result = measured(recorded, sweep=Recording(sweep, RATE_HZ))
        assert result.excitation == "sweep"
        assert result.onset_s == pytest.approx(1.0, abs=0.002)
        assert result.mid_t_s == pytest.approx(0.3, abs=3.0 * standard_error(0.3, 1))
        assert result.noise is not None
        assert result.noise.floor_dbfs == pytest.approx(-70.0, abs=0.3)

    def test_a_sweep_that_is_not_heard_is_told(self) -> None:
        """Noise alone beside a reference was taken for room tone, without a word."""
        sweep = Recording(exponential_sweep(RATE_HZ, 3.0), RATE_HZ)
        with pytest.raises(AudioError, match="no sweep stands out of its noise"):
            measured(noise(-40.0, 6.0), sweep=sweep)
        assert measured(noise(-40.0, 6.0)).excitation == "room tone"

    def test_a_sweep_outruns_its_noise(self) -> None:
        """A sweep of 3 s at half scale gains more than 30 dB over an impulse at half scale."""
        sweep, recorded = self.played()
        swept = measured(recorded, sweep=Recording(sweep, RATE_HZ))
        clapped = measured(claps(0.3, noise_dbfs=-70.0))
        assert (swept.bands[4].dynamic_range_db or 0.0) > 20.0 + (
            clapped.bands[4].dynamic_range_db or 0.0
        )

    def test_the_reference_may_have_another_sample_rate(self) -> None:
        """The sweep is brought to the rate of the recording."""
        _, recorded = self.played()
        reference = Recording(exponential_sweep(96_000, 3.0, high_hz=20_000.0), 96_000)
        assert measured(recorded, sweep=reference).mid_t_s == pytest.approx(0.3, rel=0.2)

    def test_a_sweep_without_reference_is_refused(self) -> None:
        """It is recognised, and the message says what is missing."""
        _, recorded = self.played()
        with pytest.raises(AudioError, match="reference"):
            measured(recorded)

    def test_a_recording_that_misses_half_of_the_sweep_is_told(self) -> None:
        """Cut in the middle: what comes of it is no impulse."""
        sweep, recorded = self.played()
        with pytest.raises(AudioError, match="no impulse stands 20 dB out of its noise"):
            measured(recorded[: round(2.0 * RATE_HZ)], sweep=Recording(sweep, RATE_HZ))

    def test_a_made_sweep_is_safe_and_whole(self) -> None:
        """Peak -12 dBFS, starts and ends at zero, and is flat per octave less 3 dB."""
        sweep = exponential_sweep(RATE_HZ, 6.0)
        assert 20.0 * math.log10(np.abs(sweep).max()) == pytest.approx(LEVEL_DBFS, abs=0.01)
        assert abs(sweep[0]) < 1e-6
        assert abs(sweep[-1]) < 1e-3
        spectrum = power_spectrum(sweep, RATE_HZ, 2.0)
        # Closed form: an exponential sweep spends the same time, so energy, in every octave.
        levels = [10.0 * math.log10(spectrum.band(band)) for band in bands(1, 125.0, 8000.0)]
        assert np.ptp(levels) < 0.5


class TestNoise:
    def test_octaves_of_white_noise_rise_by_3_db(self) -> None:
        """Closed form: band power is in proportion to bandwidth; 0.5 dB is the scatter at 63 Hz."""
        result = measured(noise(-60.0, 20.0))
        assert result.excitation == "room tone"
        assert result.noise is not None
        assert result.noise.floor_dbfs == pytest.approx(-60.0, abs=0.1)
        for band, found in zip(bands(1, 63.0, 8000.0), result.noise.bands[1:9], strict=True):
            expected = -60.0 + 10.0 * math.log10(band.width_hz / (RATE_HZ / 2))
            assert found.level_dbfs == pytest.approx(expected, abs=0.5)

    def test_no_class_without_calibration(self) -> None:
        """The level in the room is not known, and is said not to be."""
        result = measured(noise(-60.0, 10.0))
        assert result.noise is not None
        assert result.noise.nc is None
        assert "calibration" in result.not_measured["noise.nc"]

    @pytest.mark.parametrize("spl_db", [94.0, 114.0])
    def test_a_calibrator_gives_the_class(self, spl_db: float) -> None:
        """Closed form: with 94 dB at -30 dBFS, a tone of -94 dBFS at 1 kHz is 30 dB: NC-29, NR-30.

        NC at 1 kHz: 27 dB is NC-25 and 31 dB NC-30, so 30 dB is 28.75, rounded up.
        """
        calibrator = Recording(tone(1000.0, spl_db - 124.0, 3.0), RATE_HZ)
        quiet = tone(1000.0, -94.0, 10.0) + noise(-120.0, 10.0)
        result = measured(quiet, calibration=calibrator, spl_db=spl_db, excitation="room tone")
        assert result.noise is not None
        assert result.noise.full_scale_db == pytest.approx(124.0, abs=0.05)
        assert (result.noise.nc, result.noise.nc_hz) == (29, 1000.0)
        assert (result.noise.nr, result.noise.nr_hz) == (30, 1000.0)
        assert result.noise.level_a_db == pytest.approx(30.0, abs=0.2)

    def test_a_calibration_that_is_no_tone_is_refused(self) -> None:
        """Noise tells no level."""
        with pytest.raises(AudioError, match="not a steady tone"):
            measured(noise(-60.0, 5.0), calibration=Recording(noise(-20.0, 3.0), RATE_HZ))

    def test_hum_is_found(self) -> None:
        """50 Hz and its third harmonic, 20 dB over the noise in their bins."""
        x = noise(-75.0, 10.0) + tone(50.0, -62.0, 10.0) + tone(150.0, -66.0, 10.0)
        result = measured(x, excitation="room tone")
        assert result.noise is not None
        assert result.noise.mains_hz == 50
        assert "room_hum" in {finding.name for finding in result.findings}

    def test_gated_pauses_tell_no_noise(self) -> None:
        """Digital silence between the claps is no quiet room."""
        x = claps(0.1)
        for start_s in (1.0, 2.5, 4.0):
            x[round(start_s * RATE_HZ) : round((start_s + 1.0) * RATE_HZ)] = 0.0
        result = measured(x[round(0.5 * RATE_HZ) :], excitation="impulse")
        assert result.noise is None
        assert "gate" in result.not_measured["noise"]

    def test_room_tone_beside_claps_gives_the_noise(self) -> None:
        """The tone was recorded for it; the pause between claps is shorter."""
        tone_file = Recording(noise(-66.0, 8.0), RATE_HZ)
        result = measure_room([Recording(claps(0.3), RATE_HZ), tone_file])
        assert result.excitation == "impulse"
        assert result.noise is not None
        assert result.noise.duration_s == pytest.approx(8.0)
        assert result.noise.floor_dbfs == pytest.approx(-66.0, abs=0.1)


class TestRefusals:
    def test_silence_is_refused(self) -> None:
        """Nothing sounds."""
        with pytest.raises(AudioError, match="digital silence"):
            measured(np.zeros(RATE_HZ))

    @pytest.mark.parametrize("length", [0, 1, 100])
    def test_next_to_nothing_is_refused(self, length: int) -> None:
        """Too short to hold anything."""
        with pytest.raises(AudioError):
            measured(noise(-20.0, 1.0)[:length])

    def test_what_is_none_of_the_three_is_refused(self) -> None:
        """Syllables: bursts of 150 ms, four a second, with soft attacks."""
        times = np.arange(6 * RATE_HZ) / RATE_HZ
        syllables = noise(-20.0, 6.0) * np.clip(np.sin(2.0 * np.pi * 4.0 * times), 0.0, 1.0) ** 2
        with pytest.raises(AudioError, match="neither a clap, a sweep nor room tone"):
            measured(syllables + noise(-70.0, 6.0, seed=3))

    def test_a_sample_rate_below_8_khz_is_refused(self) -> None:
        """No octave of the voice would be left."""
        with pytest.raises(AudioError, match="too low"):
            measure_room(Recording(claps()[::12], 4000))

    def test_no_recording_is_refused(self) -> None:
        """An empty list is a mistake of the caller."""
        with pytest.raises(AudioError, match="no recording"):
            measure_room([])


class TestResult:
    def test_a_path_works_like_an_array(self, tmp_path: Path) -> None:
        """As a path and as text; the public name is the function itself."""
        path = tmp_path / "claps.wav"
        soundfile.write(path, claps(0.3), RATE_HZ, "DOUBLE")
        assert vocheck.measure_room is measure_room
        found = [vocheck.measure_room(path), vocheck.measure_room(str(path))]
        assert found[0].path == str(path)
        assert found[0].mid_t_s == found[1].mid_t_s == measured(claps(0.3)).mid_t_s

    def test_the_plain_data_are_strict_json_with_the_names_of_the_schema(self) -> None:
        """No NaN anywhere; the schema's names are all there."""
        plain = json.loads(json.dumps(measured(claps(0.3)).to_dict(), allow_nan=False))
        assert {
            *("path", "excitation", "onset_s", "peak_to_noise_db", "bands", "mid_t_s"),
            *("noise", "findings"),
        } <= set(plain)
        assert {
            *("centre_hz", "edt_s", "t20_s", "t30_s", "c50_db", "d50", "ts_s"),
            *("dynamic_range_db", "valid", "reason"),
        } <= set(plain["bands"][0])
        assert {"floor_dbfs", "bands", "nc", "nr"} <= set(plain["noise"])

    def test_the_input_is_untouched(self) -> None:
        """Recordings are read-only views."""
        x = claps(0.3)
        before = x.copy()
        measured(x)
        np.testing.assert_array_equal(x, before)


class TestRecognition:
    def test_each_kind_is_recognised(self) -> None:
        """Claps, a sweep, room tone; a long sweep as well as a short one."""
        assert recognise(claps(0.1), RATE_HZ) == "impulse"
        assert recognise(claps(1.5, gap_s=3.0), RATE_HZ) == "impulse"
        assert recognise(noise(-60.0, 5.0), RATE_HZ) == "room tone"
        for seconds in (2.0, 20.0):
            assert recognise(exponential_sweep(RATE_HZ, seconds), RATE_HZ) == "sweep"

    def test_a_response_that_starts_with_its_peak_is_found(self) -> None:
        """Closed form: no sample lies before the impulse."""
        x = claps(0.3, count=1)[round(0.7 * RATE_HZ) :]
        (impulse,) = find_impulses(x, RATE_HZ)
        assert impulse.start == 0

    def test_reflections_are_no_second_clap(self) -> None:
        """An echo 30 ms behind belongs to the clap, one of 300 ms is another sound."""
        x = claps(0.1, count=1, noise_dbfs=-80.0)
        for delay_s, count in ((0.03, 1), (0.3, 2)):
            echo = x + np.roll(x, round(delay_s * RATE_HZ))
            assert len(find_impulses(echo, RATE_HZ)) == count


class TestPositions:
    def test_the_drier_and_quieter_of_two_positions_is_better(self) -> None:
        """Same claps, other room and noise: the sentence names both reasons."""
        near = Recording(claps(0.15, noise_dbfs=-80.0), RATE_HZ)
        far = Recording(claps(0.35, noise_dbfs=-70.0, seed=5), RATE_HZ)
        result = compare_positions(near, far)
        assert result.kind == "impulse"
        assert result.better == "first"
        assert "quieter" in verdict(result)
        assert "drier" in verdict(result)
        assert compare_positions(far, near).better == "second"

    def test_a_recording_does_not_differ_from_itself(self) -> None:
        """Nothing is better, no difference is told."""
        x = Recording(claps(0.3), RATE_HZ)
        result = compare_positions(x, x)
        assert result.better is None
        assert all(difference.better is None for difference in result.differences)
        assert all(band.difference_db == 0.0 for band in result.tone)

    def test_more_bass_is_heard_as_such(self) -> None:
        """Closed form: +12 dB below 500 Hz by a shelf; the sentence names the region."""
        from scipy.signal import butter, sosfilt

        x = claps(0.3)
        low = sosfilt(butter(4, 500.0, "lowpass", fs=RATE_HZ, output="sos"), x)
        result = compare_positions(Recording(x, RATE_HZ), Recording(x + 3.0 * low, RATE_HZ))
        told = [sentence(d, result) for d in result.differences if d.name == "tone"]
        assert any("more in the bass" in sentence for sentence in told)

    def test_words_in_a_livelier_room_are_heard_as_such(self) -> None:
        """A take of the demo session against itself in a room of 0.6 s with 20 dB more noise."""
        from scipy.signal import fftconvolve

        take = vocheck.read(Path(__file__).parents[2] / "fixtures/session/01_river_t1.flac")
        rng = np.random.default_rng(8)
        times = np.arange(round(0.8 * take.rate)) / take.rate
        room = 0.02 * rng.standard_normal(len(times)) * 10.0 ** (-3.0 * times / 0.6)
        room[0] = 1.0
        voice = take.voice.astype(np.float64)
        wet = fftconvolve(voice, room)[: len(voice)]
        wet += 10.0 ** (-54.0 / 20.0) * rng.standard_normal(len(wet))
        result = compare_positions(take, Recording(wet, take.rate))
        assert result.kind == "words"
        assert result.better == "first"
        assert "quieter" in verdict(result)
        assert "drier" in verdict(result) or "clearer" in verdict(result)

    def test_different_kinds_are_refused(self) -> None:
        """Claps do not compare with room tone."""
        with pytest.raises(AudioError, match="compare the same words"):
            compare_positions(Recording(claps(), RATE_HZ), Recording(noise(-60.0, 5.0), RATE_HZ))

    def test_room_tones_compare_by_level(self) -> None:
        """Closed form: 10 dB apart."""
        pair = [Recording(noise(level, 5.0), RATE_HZ) for level in (-60.0, -70.0)]
        result = compare_positions(*pair)
        assert result.better == "second"
        assert "10.0 dB quieter" in sentence(result.differences[0], result)
