"""Drift: which change of numbers has which cause, and simulated sessions from sound to advice.

The sessions are a real reader (see `tests.material.readings`) in a simulated room, in which one
thing is changed whose effect is known: the gain, the noise, the distance, the effort, the room.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import soxr
from scipy.signal import fftconvolve

from tests.material import speech
from tests.material.handmade import take as handmade
from tests.material.readings import real_readings
from vocheck.booth import Booth
from vocheck.booth.drift import Shifts, cause_of
from vocheck.policy.every import Policy
from vocheck.recording import Recording
from vocheck.session.take import check_recording
from vocheck.wording.booth import _EXPLAINS, screen_of_take
from vocheck.wording.findings import now

RATE = 48_000
DRIFT = Policy().drift

CAUSES = [
    # nothing, or within what takes of a session do
    ({}, None),
    ({"level_lu": 0.0, "noise_db": 0.0}, None),
    ({"level_lu": 2.9, "noise_db": 3.9, "tone_db": 2.9}, None),
    ({"level_lu": 2.5, "noise_db": 4.5}, None),
    ({"noise_db": -20.0}, None),
    # both alike: gain
    ({"level_lu": 6.0, "noise_db": 6.0}, "gain"),
    ({"level_lu": -6.0, "noise_db": -6.0}, "gain"),
    ({"level_lu": 7.0, "noise_db": 5.0, "bass_db": 5.0}, "gain"),
    ({"level_lu": -8.0, "noise_db": -5.0, "c50_db": -6.0}, "gain"),
    # noise alone, or more than gain would bring
    ({"level_lu": 0.0, "noise_db": 10.0}, "noise"),
    ({"level_lu": -4.0, "noise_db": 8.0}, "noise"),
    ({"level_lu": 4.0, "noise_db": 16.0}, "noise"),
    ({"noise_db": 10.0}, "noise"),
    ({"level_lu": 0.0, "noise_db": 8.0, "room_rt60": 0.6}, "door"),
    ({"level_lu": 0.0, "noise_db": 8.0, "room_rt60": -0.6}, "noise"),
    ({"noise_db": 8.0, "room_c50_db": -9.0, "room_rt60": 0.0}, "distance and gain"),
    # the voice alone: the talent
    ({"level_lu": -6.0, "noise_db": 0.0, "c50_db": -6.0}, "distance"),
    ({"level_lu": -6.0, "noise_db": 0.0, "bass_db": -4.0}, "distance"),
    ({"level_lu": 6.0, "noise_db": 1.0, "c50_db": 6.0, "bass_db": -4.0}, "distance"),
    ({"level_lu": 6.0, "noise_db": 1.0, "bass_db": 4.0}, "distance"),
    ({"level_lu": -6.0, "noise_db": 0.0, "c50_db": 0.5, "bass_db": 4.0}, "effort"),
    ({"level_lu": 6.0, "noise_db": 0.0, "c50_db": -0.5, "bass_db": -4.0}, "effort"),
    ({"level_lu": -6.0, "noise_db": 0.0}, "distance or effort"),
    ({"level_lu": -6.0, "noise_db": 0.0, "c50_db": 6.0}, "distance or effort"),
    ({"level_lu": 6.0, "noise_db": -9.0}, "distance or effort"),
    # without the noise, gain cannot be left out; without the gain, the room still tells
    ({"level_lu": -6.0}, "level"),
    ({"level_lu": -6.0, "bass_db": 4.0}, "level"),
    ({"level_lu": -6.0, "c50_db": -6.0}, "distance"),
    # the room alone
    ({"level_lu": 0.0, "noise_db": 0.0, "room_rt60": 0.3}, "room"),
    ({"level_lu": 0.0, "noise_db": 0.0, "room_rt60": -0.3}, "room"),
    ({"level_lu": 0.0, "noise_db": 0.0, "room_c50_db": -5.0}, "room"),
    ({"level_lu": 0.0, "noise_db": 0.0, "room_c50_db": -5.0, "room_rt60": 0.1}, "distance"),
    # the spectrum alone
    ({"level_lu": 0.0, "noise_db": 0.0, "tone_db": 4.0}, "microphone"),
    ({"level_lu": 0.0, "noise_db": 0.0, "tone_db": 4.0, "same_line": False}, None),
    ({"level_lu": 0.0, "noise_db": 0.0, "tone_db": 6.0, "same_line": False}, "microphone"),
]  # fmt: skip


@pytest.mark.parametrize(("shifts", "cause"), CAUSES)
def test_each_change_of_numbers_has_its_cause(shifts, cause):
    """The cause follows from the signs of the shifts beyond their limits (booth.toml)."""
    assert cause_of(Shifts(**shifts), DRIFT) == cause


def test_every_finding_that_a_drift_explains_is_one():
    """The names are those of limits: a renamed limit would be explained by nothing."""
    for names in _EXPLAINS.values():
        assert names <= set(Policy().limits)


def session(*changes, verdicts="keep"):
    """Return the screen of the last of several takes, each faultless but for its changes."""
    booth = Booth(["01_river"])
    for number, more in enumerate(changes, 1):
        take = handmade(number, verdict=verdicts, **more)
        booth.add(take)
    return screen_of_take(take, booth), booth.drift(take)


BOOTH_ROOM = {"reverberation__rt60_s": 0.19, "reverberation__c50_db": 18.8}
BATHROOM = {"reverberation__rt60_s": 0.34, "reverberation__c50_db": 11.1}


def test_another_room_is_told_at_its_first_take_where_it_is_plain():
    """Booth to bathroom: 0.19 to 0.34 s, C50 18.8 to 11.1 dB, after one take or after many."""
    for count in (1, 2, 5):
        screen, drift = session(*[BOOTH_ROOM] * count, BATHROOM)
        assert drift.cause == "room"
        assert screen.action.startswith("Make the booth as it was in 01_river, take 1")
        assert "room rings 79% longer" in screen.reason


def test_a_slight_change_of_the_room_is_told_once_it_is_sure():
    """Times 0.19 to 0.25 s are a ratio of 1.32: one take leaves that open, five do not."""
    before = {"reverberation__rt60_s": 0.19, "reverberation__c50_db": 18.8}
    after = {"reverberation__rt60_s": 0.25, "reverberation__c50_db": 17.0}
    causes = []
    for count in range(1, 6):
        _, drift = session(*[before] * 5, *[after] * count)
        causes.append(drift.cause if drift else None)
    assert causes[0] is None
    assert causes[-1] == "room"


def test_one_take_that_reads_otherwise_is_not_the_room():
    """A single estimate may be off among takes of one room: C50 by 4.5 dB, the time by 30 %."""
    odd = {"reverberation__rt60_s": 0.247, "reverberation__c50_db": 14.3}
    for place in range(5):
        takes = [BOOTH_ROOM] * 5
        takes[place] = odd
        for count in range(2, 6):
            assert session(*takes[:count])[1] is None


def test_going_away_in_one_room_is_distance():
    """C50 falls by 10 dB, the decay stays: the talent moved, whatever the level does."""
    away = {**BOOTH_ROOM, "reverberation__c50_db": 8.8}
    screen, drift = session(BOOTH_ROOM, away)
    assert drift.cause == "distance"
    assert screen.action == "Put the mouth closer to the microphone, as in 01_river, take 1."
    screen, _ = session(away, BOOTH_ROOM)
    assert screen.action == "Put the mouth further from the microphone, as in 01_river, take 1."


def test_the_first_takes_of_a_new_room_do_not_become_the_old_one():
    """A session that moved at its second take says so at every take after it."""
    for count in range(1, 6):
        _, drift = session(BOOTH_ROOM, *[BATHROOM] * count)
        assert drift.cause == "room"


def test_takes_whose_room_is_not_known_tell_nothing():
    """Too short to tell the room by: neither sure of a change nor of none."""
    unknown = {"reverberation__rt60_s": None, "reverberation__c50_db": None}
    _, drift = session(BOOTH_ROOM, unknown)
    assert drift is None
    _, drift = session(unknown, BATHROOM)
    assert drift is None


# -- simulated sessions -------------------------------------------------------------------------

# ANSI S3.5-1997, table 3, from memory: third-octave speech spectrum levels at normal and at raised
# effort.
EFFORT_HZ = (160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000,
             5000)  # fmt: skip
NORMAL_DB = (32.4, 34.5, 34.8, 34.0, 34.6, 34.3, 32.1, 28.3, 25.0, 23.0, 20.2, 17.3, 13.2, 11.6,
             9.3, 5.3)  # fmt: skip
RAISED_DB = (33.8, 33.9, 39.0, 38.6, 39.1, 40.2, 38.8, 36.4, 33.9, 31.9, 28.6, 25.3, 22.4, 20.2,
             16.8, 11.5)  # fmt: skip


def shaped(x, hz, gains_db):
    """Return sound with another spectrum: gains at frequencies, straight lines between."""
    spectrum = np.fft.rfft(x)
    at = np.maximum(np.fft.rfftfreq(len(x), 1 / RATE), 1.0)
    gains = np.interp(np.log2(at), np.log2(hz), gains_db)
    return np.fft.irfft(spectrum * 10 ** (gains / 20), len(x))


@cache
def line(part: int):
    """Return 7 s of the book's reader, RMS 0.05, at 48 kHz with silence at both ends."""
    book = next(reading for reading in real_readings() if reading.voice == "book")
    length = 7 * book.rate
    x = soxr.resample(book.samples[part * length : (part + 1) * length], book.rate, RATE, "VHQ")
    x = np.concatenate([np.zeros(RATE // 2), x, np.zeros(RATE)])
    return 0.05 * x / np.sqrt(np.mean(x**2))


def in_booth(
    part=0, *, number=1, gain_db=0.0, noise_db=0.0, away_db=0.0, effort=False, rt60_s=0.2,
    room_db=-14.0,
):  # fmt: skip
    """Return a take of a line of the book.

    Parameters
    ----------
    gain_db : float
        Of voice and noise.
    noise_db : float
        Added to the noise only, which is 60 dB below the voice.
    away_db : float
        Loss of the direct sound with distance; below 200 Hz by two thirds more, as the proximity
        effect of a directional microphone has it from near. What the room returns stays.
    effort : bool
        Read at normal instead of raised effort.
    rt60_s, room_db : float
        Decay of the room, and its energy re the direct sound at the usual distance.
    """
    x = line(part)
    if effort:
        x = shaped(x, EFFORT_HZ, np.subtract(NORMAL_DB, RAISED_DB))
    decay = np.random.default_rng(5).standard_normal(round(rt60_s * RATE))
    decay *= 10 ** (-3 * np.arange(len(decay)) / len(decay))
    decay[: RATE // 500] = 0
    decay *= 10 ** (room_db / 20) / np.sqrt(np.sum(decay**2))
    near = shaped(x, (100, 200, 400), (-2 * away_db / 3, -2 * away_db / 3, 0)) if away_db else x
    y = near * 10 ** (-away_db / 20) + fftconvolve(x, decay)[: len(x)]
    noise = speech.room_noise(len(y), RATE, np.random.default_rng(number))
    y = 10 ** (gain_db / 20) * (y + noise * 5e-5 * 10 ** (noise_db / 20))
    take = check_recording(Recording(y.astype(np.float32), RATE), line=f"line{part}", take=number)
    return replace(take, path=f"line{part}_t{number}.wav", verdict="keep", findings=())


SESSIONS = [
    ({}, None, ""),
    ({"part": 1}, None, ""),
    ({"gain_db": 6.0}, "gain", "Turn the input gain down by 6 dB."),
    ({"gain_db": -6.0, "part": 1}, "gain", "Turn the input gain up by"),
    ({"noise_db": 10.0}, "noise", "Find what runs now"),
    ({"noise_db": 10.0, "part": 1}, "noise", "Find what runs now"),
    ({"away_db": 7.0}, "distance", "Put the mouth closer to the microphone"),
    ({"effort": True}, "effort", "Play line0, take 1 to the talent"),
    ({"rt60_s": 0.45, "room_db": -6.0}, "room", "Make the booth as it was"),
    ({"rt60_s": 0.45, "room_db": -6.0, "noise_db": 10.0}, "door", "Shut the door"),
]


@pytest.mark.outside
@pytest.mark.parametrize(("change", "cause", "action"), SESSIONS)
def test_what_was_changed_is_told_from_the_sound(change, cause, action):
    """A real reader, one thing changed: the cause, and one action that undoes it."""
    booth = Booth(["line0", "line1"])
    booth.add(in_booth())
    take = in_booth(**{"number": 2, **change})
    booth.add(take)
    drift = booth.drift(take)
    assert (drift.cause if drift else None) == cause, drift and drift.shifts
    if cause:
        assert screen_of_take(take, booth).action.startswith(action)


@pytest.mark.outside
def test_a_talent_who_moved_back_is_not_told_of_noise():
    """The floor is the same to 0.5 dB; what is left of the signal to noise is no noise."""
    booth = Booth()
    booth.add(in_booth())
    away = in_booth(number=2, away_db=12.0)
    booth.add(away)
    drift = booth.drift(away)
    assert abs(drift.shifts.noise_db) < 0.5
    screen = screen_of_take(away, booth)
    told = " ".join([screen.action, screen.reason, *screen.details])
    assert "runs now" not in told
    assert "noise the same" in told


CONTRADICTIONS = [
    ("closer", "back a hand"),
    ("closer to", "further from"),
    ("gain up", "gain down"),
    ("gain up", "gain is that of"),
    ("gain down", "gain is that of"),
]


@pytest.mark.outside
@pytest.mark.parametrize("change", [
    {"gain_db": 22.0}, {"gain_db": -18.0}, {"noise_db": 35.0}, {"away_db": 18.0},
    {"away_db": -9.0, "gain_db": 6.0}, {"rt60_s": 0.7, "room_db": 0.0}, {"effort": True},
    {"rt60_s": 0.7, "room_db": 0.0, "noise_db": 30.0}, {"gain_db": 12.0, "noise_db": 30.0},
])  # fmt: skip
def test_no_two_advices_contradict(change):
    """With every finding of the take told: one action, and nothing beside it asks for the other."""
    booth = Booth()
    booth.add(in_booth())
    plain = in_booth(number=2, **change)
    samples_judged = Policy()
    from vocheck.policy.judge import judge, verdict_of

    findings = judge(plain.measurements, samples_judged.limits)
    take = replace(plain, findings=findings, verdict=verdict_of(findings))
    booth.add(take)
    screen = screen_of_take(take, booth)
    told = " ".join([screen.action, screen.reason, *screen.details])
    assert not any(one in told and other in told for one, other in CONTRADICTIONS), told
    # Advice is the action's alone.
    others = {now(finding) for finding in findings} - {screen.action}
    assert not any(advice in told for advice in others)
