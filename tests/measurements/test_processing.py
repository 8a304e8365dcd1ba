"""Gating and noise reduction, done here to noise of known kind, and music under a voice."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import oaconvolve

from tests.accuracy.processing import Gate, gated
from tests.material import music
from tests.material import speech as voices
from tests.measurements.test_noise import band_noise, words
from vocheck.measurements import processing
from vocheck.policy.limits import load_limits
from vocheck.recording import Recording
from vocheck.voice.activity import activity_of

RATE = 48_000
THEORY_DB = (
    10 / math.log(10) * math.pi / math.sqrt(6)
)  # 5.57: of the log of an exponential variable
NOTE_DB = load_limits()["noise_reduction"].thresholds[0].value


def open_gain(depth_db: float) -> np.ndarray:
    """Return the gain of a gate that opens 50 ms before each word and closes 60 ms after it."""
    envelope = np.abs(words()) > 1e-4
    width = round(0.06 * RATE)
    reach = np.convolve(envelope, np.ones(2 * width), mode="same") > 0.5
    ramp = np.convolve(reach, np.hanning(480) / np.hanning(480).sum(), mode="same")
    return 10 ** (-depth_db / 20 * (1 - np.clip(ramp, 0, 1)))


def noisy(level_dbfs: float = -60.0) -> np.ndarray:
    return words() + 10 ** (level_dbfs / 20) * band_noise(6.0, 20, 20_000)


def test_an_untouched_take_shows_nothing():
    """Stationary noise under speech: no gate, no noise reduction, the theoretical spread."""
    found = processing.measure(Recording(noisy().astype(np.float32), RATE))
    assert found.gated is False
    assert found.gate_depth_db is None
    assert found.log_spectral_std_db < NOTE_DB
    # 0.15 dB: three standard deviations with the bins and frames of 2 s of pause.
    assert found.log_spectral_std_db == pytest.approx(THEORY_DB, abs=0.15)


@pytest.mark.parametrize("color", ["white", "pink", "brown"])
@pytest.mark.parametrize("rate", [16_000, 44_100, 96_000])
def test_gaussian_noise_has_the_theoretical_spread(color, rate):
    """5.57 dB whatever the color, level and rate (closed form)."""
    count = 4 * rate
    hz = np.maximum(np.fft.rfftfreq(count, 1 / rate), 20.0)
    power = {"white": 0.0, "pink": -0.5, "brown": -1.0}[color]
    spectrum = np.fft.rfft(np.random.default_rng(4).standard_normal(count)) * hz**power
    x = np.fft.irfft(spectrum, count)
    found = processing.measure(Recording((1e-3 * x / x.std()).astype(np.float32), rate))
    assert found.log_spectral_std_db == pytest.approx(THEORY_DB, abs=0.15)
    assert found.log_spectral_std_db < NOTE_DB


@pytest.mark.parametrize("depth_db", [10.0, 20.0, 40.0])
def test_a_gate_is_found_with_its_depth(depth_db):
    """The pauses turned down by 10 to 40 dB: gated, and by how much."""
    found = processing.measure(Recording((noisy() * open_gain(depth_db)).astype(np.float32), RATE))
    assert found.gated is True
    # 3 dB: where the voice covers the noise, its softest moments read a little high, and the
    # frames in which the gate is still closing read low.
    assert found.gate_depth_db == pytest.approx(depth_db, abs=3.0)


def test_the_score_of_a_gate_grows_with_its_depth():
    """Pauses turned down by 0, 3, 10 and 20 dB: the score rises, and 6 dB are 1 by definition."""
    scores = [
        processing.measure(
            Recording((noisy() * open_gain(depth_db)).astype(np.float32), RATE)
        ).gate_score
        for depth_db in (0.0, 3.0, 10.0, 20.0)
    ]
    assert scores == sorted(scores)
    assert scores[1] < 1.0 < scores[2]


@pytest.mark.parametrize("threshold_db", [-24.0, -12.0])
def test_a_gate_that_also_closes_inside_phrases_is_found(threshold_db):
    """A gate of 20 dB near the level of the voice: found, with the depth that was set."""
    take = voices.take("en-us+m3", voices.DEVELOPMENT_LINES[:3], room_db=-40.0)
    x = gated(take.samples, Gate(-23.0 + threshold_db, 20.0, hold_ms=20.0, release_ms=40.0))
    found = processing.measure(Recording(x, take.rate))
    assert found.gated is True
    # 1.5 dB: the pile of levels is looked for in steps of 0.5 dB, and bands may differ by 1 dB.
    assert found.gate_depth_db == pytest.approx(20.0, abs=1.5)


def test_the_nearer_a_gate_closes_to_the_voice_the_more_is_dead():
    """One take behind one gate at four thresholds: more and more of the phrases is dead."""
    take = voices.take("en-us+m3", voices.DEVELOPMENT_LINES[:3], room_db=-60.0)
    dead = [
        processing.measure(
            Recording(gated(take.samples, Gate(-23.0 + threshold_db, 40.0)), take.rate)
        ).gate_dead_fraction
        for threshold_db in (-30.0, -23.0, -16.0, -9.0)
    ]
    assert None not in dead
    assert dead == sorted(dead)
    assert dead[-1] > dead[0]


@pytest.mark.parametrize("room_db", [-62.0, -70.0, -90.0])
def test_a_quiet_booth_is_no_gate(room_db):
    """Where the noise is softer than any sound of the voice, that is no gate."""
    take = voices.take("en+f2", voices.DEVELOPMENT_LINES[:3], room_db=room_db)
    found = processing.measure(Recording(take.samples, take.rate))
    assert found.gated is False
    assert found.gate_dead_fraction is None
    assert found.not_measured["gate_dead_fraction"] == "no gate was found"


def test_noise_that_starts_half_way_is_no_gate():
    """A fan that runs from the middle on has two levels, too, but in the pauses as well."""
    take = voices.take("en-us+m3", voices.DEVELOPMENT_LINES[:4], room_db=-55.0)
    fan = (
        10 ** (-63 / 20)
        * band_noise(len(take.samples) / take.rate, 20, 20_000)[: len(take.samples)]
    )
    x = take.samples.copy()
    x[len(x) // 2 :] += fan[len(x) // 2 :].astype(np.float32)
    assert processing.measure(Recording(x, take.rate)).gated is False


def test_a_hard_gate_is_found_by_its_zeros():
    """Pauses of exact zeros: gated, and the depth is infinite, so there is no number."""
    x = noisy() * (open_gain(100.0) > 0.5)
    found = processing.measure(Recording(x.astype(np.float32), RATE))
    assert found.gated is True
    assert found.gate_depth_db is None
    assert found.not_measured["gate_depth_db"] == "the gate closes to digital silence"


def test_padding_is_no_gate():
    """Digital silence before and after the take is an editor's, not a gate's."""
    x = np.concatenate((np.zeros(RATE), noisy(), np.zeros(RATE))).astype(np.float32)
    assert processing.measure(Recording(x, RATE)).gated is False


def test_a_fade_out_and_a_hole_are_no_gate():
    """The last half second fades away, as an edit leaves it; 15 ms of a pause are lost."""
    faded, torn = noisy(), noisy()
    faded[-RATE // 2 :] *= np.linspace(1.0, 0.0, RATE // 2)
    start = round(
        (activity_of(Recording(torn.astype(np.float32), RATE)).usable_pauses[0][0]) * RATE
    )
    torn[start + 480 : start + 480 + round(0.015 * RATE)] = 0.0
    for x in (faded, torn):
        assert processing.measure(Recording(x.astype(np.float32), RATE)).gated is False


def test_sixteen_bits_without_dither_are_no_gate():
    """Noise below the last bit has many zeros, but no long run of them that stands for a gate."""
    x = np.round(noisy(-94.0) * 32768) / 32768
    assert processing.measure(Recording(x.astype(np.float32), RATE)).gated is False


def spectral_subtraction(x: np.ndarray, over: float = 2.0, floor_db: float = -30.0) -> np.ndarray:
    """Return `x` after power spectral subtraction (Boll 1979) of the mean of its first half second.

    Windows of 21 ms, three quarters overlapping.
    """
    size, hop = 1024, 256
    window = np.sqrt(np.hanning(size + 1)[:-1])
    padded = np.pad(x, size)
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop] * window
    spectra = np.fft.rfft(frames, axis=1)
    power = np.abs(spectra) ** 2
    noise = power[8 : round(0.5 * RATE / hop)].mean(axis=0)
    gain = np.sqrt(np.maximum(1 - over * noise / np.maximum(power, 1e-30), 10 ** (floor_db / 10)))
    out = np.zeros(len(padded))
    for i, frame in enumerate(np.fft.irfft(spectra * gain, size, axis=1) * window):
        out[i * hop : i * hop + size] += frame
    return out[size : size + len(x)] / 2


def test_musical_noise_is_found():
    """Spectral subtraction leaves lone bins that come and go: a spread well above the theory."""
    found = processing.measure(Recording(spectral_subtraction(noisy()).astype(np.float32), RATE))
    assert found.log_spectral_std_db > NOTE_DB
    assert found.log_spectral_std_db > THEORY_DB + 1.5


def test_noise_that_swells_is_no_noise_reduction():
    """A level that moves by 6 dB within the pauses does not count."""
    t = np.arange(6 * RATE) / RATE
    swell = 10 ** (3 * np.sin(2 * np.pi * t / 1.7) / 20)
    x = words() + 1e-3 * swell * band_noise(6.0, 20, 20_000)
    found = processing.measure(Recording(x.astype(np.float32), RATE))
    assert found.log_spectral_std_db < NOTE_DB


def melody(frames: int, note_s: float = 0.3) -> np.ndarray:
    """Return notes with eight harmonics, of RMS 1: each from a place of its own in two octaves."""
    rng, t = np.random.default_rng(7), np.arange(frames) / RATE
    x = np.zeros(frames)
    for start in np.arange(0.0, frames / RATE, note_s):
        inside = (start <= t) & (start + note_s > t)
        pitch_hz = 220.0 * 2.0 ** (rng.integers(24) / 12.0)
        x[inside] = sum(np.sin(2 * np.pi * n * pitch_hz * t[inside]) / n for n in range(1, 9))
    return x / np.sqrt(np.mean(x**2))


@pytest.mark.parametrize("level_db", [-20.0, -30.0, -40.0])
def test_a_melody_under_the_voice_is_found(level_db):
    """Notes that never stop: found, with the level that they have."""
    take = voices.take("en-us+m3", voices.DEVELOPMENT_LINES[:4], room_db=-60.0)
    x = take.samples + 10 ** ((level_db - 23.0) / 20) * melody(len(take.samples))
    found = processing.measure(Recording(x.astype(np.float32), take.rate))
    assert found.music_bed is True
    # 1.5 dB: notes differ in level where their harmonics fall near each other, and what lies under
    # the words is not heard.
    assert found.music_bed_re_speech_db == pytest.approx(level_db, abs=1.5)
    # The pauses do not tell the noise.
    assert found.log_spectral_std_db is None
    assert "tones come and go" in found.not_measured["log_spectral_std_db"]


def test_another_voice_under_the_voice_is_found():
    """Somebody who reads on next door, 30 dB below: has to go, too, whatever it is called."""
    take = voices.take("en-us+m3", voices.DEVELOPMENT_LINES[:4], room_db=-60.0)
    other = voices.take("kal", voices.DEVELOPMENT_LINES[4:8], rate=take.rate, room_db=-np.inf)
    reads_on = np.resize(other.samples[take.rate // 2 :], len(take.samples))
    x = take.samples + np.float32(10 ** (-30 / 20)) * reads_on
    assert processing.measure(Recording(x, take.rate)).music_bed is True


def test_an_echo_of_the_voice_is_no_music():
    """A room that sounds on for 2 s, as a recorded response with a noisy end makes it."""
    rng = np.random.default_rng(3)
    take = voices.take("en+f2", voices.DEVELOPMENT_LINES[:4], room_db=-np.inf)
    t = np.arange(2 * take.rate) / take.rate
    fall = np.maximum(10 ** (-3 * t / 0.3), 10 ** (-45 / 20))
    response = 0.05 * fall * rng.standard_normal(len(t))
    response[0] = 1.0
    wet = oaconvolve(take.samples, response).astype(np.float32)
    wet += np.float32(10 ** (-83 / 20)) * rng.standard_normal(len(wet), np.float32)
    found = processing.measure(Recording(wet, take.rate))
    assert found.music_bed_fraction > 0.6  # tones come and go,
    assert found.music_bed is False  # but none before the first word
    # Cut to where the voice is heard already: who is to tell?
    loud = np.argmax(np.abs(take.samples) > 0.1 * np.abs(take.samples).max())
    found = processing.measure(Recording(wet[loud:], take.rate))
    assert found.music_bed is None
    assert "before the first word" in found.not_measured["music_bed"]
    assert found.log_spectral_std_db is None


@pytest.mark.outside
def test_real_music_under_the_voice_is_found():
    """Music 30 dB below the voice: found under most of the pieces, and nothing without it."""
    take = voices.take("en-us", voices.TEST_LINES[:4], room_db=-60.0)
    assert processing.measure(Recording(take.samples, take.rate)).music_bed is False
    found = [
        processing.measure(
            Recording(music.under(take.samples, piece, -23.0 - 30.0), take.rate)
        ).music_bed
        for _, piece in music.excerpts(take.rate)[::2]
    ]
    # Two of three: the accuracy table says how many.
    assert 3 * found.count(True) >= 2 * len(found)


@pytest.mark.parametrize("kind", ["hum", "whine", "musical noise", "gate"])
def test_what_else_a_take_holds_is_no_music(kind):
    """Steady tones, lone bins that come and go, and a gate are nothing of the kind."""
    t = np.arange(6 * RATE) / RATE
    x = {
        "hum": lambda: noisy() + sum(np.sin(2 * np.pi * 50 * n * t) for n in (1, 2, 3, 5)) * 1e-3,
        "whine": lambda: noisy() + 3e-3 * np.sin(2 * np.pi * 1830 * t),
        "musical noise": lambda: spectral_subtraction(noisy()),
        "gate": lambda: noisy() * open_gain(20.0),
    }[kind]()
    assert processing.measure(Recording(x.astype(np.float32), RATE)).music_bed is False


def test_a_take_is_measured_once():
    """What `reverberation` asks for again is not computed again."""
    recording = Recording(noisy().astype(np.float32), RATE)
    assert processing.measure(recording) is processing.measure(recording)


def test_without_pauses_it_says_so():
    """No pause, no statement."""
    found = processing.measure(Recording(words()[RATE : RATE + 30_000], RATE))
    assert found.gated is None
    assert found.log_spectral_std_db is None
    assert "of usable pause" in found.not_measured["gated"]
    assert found.music_bed is None
    assert "soft enough" in found.not_measured["music_bed"]
