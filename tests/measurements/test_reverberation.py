"""Reverberation from speech, against rooms whose decay is known in closed form or was published."""

from __future__ import annotations

from functools import cache
from importlib import resources
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile
from scipy.signal import butter, istft, oaconvolve, sosfilt, stft

import vocheck.measurements
from tests.material import outside, packages, speech
from tests.measurements.test_processing import melody
from vocheck.dsp.resample import resample
from vocheck.measurements.reverberation import COEFFICIENTS, decays, measure, pool
from vocheck.recording import Recording

LIVING_ROOM_T30_S = np.mean([0.259, 0.227, 0.211])
"""Mean of the octaves 500 Hz to 2 kHz in the package's own tests (published beside the file)."""

RATE = 48_000
Samples = npt.NDArray[np.float32]


@cache
def dry(voice: str = "en-us") -> Samples:
    """Return about 18 s of speech that no room has touched: test lines with pauses between."""
    pause = np.zeros(round(0.5 * RATE), np.float32)
    parts = [
        part
        for line in speech.TEST_LINES[:5]
        for part in (pause, speech.synthesise(line, voice).at(RATE).samples)
    ]
    return np.concatenate([*parts, pause])


def room(rt60_s: float, direct_db: float = 6.0, seed: int = 3) -> Samples:
    """Return direct sound and, from 3 ms on, noise that decays by 60 dB in `rt60_s`.

    `direct_db` is the energy of the direct sound over that of the decay.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(round(1.3 * rt60_s * RATE)) / RATE
    tail = rng.standard_normal(len(t)) * 10.0 ** (-3.0 * t / rt60_s)
    tail *= 10.0 ** (-direct_db / 20.0) / np.sqrt(np.sum(tail**2))
    return np.concatenate(([1.0], np.zeros(round(0.003 * RATE)), tail)).astype(np.float32)


def take(response: Samples, snr_db: float = 50.0, voice: str = "en-us") -> Samples:
    """Return the dry voice in a room, over white noise."""
    wet = oaconvolve(dry(voice), response)
    noise = np.random.default_rng(4).standard_normal(len(wet))
    noise *= np.sqrt(np.mean(wet**2)) * 10.0 ** (-snr_db / 20.0)
    return np.asarray(wet + noise, np.float32)


@pytest.mark.parametrize("voice", ["slt", "en-us"])
@pytest.mark.parametrize("rt60_s", [0.15, 0.25, 0.4, 0.6, 0.9])
def test_exponential_room_is_found(rt60_s: float, voice: str) -> None:
    """A room that decays exponentially in all bands is told with an interval around the truth."""
    found = measure(Recording(take(room(rt60_s), voice=voice), RATE))
    assert found.rt60_s is not None
    # Closed form. One synthetic voice in one room: twice the 15 % within which half of the
    # estimates lie in the accuracy table.
    assert found.rt60_s == pytest.approx(rt60_s, rel=0.3)
    assert found.rt60_low_s <= found.rt60_s <= found.rt60_high_s
    assert found.at_limit == ""
    assert [band.centre_hz for band in found.bands] == [500.0, 1000.0, 2000.0, 4000.0]


def test_the_order_of_rooms_is_kept() -> None:
    """A longer room never reads shorter, from dead to hall."""
    times = [
        measure(Recording(take(room(rt60_s)), RATE)).rt60_s
        for rt60_s in (0.08, 0.16, 0.3, 0.6, 1.2)
    ]
    assert times == sorted(times)


def test_clarity_follows_the_distance() -> None:
    """Six decibels more direct sound raise C50; the reverberation time stays."""
    near, far = (measure(Recording(take(room(0.5, direct_db)), RATE)) for direct_db in (12.0, 0.0))
    for found, direct_db in ((near, 12.0), (far, 0.0)):
        # Closed form: of the decay, 1 - exp(-13.8 x 0.047 / 0.5) = 73 % falls into the first 50 ms.
        early = 10.0 ** (direct_db / 10.0) + 1.0 - np.exp(-13.816 * 0.047 / 0.5)
        truth_db = 10.0 * np.log10(early / np.exp(-13.816 * 0.047 / 0.5))
        # Twice the error of the accuracy table.
        assert found.c50_db == pytest.approx(truth_db, abs=4.0)
    assert near.rt60_s == pytest.approx(far.rt60_s, rel=0.35)


def test_dry_voice_is_at_the_limit() -> None:
    """A voice without any room reads as dry, not as a number that pretends to be a room."""
    found = measure(Recording(take(np.ones(1, np.float32)), RATE))
    assert found.rt60_s is not None
    assert found.rt60_s < 0.13


@pytest.mark.outside
def test_measured_living_room() -> None:
    """Speech in a measured living room reads as that room decays after its direct sound."""
    folder = outside.fetch(packages.ACOUSTICS)
    (file,) = Path(folder).rglob("living_room_1.wav")
    response, rate = soundfile.read(file, dtype="float32", always_2d=True)
    mono = resample(np.ascontiguousarray(response[:, 0]), rate, RATE)
    mono = mono[np.argmax(np.abs(mono)) :]
    found = measure(Recording(take(mono / np.abs(mono).max()), RATE))
    late = mono.astype(np.float64)[round(0.0025 * RATE) :]
    truth_s = np.mean([late_decay_s(late, centre_hz) for centre_hz in (500.0, 1000.0)])
    # The published T30, direct sound included, is shorter: the late decay is what a voice shows.
    assert truth_s > LIVING_ROOM_T30_S
    assert found.rt60_low_s is not None
    assert found.rt60_high_s is not None
    assert found.rt60_low_s < truth_s < found.rt60_high_s


def late_decay_s(late: npt.NDArray[np.float64], centre_hz: float) -> float:
    """Return T30 of a response in an octave: Schroeder's integral, a line from -5 to -35 dB."""
    edges = [centre_hz / np.sqrt(2.0), centre_hz * np.sqrt(2.0)]
    power = sosfilt(butter(4, edges, "bandpass", fs=RATE, output="sos"), late) ** 2
    level = 10.0 * np.log10(np.cumsum(power[::-1])[::-1] / power.sum())
    line = (level < -5.0) & (level > -35.0)
    return float(-60.0 / np.polyfit(np.flatnonzero(line) / RATE, level[line], 1)[0])


@pytest.mark.parametrize("fault", ["clicks in the pauses", "a dropout a second", "a hum"])
def test_other_faults_leave_the_room_alone(fault: str) -> None:
    """A fault that has nothing to do with the room does not make another room of it."""
    x = take(room(0.4))
    clean = measure(Recording(x, RATE)).rt60_s
    rng = np.random.default_rng(4)
    level = np.sqrt(np.mean(x**2))
    if fault == "a hum":
        x = x + 0.01 * level * np.sin(2 * np.pi * 50.0 / RATE * np.arange(len(x)))
    else:
        for place in range(RATE // 2, len(x) - RATE // 10, RATE):
            if fault == "a dropout a second":
                x[place : place + RATE // 50] = 0.0
            else:
                tick = rng.standard_normal(RATE // 500) * np.hanning(RATE // 500)
                x[place : place + len(tick)] += level * tick
    found = measure(Recording(np.asarray(x, np.float32), RATE)).rt60_s
    # The interval of one take spans a factor of two; a third of it, to either side.
    assert found == pytest.approx(clean, rel=0.3)


def test_gain_changes_nothing() -> None:
    """The same take 30 dB softer reads the same."""
    x = take(room(0.3))
    loud = measure(Recording(x, RATE))
    soft = measure(Recording(x * np.float32(10 ** (-30 / 20)), RATE))
    # float32 rounding can move a frame across a threshold where a decay ends.
    assert soft.rt60_s == pytest.approx(loud.rt60_s, rel=0.02)
    assert soft.c50_db == pytest.approx(loud.c50_db, abs=0.2)


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_rate_changes_little(rate: int) -> None:
    """The same take at another rate reads the same: all is measured at 16 kHz."""
    x = take(room(0.3))
    found = measure(Recording(x, RATE))
    other = measure(Recording(resample(x, RATE, rate), rate))
    # Two resamplings differ near 8 kHz and by a fraction of a frame.
    assert other.rt60_s == pytest.approx(found.rt60_s, rel=0.05)
    assert other.c50_db == pytest.approx(found.c50_db, abs=0.5)


def test_pooled_takes_narrow_the_interval() -> None:
    """Short lines of one session together are surer than by themselves, taken over some rooms."""
    gained = []
    for rt60_s in (0.2, 0.35, 0.6):
        x = take(room(rt60_s))
        lines = [Recording(x[i * 4 * RATE : (i + 1) * 4 * RATE], RATE) for i in range(3)]
        single = [measure(line) for line in lines]
        pooled = pool(lines)
        assert pooled.decays == sum(line.decays for line in single)
        assert pooled == pool([decays(line) for line in lines])
        gained.append(pooled.confidence - np.mean([line.confidence for line in single]))
    assert np.mean(gained) > 0


def test_pool_leaves_out_what_was_processed() -> None:
    """A gated take is left out of a pool and counted; a pool of nothing else is refused."""
    x = take(room(0.35))
    loud = np.convolve(np.abs(x) > 0.02 * np.abs(x).max(), np.ones(RATE // 5), "full")[: len(x)] > 0
    clean, gated = Recording(x, RATE), Recording(x * loud.astype("f4"), RATE)
    alone, both = pool([clean]), pool([clean, gated])
    assert (alone.left_out, both.left_out) == (0, 1)
    assert (both.rt60_s, both.decays) == (alone.rt60_s, alone.decays)
    assert pool([clean, decays(gated)]) == both
    nothing = pool([gated])
    assert nothing.rt60_s is None
    assert nothing.left_out == 1
    assert "every take" in nothing.not_measured["rt60_s"]


def test_music_under_the_voice_is_refused() -> None:
    """Notes 30 dB below the voice: no number but the reason, and no part in a pool."""
    x = take(room(0.35))
    notes = melody(len(x)) * np.sqrt(np.mean(x**2)) * 10.0 ** (-30.0 / 20.0)
    clean, played = Recording(x, RATE), Recording(np.asarray(x + notes, np.float32), RATE)
    found = measure(played)
    assert found.rt60_s is None
    assert "music lies under the voice" in found.not_measured["rt60_s"]
    assert pool([clean, played]).left_out == 1


def test_pool_of_nothing() -> None:
    """No take at all is refused like an empty one."""
    assert pool([]).rt60_s is None


@pytest.mark.parametrize(
    ("samples", "reason"),
    [
        (lambda: take(room(0.3))[: 2 * RATE], "shorter than 3 s"),
        (lambda: np.zeros(5 * RATE, np.float32), "no decays"),
        (lambda: take(room(0.3), snr_db=0.0), "too noisy"),
    ],
)
def test_refusals_say_why(samples, reason: str) -> None:
    """Where the take does not carry the room there is a reason in place of a number."""
    found = measure(Recording(samples(), RATE))
    assert found.rt60_s is None
    assert found.confidence == 0.0
    assert reason in found.not_measured["rt60_s"]


def test_noise_reduction_is_refused() -> None:
    """Spectral subtraction takes the decay away with the noise: no number, and the reason."""
    _, _, spectrum = stft(take(room(0.4), snr_db=30.0), RATE, nperseg=1024)
    power = np.abs(spectrum) ** 2
    noise = np.percentile(power, 10, axis=1, keepdims=True)
    gain = np.sqrt(np.maximum(1.0 - 4.0 * noise / np.maximum(power, 1e-20), 0.01))
    _, cleaned = istft(spectrum * gain, RATE, nperseg=1024)
    found = measure(Recording(cleaned.astype(np.float32), RATE))
    assert found.rt60_s is None
    assert "noise reduction" in found.not_measured["rt60_s"]


def test_gated_pauses_halve_the_confidence() -> None:
    """Pauses cut to digital silence cost confidence, and the cuts are not taken for decays."""
    x = take(room(0.3))
    loud = np.convolve(np.abs(x) > 0.02 * np.abs(x).max(), np.ones(RATE // 5), "full")
    held = loud[: len(x)] > 0  # open for 0.2 s after the last loud sample
    whole, gated = measure(Recording(x, RATE)), measure(Recording(x * held.astype("f4"), RATE))
    assert gated.rt60_s is not None
    assert gated.confidence < 0.7 * whole.confidence
    # The 90 % interval of the whole take.
    assert whole.rt60_low_s < gated.rt60_s < whole.rt60_high_s


def test_a_strong_reflection_is_hinted_at() -> None:
    """A reflection 4 dB below the voice after 5 ms is found with its delay; without it, none."""
    plain = room(0.2, direct_db=15.0)
    strong = plain.copy()
    strong[round(0.005 * RATE)] += np.float32(10 ** (-4 / 20))
    found = measure(Recording(take(strong), RATE))
    # Closed form; the cepstrum steps by 0.03 ms.
    assert found.reflection_ms == pytest.approx(5.0, abs=0.15)
    assert measure(Recording(take(plain), RATE)).reflection_ms is None


def test_coefficients_are_small() -> None:
    """What ships is well under a megabyte."""
    file = resources.files(vocheck.measurements) / COEFFICIENTS
    assert len(file.read_bytes()) < 700_000
