"""Zero runs and repeated buffers, put into speech at known places."""

from __future__ import annotations

import numpy as np
import pytest
import soxr

from tests.material import speech
from vocheck.measurements import dropouts
from vocheck.recording import Recording
from vocheck.voice.activity import activity_of
from vocheck.voice.level import active_level_of

RATE = 48000


@pytest.fixture(scope="module")
def voice() -> np.ndarray:
    return speech.take("en-us", speech.TEST_LINES[:2]).samples


def loudest(x: np.ndarray, frames: int = 4800) -> int:
    """Return the start of the loudest stretch of `frames`."""
    energy = np.cumsum(np.square(x, dtype=np.float64))
    return int(np.argmax(energy[frames:] - energy[:-frames]))


def events(x: np.ndarray) -> tuple[dropouts.Dropout, ...]:
    return dropouts.measure(Recording(x, RATE)).events


def test_clean_speech_has_none(voice: np.ndarray):
    """Untouched speech has no dropout."""
    assert events(voice) == ()


@pytest.mark.parametrize("ms", [0.5, 1, 3, 10, 30])
def test_a_run_of_zeros_in_speech(voice: np.ndarray, ms: float):
    """Start and end are right to a sample or two: speech itself may cross zero at the edges."""
    place, frames = loudest(voice), round(ms * RATE / 1000)
    x = voice.copy()
    x[place : place + frames] = 0.0
    (event,) = events(x)
    assert event.kind == "zero-run"
    assert event.start_s * RATE == pytest.approx(place, abs=2)
    assert event.end_s * RATE == pytest.approx(place + frames, abs=2)


@pytest.mark.parametrize("frames", [128, 441, 480, 1000, 1024, 4096])
def test_a_repeated_buffer_of_any_length(voice: np.ndarray, frames: int):
    """The second playing is found, whatever the size of the buffer."""
    place = loudest(voice) + 4096
    x = voice.copy()
    x[place : place + frames] = x[place - frames : place]
    (event,) = events(x)
    assert event.kind == "repeat"
    assert event.start_s * RATE == pytest.approx(place, abs=2)
    assert event.end_s * RATE == pytest.approx(place + frames, abs=2)


def test_gain_hides_neither_kind(voice: np.ndarray):
    """Exact equality survives a gain."""
    place = loudest(voice)
    x = voice.copy()
    x[place : place + 100] = 0.0
    x[place + 3000 : place + 3480] = x[place + 2520 : place + 3000]
    assert [e.kind for e in events(x * np.float32(0.1))] == ["zero-run", "repeat"]


@pytest.mark.parametrize("ms", [1, 8.25, 40])
@pytest.mark.parametrize("lead", [0, 20])
def test_zeros_at_the_ends_of_a_file_are_no_dropout(voice: np.ndarray, ms: float, lead: int):
    """A file that was cut close may begin and end in zeros, or in a few samples of the room."""
    place, frames = loudest(voice), round(ms * RATE / 1000)
    cut = voice[place : place + RATE]
    room = np.float32(2.0**-15) * np.where(np.arange(lead) % 2, 1, -1).astype(np.float32)
    zeros = np.zeros(frames, np.float32)
    assert events(np.concatenate((room, zeros, cut, zeros, room))) == ()


@pytest.mark.parametrize("rate", [8000, 11025, 16000])
def test_low_rates_bring_no_dropouts(rate: int):
    """Real readers are whole at any rate: a wave only passes zero more slowly, in samples."""
    for reader in (*speech.labelled(), *speech.unlabelled()):
        x = soxr.resample(reader.samples, reader.rate, rate).astype(np.float32)
        assert dropouts.measure(Recording(x, rate)).events == (), reader.text


def test_an_emptied_pause_is_no_dropout(voice: np.ndarray):
    """Digital silence between the phrases, as a gate leaves it, breaks into no word."""
    recording = Recording(voice, RATE)
    x = voice.copy()
    for start_s, end_s in activity_of(recording).usable_pauses:
        x[round(start_s * RATE) : round(end_s * RATE)] = 0.0
    assert events(x) == ()


def test_a_test_tone_repeats_itself_by_nature():
    """A sine of a whole number of samples per period is no repeated buffer."""
    period = np.sin(2 * np.pi * np.arange(48) / 48).astype(np.float32) * np.float32(0.3)
    assert events(np.tile(period, 3000)) == ()


def test_every_channel_is_searched(voice: np.ndarray):
    """A dropout in the softer channel is found too."""
    place = loudest(voice)
    second = voice * np.float32(0.7)
    second[place : place + 480] = 0.0
    assert [e.kind for e in events(np.column_stack([voice, second]))] == ["zero-run"]


@pytest.mark.parametrize("rate", [44100, 96000])
@pytest.mark.parametrize("ms", [1, 3, 10])
def test_a_gap_survives_resampling(voice: np.ndarray, ms: float, rate: int):
    """Once resampled, the zeros ring (the filter reaches 1 ms): the hole is still a gap."""
    place, frames = loudest(voice), round(ms * RATE / 1000)
    x = voice.copy()
    x[place : place + frames] = 0.0
    resampled = soxr.resample(x, RATE, rate, "HQ")
    (event,) = dropouts.measure(Recording(resampled, rate)).events
    assert event.kind == "zero-run"
    assert event.start_s == pytest.approx(place / RATE, abs=0.001)
    assert event.end_s == pytest.approx((place + frames) / RATE, abs=0.001)


def test_a_gap_survives_noise(voice: np.ndarray):
    """Noise 60 dB below the voice fills a gap of 3 ms, which stays a hole with sharp edges."""
    place = loudest(voice)
    x = voice.copy()
    x[place : place + 144] = 0.0
    rms = np.sqrt(np.mean(np.square(voice)))
    x += (0.001 * rms * np.random.default_rng(0).standard_normal(len(x))).astype(np.float32)
    (event,) = events(x)
    assert event.kind == "zero-run"
    assert event.start_s == pytest.approx(place / RATE, abs=0.001)


@pytest.mark.parametrize("rate", [44100, 96000])
@pytest.mark.parametrize("frames", [480, 1024])
def test_a_repeat_survives_resampling(voice: np.ndarray, frames: int, rate: int):
    """The second playing equals the first to within the ringing at its edges (blocks of 1 ms)."""
    place = loudest(voice) + 4096
    x = voice.copy()
    x[place : place + frames] = x[place - frames : place]
    resampled = soxr.resample(x, RATE, rate, "HQ")
    (event,) = dropouts.measure(Recording(resampled, rate)).events
    assert event.kind == "repeat"
    assert event.start_s == pytest.approx(place / RATE, abs=0.003)
    assert event.end_s == pytest.approx((place + frames) / RATE, abs=0.003)


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_clean_speech_has_none_at_any_rate(voice: np.ndarray, rate: int):
    """Nearly periodic vowels and the closures of stops are neither repeats nor gaps."""
    resampled = soxr.resample(voice, RATE, rate, "HQ")
    assert dropouts.measure(Recording(resampled, rate)).events == ()


def test_a_click_beside_a_pause_is_no_gap(voice: np.ndarray):
    """A digital click followed by quiet looks like an edge; nothing is lost there."""
    rng = np.random.default_rng(2)
    level = active_level_of(Recording(voice, RATE)).dbfs
    x = voice + rng.standard_normal(len(voice)) * 10 ** ((level - 60) / 20)
    places = np.arange(RATE // 10, len(x) - RATE // 10, RATE // 20)
    x[places] += 10 ** (level / 20)
    found = events(x.astype(np.float32))
    assert [event for event in found if event.end_s - event.start_s > 0.01] == []


@pytest.mark.parametrize("gain_db", [0, -20])
@pytest.mark.parametrize("frames", [16, 32, 100, 500])
def test_random_numbers_in_place_of_samples(voice: np.ndarray, frames: int, gain_db: int):
    """Garbage is found where it starts and ends, at any gain, and in a pause as well."""
    rng = np.random.default_rng(frames)
    pause = activity_of(Recording(voice, RATE)).pauses[0]
    for place in (loudest(voice), round(sum(pause) / 2 * RATE)):
        x = voice.copy()
        x[place : place + frames] = rng.uniform(-1, 1, frames)
        (event,) = events(x * np.float32(10 ** (gain_db / 20)))
        assert event.kind == "scrambled"
        assert event.start_s * RATE == pytest.approx(place, abs=4)
        assert event.end_s * RATE == pytest.approx(place + frames, abs=4)


def test_soft_noise_is_no_garbage(voice: np.ndarray):
    """A short hiss 10 dB below the voice is white, too, and does not count."""
    level = active_level_of(Recording(voice, RATE)).dbfs
    x = np.zeros(2 * RATE, np.float32)
    x[RATE : RATE + 200] = 10 ** ((level - 10) / 20) * np.random.default_rng(1).standard_normal(200)
    assert events(np.concatenate([voice, x])) == ()
