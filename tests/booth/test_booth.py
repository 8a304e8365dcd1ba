"""A running session: what is clean, what is needed, what has drifted, whether the gain is right.

Takes are those of the demo session, whose planted faults and levels are known by construction
(fixtures/session/truth.json).
"""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from vocheck.audio.readers import read
from vocheck.booth import Booth, forecast_headroom, has_speech, is_test_read
from vocheck.recording import Recording
from vocheck.session.take import check_recording
from vocheck.wording.booth import screen_of_take

SESSION = Path(__file__).parents[2] / "fixtures" / "session"


@cache
def measured(name, gain_db=0.0, added_noise_dbfs=None):
    """Return a demo take, played louder or with white noise added."""
    recording = read(SESSION / f"{name}.flac")
    samples = recording.samples * np.float32(10 ** (gain_db / 20))
    if added_noise_dbfs is not None:
        noise = np.random.default_rng(1).standard_normal(samples.shape).astype(np.float32)
        samples = samples + noise * np.float32(10 ** (added_noise_dbfs / 20))
    line, _, take = name.partition("_t")
    return check_recording(
        Recording(samples, recording.rate, recording.source),
        line=line,
        take=int(take) if take.isdigit() else None,
    )


def named(take, path, verdict, line="01_river", number=1):
    """Return a take under another name and verdict."""
    return replace(take, path=path, verdict=verdict, line=line, take=number)


def test_the_table_says_what_is_clean_and_what_is_needed():
    """Lines of the script first; a line is done when enough of its takes are `keep`."""
    take = measured("01_river_t4")
    booth = Booth(["01_river", "02_kiln"], wanted=2)
    booth.add(named(take, "a", "keep", number=2))
    booth.add(named(take, "b", "retake", number=1))
    booth.add(named(take, "c", "keep", line="09_extra", number=3))
    assert [(line.line, line.clean, line.needed) for line in booth.lines] == [
        ("01_river", 1, 1),
        ("02_kiln", 0, 2),
        ("09_extra", 1, 1),
    ]
    assert [(t.take, t.verdict) for t in booth.lines[0].takes] == [(1, "retake"), (2, "keep")]
    booth.add(named(take, "d", "keep", number=4))
    assert booth.lines[0].needed == 0


def test_a_take_that_is_replaced_counts_once():
    """The new version stands in the place of the old, and a deleted one is out."""
    take = measured("01_river_t4")
    booth = Booth()
    booth.add(named(take, "a", "retake"))
    booth.add(named(take, "a", "keep"))
    assert [(t.path, t.verdict) for t in booth.lines[0].takes] == [("a", "keep")]
    assert booth.remove("a") is not None
    assert booth.lines == ()
    assert booth.remove("a") is None


def test_the_first_good_take_is_the_reference():
    """Not the first take, and not a later good one; if it goes, the next good one follows."""
    take = measured("01_river_t4")
    booth = Booth()
    for path, verdict in [("a", "retake"), ("b", "keep"), ("c", "keep")]:
        booth.add(named(take, path, verdict))
    assert booth.reference.path == "b"
    booth.add(named(take, "b", "fixable"))  # recorded over, worse
    assert booth.reference.path == "c"
    booth.remove("c")
    assert booth.reference is None
    assert booth.drift(take) is None


def test_a_take_like_the_first_has_not_drifted():
    """The two faultless takes of a line, 2 dB apart in noise, are one session."""
    booth = Booth()
    booth.add(measured("01_river_t4"))
    assert booth.drift(measured("01_river_t1")) is None
    assert booth.drift(measured("01_river_t4")) is None


def test_less_noise_is_no_drift():
    """What was switched off is welcome: only more noise is told."""
    booth = Booth()
    booth.add(named(measured("01_river_t4", added_noise_dbfs=-60.0), "noisier", "keep"))
    assert booth.drift(measured("01_river_t4")) is None


def test_the_open_booth_door_is_told():
    """The take planted with an RT60 of 0.45 s against one of 0.10 s of the same line."""
    booth = Booth()
    booth.add(measured("04_bowl_t2"))
    drift = booth.drift(measured("04_bowl_t1"))
    assert drift.cause == "room"
    assert drift.shifts.room_rt60 > 1.0


def test_the_next_line_is_its_own_until_it_is_clean():
    """Then the next open one in the order of the script, and from the end back to the start."""
    take = measured("01_river_t4")
    booth = Booth(["01_river", "02_kiln", "03_hands"])
    second = named(take, "b", "fixable", line="02_kiln")
    booth.add(second)
    assert booth.next_line(second).line == "02_kiln"
    booth.add(named(take, "c", "keep", line="02_kiln"))
    assert booth.next_line(second).line == "03_hands"
    booth.add(named(take, "d", "keep", line="03_hands"))
    assert booth.next_line(second).line == "01_river"
    booth.add(named(take, "e", "keep", line="01_river"))
    assert booth.next_line(second) is None


def test_a_changed_recorder_is_told():
    """Another rate, word length or channel count than the first good take is named."""
    take = measured("01_river_t4")
    booth = Booth()
    booth.add(take)
    assert booth.other_format(take) == ()
    source = replace(take.source, rate_hz=44100, bits=16, channels=2)
    other = replace(take, path="other", source=source)
    changes = [(change.fact, change.before, change.now) for change in booth.other_format(other)]
    assert changes == [("rate_hz", 48000, 44100), ("bits", 24, 16), ("channels", 1, 2)]
    told = "44.1 kHz instead of 48 kHz, 16 bits instead of 24 bits, stereo instead of mono"
    screen = screen_of_take(other, booth)
    assert told in screen.reason
    assert screen.action == "Set the recorder back to 48 kHz, 24 bits and mono."


@pytest.mark.parametrize(
    ("gain_db", "advice_db", "clips"),
    [(-24.0, 17.0, False), (-7.0, 0.0, False), (1.0, -8.0, False), (4.0, -11.0, True)],
)
def test_the_test_read_says_what_to_do_with_the_gain(gain_db, advice_db, clips):
    """Peak + 6 dB shall land at -9 dBTP; within 3 dB the gain is left alone (booth.toml).

    The test read peaks at -7.7 dBTP by its own measurement and is played at `gain_db`; the rest is
    arithmetic.
    """
    test = measured("01_river_t4", gain_db=gain_db)
    peak = measured("01_river_t4").measurements.true_peak.level_dbtp + gain_db
    headroom = forecast_headroom(test)
    assert headroom.peak_dbtp == pytest.approx(peak, abs=0.05)
    assert headroom.expected_dbtp == pytest.approx(peak + 6, abs=0.05)
    expected = -9 - (peak + 6)
    assert headroom.gain_db == (round(expected) if abs(expected) > 3 else 0)
    assert headroom.gain_db == pytest.approx(advice_db, abs=1)
    assert headroom.clips == clips
    assert headroom.status == "common practice, no source"


def test_room_tone_is_no_test_read():
    """Nobody speaks in it, so it forecasts nothing."""
    tone = measured("room_tone")
    assert not has_speech(tone)
    assert forecast_headroom(tone) is None
    assert has_speech(measured("01_river_t4"))


@pytest.mark.parametrize(
    ("name", "test"),
    [
        ("test.wav", True),
        ("Ida Test 2.wav", True),
        ("02-TEST.wav", True),
        ("02_kiln_t3.wav", False),
        ("latest_t1.wav", False),
        ("contest_t1.wav", False),
    ],
)
def test_a_test_read_is_known_by_its_name(name, test):
    """The word counts at the start of a part of the name only."""
    assert is_test_read(Path("takes") / name) is test
