"""What could not be told is not counted as clean where the signs point one way."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import fftconvolve

from tests.policy.test_limits_of_noise_and_level import RATE, take
from vocheck.measurements import measure
from vocheck.policy.judge import judge, verdict_of
from vocheck.policy.limits import load_limits
from vocheck.recording import Recording
from vocheck.voice.activity import activity_of


def said(samples: np.ndarray) -> tuple[str, set[str], object]:
    facts = measure(Recording(np.asarray(samples, np.float32), RATE))
    found = judge(facts, load_limits())
    return verdict_of(found), {finding.name for finding in found}, facts


def in_a_hall(rt60_s: float, direct_db: float) -> np.ndarray:
    """Return the clean take with a decay of noise, the direct sound `direct_db` above it.

    A decay of noise is how a hall rings (Polack's model, from memory).
    """
    t = np.arange(round(rt60_s * RATE)) / RATE
    tail = np.random.default_rng(3).standard_normal(len(t)) * 10 ** (-3 * t / rt60_s)
    tail[: RATE // 200] = 0.0
    tail *= 10 ** (-direct_db / 20) / np.linalg.norm(tail)
    tail[0] = 1.0
    wet = fftconvolve(take(), tail)[: len(take())]
    return 0.4 * wet / np.abs(wet).max()


@pytest.mark.parametrize(("rt60_s", "direct_db"), [(2.2, 0.0), (3.0, 0.0), (3.0, -6.0)])
def test_a_great_hall_is_no_take_to_keep(rt60_s: float, direct_db: float):
    """Whether its reverberation can be measured or not."""
    verdict, names, facts = said(in_a_hall(rt60_s, direct_db))
    assert verdict == "retake"
    measured = facts.reverberation.rt60_s is not None
    told = {"reverberation", "room_wet"} if measured else {"room_very_live"}
    assert told & names
    assert facts.reverberation.deep_share < 0.05


def test_a_dry_take_lets_its_decays_end():
    """In a dry room a quarter of the decays and more are seen to fall far."""
    verdict, names, facts = said(take())
    assert facts.reverberation.deep_share > 0.25
    assert not names & {"room_very_live", "pauses_emptied", "too_short"}


def test_pauses_of_digital_silence_are_not_kept():
    """Nobody records them; one finding tells it, and not the gate beside it."""
    x = take().copy()
    for start_s, end_s in activity_of(Recording(x.astype(np.float32), RATE)).pauses:
        x[round(start_s * RATE) : round(end_s * RATE)] = 0.0
    verdict, names, facts = said(x)
    assert facts.noise.floor_a_re_speech_db is None
    assert verdict != "keep"
    assert "pauses_emptied" in names
    assert "gate" not in names


@pytest.mark.parametrize("length_s", [0.1, 0.2])
def test_a_scrap_is_never_kept(length_s: float):
    """Random cuts that hold no whole word: nothing can be measured, and nothing is called clean."""
    rng = np.random.default_rng(11)
    frames = round(length_s * RATE)
    for start in rng.integers(0, len(take()) - frames, 20):
        verdict, names, _ = said(take()[start : start + frames])
        assert verdict == "retake"
        assert names & {"too_short", "no_speech", "start_cut", "end_cut"}
