"""Where two takes are joined: in the pause, where they differ least."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from vocheck.edit.joins import MOST_LAG_S, Side, best_place

RATE = 48_000
FADE_S = 0.01


def side(path: Path, samples: np.ndarray, start_s: float, end_s: float, rate: int = RATE) -> Side:
    """Write a take that pauses between two moments."""
    soundfile.write(path, samples, rate, "FLOAT")
    start, end = round(start_s * rate), round(end_s * rate)
    return Side(
        path=str(path),
        rate_hz=rate,
        frames=len(samples),
        channel=0,
        start=start,
        middle=(start + end) // 2,
        end=end,
    )


@pytest.fixture
def noise() -> np.ndarray:
    return 1e-3 * np.random.default_rng(2).standard_normal((2, 3 * RATE))


def test_the_quiet_place_of_both_pauses_is_found(tmp_path: Path, noise: np.ndarray):
    """A breath in the middle of the one, a click behind it in the other: joined before both."""
    noise[0, int(1.40 * RATE) : int(1.60 * RATE)] *= 30
    noise[1, int(1.62 * RATE)] = 0.3
    noise[1, int(1.70 * RATE) : int(1.90 * RATE)] *= 10
    before = side(tmp_path / "a.wav", noise[0], 1.0, 2.0)
    after = side(tmp_path / "b.wav", noise[1], 1.0, 2.0)
    out, into = best_place(before, after, FADE_S)
    assert 1.0 * RATE < out < 1.4 * RATE
    assert abs(out - into) <= MOST_LAG_S * RATE


def test_hum_goes_on_in_phase(tmp_path: Path):
    """The second take hums 7 ms late: at the join both swing alike."""
    time = np.arange(3 * RATE) / RATE
    hum = [0.01 * np.sin(2 * np.pi * 50 * (time - late)) for late in (0.0, 0.007)]
    before = side(tmp_path / "a.wav", hum[0], 1.0, 2.0)
    after = side(tmp_path / "b.wav", hum[1], 1.0, 2.0)
    out, into = best_place(before, after, FADE_S)
    half = round(FADE_S * RATE / 2)
    a, b = hum[0][out - half : out + half], hum[1][into - half : into + half]
    # 0.25 ms is half a step of the search: 2 sin(2 pi 50 0.00025 / 2) of the amplitude
    assert np.abs(a - b).max() <= 0.01 * 0.08


@pytest.mark.parametrize("wide", [(1.0, 2.0, 1.4, 1.6), (1.2, 1.5, 0.8, 2.4)])
def test_the_pause_keeps_its_mean_length(
    tmp_path: Path, noise: np.ndarray, wide: tuple[float, float, float, float]
):
    """And the crossfade lies inside both pauses."""
    before = side(tmp_path / "a.wav", noise[0], *wide[:2])
    after = side(tmp_path / "b.wav", noise[1], *wide[2:])
    out, into = best_place(before, after, FADE_S)
    length_s = (out - before.start + after.end - into) / RATE
    mean_s = (wide[1] - wide[0] + wide[3] - wide[2]) / 2
    assert abs(length_s - mean_s) <= MOST_LAG_S + 2 / RATE
    half = FADE_S * RATE / 2
    for place, pause in ((out, before), (into, after)):
        assert pause.start <= place - half
        assert place + half <= pause.end


def test_where_there_is_no_room_the_proposed_places_stay(tmp_path: Path, noise: np.ndarray):
    """No pause, one of 10 ms, or two rates."""
    before = side(tmp_path / "a.wav", noise[0], 1.5, 1.5)
    after = side(tmp_path / "b.wav", noise[1], 1.0, 2.0)
    assert best_place(before, after, FADE_S) == (before.middle, after.middle)
    other = side(tmp_path / "c.wav", noise[1], 1.0, 2.0, 44_100)
    assert best_place(after, other, FADE_S) == (after.middle, other.middle)


def test_digital_silence_is_joined_in_its_middle(tmp_path: Path):
    before = side(tmp_path / "a.wav", np.zeros(3 * RATE), 1.0, 2.0)
    after = side(tmp_path / "b.wav", np.zeros(3 * RATE), 1.2, 2.2)
    assert best_place(before, after, FADE_S) == (before.middle, after.middle)
