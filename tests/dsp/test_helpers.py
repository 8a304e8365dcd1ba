"""Frames, runs and decibels: closed forms, and one place for each."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest

import vocheck
from vocheck.dsp.decibels import (
    amplitude_db,
    amplitude_levels_db,
    amplitude_ratio,
    db,
    levels_db,
    power_ratio,
)
from vocheck.dsp.frames import blocked, framed, hann
from vocheck.dsp.runs import joined, runs_of


def test_frames_start_at_every_hop():
    """The last frame is the last that the signal fills."""
    assert framed(np.arange(7), 3, 2).tolist() == [[0, 1, 2], [2, 3, 4], [4, 5, 6]]
    assert framed(np.arange(6), 3, 2).tolist() == [[0, 1, 2], [2, 3, 4]]


def test_frames_of_columns_keep_the_columns_apart():
    """A frame of a two-dimensional array has one row per column."""
    assert framed(np.arange(6).reshape(3, 2), 2).tolist() == [
        [[0, 2], [1, 3]],
        [[2, 4], [3, 5]],
    ]


@pytest.mark.parametrize("shape", [(0,), (2,), (2, 4)])
def test_what_is_shorter_than_a_frame_has_none(shape: tuple[int, ...]):
    """No exception, and the shape still tells the length of a frame."""
    found = framed(np.zeros(shape, np.float32), 3)
    assert found.shape == (0, *shape[1:], 3)
    assert found.dtype == np.float32


def test_blocks_do_not_overlap():
    """What does not fill a block is left out."""
    assert blocked(np.arange(7), 3).tolist() == [[0, 1, 2], [3, 4, 5]]
    assert blocked(np.arange(2), 3).shape == (0, 3)


def test_half_overlapping_windows_add_up_to_one():
    """Closed form: sin^2 + cos^2."""
    window = hann(64)
    assert window[:32] + window[32:] == pytest.approx(np.ones(32), abs=1e-15)


@pytest.mark.parametrize(
    ("mask", "runs"),
    [
        ("", []),
        ("...", []),
        ("###", [[0, 3]]),
        ("#..##", [[0, 1], [3, 5]]),
        (".#.", [[1, 2]]),
    ],
)
def test_runs(mask: str, runs: list[list[int]]):
    """A run at either end of the mask ends there."""
    assert runs_of(np.array([mark == "#" for mark in mask], bool)).tolist() == runs


def test_runs_are_joined_over_gaps_that_are_shorter():
    """A gap of exactly the limit still parts two runs."""
    assert joined([(0, 2), (3, 4), (6, 7)], 2) == [(0, 4), (6, 7)]
    assert joined([(0, 9), (1, 2)], 1) == [(0, 9)]  # one within the other


def test_decibels_of_known_ratios():
    """Definition: 10 lg of a power, 20 lg of an amplitude."""
    assert db(1000.0) == pytest.approx(30.0)
    assert amplitude_db(0.1) == pytest.approx(-20.0)
    assert power_ratio(20.0) == pytest.approx(100.0)
    assert amplitude_ratio(20.0) == pytest.approx(10.0)
    assert levels_db(np.array([1.0, 0.01])) == pytest.approx([0.0, -20.0])
    assert amplitude_levels_db(np.array([1.0, 0.01])) == pytest.approx([0.0, -40.0])


def test_silence_is_minus_infinity_and_never_a_warning():
    """Warnings are errors in these tests."""
    assert db(0.0) == amplitude_db(0.0) == -math.inf
    assert levels_db(np.zeros(2)).tolist() == [-math.inf, -math.inf]
    assert levels_db(np.zeros(2), 1e-3) == pytest.approx([-30.0, -30.0])


def test_levels_keep_the_type_of_the_powers():
    """A float32 spectrogram does not double in memory."""
    assert levels_db(np.ones(3, np.float32), 1e-9).dtype == np.float32


@pytest.mark.parametrize(
    ("pattern", "place"),
    [
        (r"sliding_window_view", "dsp/frames.py"),
        (r"[12]0(\.0)? \* (np|math)\.log10", "dsp/decibels.py"),
        (r"\b10(\.0)? ?\*\* ?\(.*/ [12]0(\.0)?\)", "dsp/decibels.py"),
        (r"np\.diff\([^)]*(astype|view)\((np\.int8|int)", "dsp/runs.py"),
    ],
)
def test_one_place_for_each(pattern: str, place: str):
    """Nobody frames, counts decibels or finds runs by himself."""
    root = Path(vocheck.__file__).parent
    found = {
        str(path.relative_to(root))
        for path in root.rglob("*.py")
        for line in path.read_text(encoding="utf-8").splitlines()
        if re.search(pattern, line) and "``" not in line
    }
    assert found == {place}
