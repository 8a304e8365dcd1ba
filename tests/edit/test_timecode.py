"""Timecode, against the arithmetic of SMPTE ST 12-1 and against OpenTimelineIO."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from opentimelineio import opentime

from vocheck.edit.timecode import RATES, FrameRate

HOUR, DAY = 3600, 86_400

# Frames from 00:00:00:00 to a label. SMPTE ST 12-1 (from memory): without drop frame a label counts
# its frames; with it, 2 labels of 30 are left out each minute but each tenth: 108 an hour. At 59.94
# twice as many.
LABELS = [
    ("23.976", "01:00:00:00", 24 * HOUR),
    ("24", "01:00:00:00", 24 * HOUR),
    ("25", "01:00:00:00", 25 * HOUR),
    ("25", "00:00:01:24", 49),
    ("25", "10:11:12:13", 25 * (10 * HOUR + 11 * 60 + 12) + 13),
    ("29.97", "01:00:00:00", 30 * HOUR),
    ("30", "23:59:59:29", 30 * DAY - 1),
    ("29.97df", "00:00:59;29", 1799),
    ("29.97df", "00:01:00;02", 1800),
    ("29.97df", "00:02:00;02", 3598),
    ("29.97df", "00:09:59;29", 17_981),
    ("29.97df", "00:10:00;00", 17_982),
    ("29.97df", "01:00:00;00", 30 * HOUR - 108),
    ("29.97df", "23:59:59;29", 30 * DAY - 24 * 108 - 1),
    ("50", "01:00:00:00", 50 * HOUR),
    ("59.94", "01:00:00:00", 60 * HOUR),
    ("59.94df", "00:00:59;59", 3599),
    ("59.94df", "00:01:00;04", 3600),
    ("59.94df", "00:10:00;00", 35_964),
    ("59.94df", "01:00:00;00", 60 * HOUR - 216),
    ("60", "00:00:01:59", 119),
]


@pytest.mark.parametrize(("rate", "label", "frame"), LABELS)
def test_labels_of_the_standards_arithmetic(rate: str, label: str, frame: int):
    """Both ways."""
    assert RATES[rate].frame(label) == frame
    assert RATES[rate].label(frame) == label


@pytest.mark.parametrize("rate", RATES.values(), ids=lambda rate: rate.name)
def test_an_outside_library_gives_the_same_labels(rate: FrameRate):
    """OpenTimelineIO's, at frames drawn from a day and around the minutes of half an hour.

    It begins anew after 24 hours of the clock, which at 29.97 without drop frame is before the last
    label: so only 23 hours.
    """
    rng = np.random.default_rng(1)
    drawn = rng.integers(0, rate.frames_a_day * 23 // 24, 300).tolist()
    # Where labels are left out, and just before and behind it.
    edges = [rate.nearest(Fraction(60 * m)) + d for m in range(1, 31) for d in range(-5, 6)]
    for frame in (*drawn, *edges):
        time = opentime.RationalTime(frame, float(rate.exact))
        drop = rate.drop
        label = opentime.to_timecode(time, float(rate.exact), drop_frame=drop)
        assert rate.label(frame) == label
        assert rate.frame(label) == frame


@pytest.mark.parametrize("name", ["29.97df", "59.94df"])
def test_drop_frame_counts_every_label_that_there_is(name: str):
    """Labels of 21 minutes written down one after the other, those left out skipped."""
    rate = RATES[name]
    left_out = {30: 2, 60: 4}[rate.frames]
    expected = [
        f"00:{m:02d}:{s:02d};{f:02d}"
        for m in range(21)
        for s in range(60)
        for f in range(rate.frames)
        if not (s == 0 and f < left_out and m % 10)
    ]
    assert [rate.label(frame) for frame in range(len(expected))] == expected


def test_drop_frame_keeps_up_with_the_clock():
    """A day of labels is within 86.4 ms of a day of the clock (ST 12-1, from memory)."""
    rate = RATES["29.97df"]
    assert abs(float(rate.seconds(rate.frames_a_day)) - DAY) == pytest.approx(0.0864, abs=1e-4)


@pytest.mark.parametrize(
    ("rate", "label"),
    [
        ("29.97df", "00:01:00;01"),
        ("59.94df", "00:59:00;03"),
        ("25", "00:00:00:25"),
        ("25", "24:00:00:00"),
        ("25", "00:60:00:00"),
        ("25", "1:00:00:00"),
        ("25", "noon"),
    ],
)
def test_what_is_no_label_is_refused(rate: str, label: str):
    with pytest.raises(ValueError, match=label):
        RATES[rate].frame(label)


def test_after_midnight_the_labels_begin_again():
    for rate in RATES.values():
        assert rate.label(rate.frames_a_day)[:8] == "00:00:00"
