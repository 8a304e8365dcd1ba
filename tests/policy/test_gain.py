"""What is said of a take does not depend on the gain of the preamplifier.

The truth needs no source: a gain changes nothing in the sound, as long as nothing is clipped.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.material.demo_session import FOLDER
from tests.policy.test_limits_of_noise_and_level import FAULTS
from vocheck.audio.readers import read
from vocheck.measurements import measure
from vocheck.policy.judge import judge, verdict_of
from vocheck.policy.limits import load_limits
from vocheck.recording import Recording
from vocheck.wording.findings import now

GAINS_DB = (-12.0, 12.0)
TOP = 10 ** (-0.2 / 20)
ABOUT_THE_GAIN = {"level_low", "headroom"}
"""Findings that say where the gain stood; they are notes, whatever their value."""
DEMO = ("01_river_t3", "01_river_t4", "02_kiln_t1", "03_hands_t3", "04_bowl_t1")


def said(samples: np.ndarray, rate: int) -> tuple[str, set[str]]:
    """Return the verdict, and every finding that is not about the gain with its severity."""
    found = judge(measure(Recording(np.asarray(samples, np.float32), rate)), load_limits())
    for finding in found:
        assert finding.name not in ABOUT_THE_GAIN or finding.severity == "note"
    names = {f"{f.name}: {f.severity}" for f in found if f.name not in ABOUT_THE_GAIN}
    return verdict_of(found), names


@cache
def take(name: str) -> tuple[np.ndarray, int]:
    """Return a take turned down so far that 12 dB more leaves it unclipped, and its rate."""
    if name in FAULTS:
        samples, rate = FAULTS[name][0](), 48_000
    else:
        recording = read(FOLDER / f"{name}.flac")
        samples, rate = recording.samples.astype(np.float64), recording.rate
    peak = np.abs(samples).max() * 10 ** (max(GAINS_DB) / 20)
    return samples * min(1.0, TOP / peak), rate


@pytest.mark.parametrize("name", [*DEMO, *sorted(set(FAULTS) - {"silence", "too low"})])
def test_the_verdict_does_not_depend_on_the_gain(name: str):
    """Scaled from -12 to +12 dB, takes with and without faults keep verdict and findings."""
    samples, rate = take(name)
    expected = said(samples, rate)
    for gain_db in GAINS_DB:
        assert said(samples * 10 ** (gain_db / 20), rate) == expected


def test_the_advice_on_the_gain_leads_to_the_aim():
    """A take turned by what is advised peaks where it should, and has no such finding any more.

    10.4 dB over full scale, as only a float file can be, needs 19 dB and not 6.
    """
    samples, rate = take("01_river_t4")
    peak_db = measure(Recording(np.asarray(samples, np.float32), rate)).true_peak.level_dbtp
    for wanted_db in (10.4, -0.5, -2.0, -25.0, -40.0):
        turned = samples * 10 ** ((wanted_db - peak_db) / 20)
        findings = judge(measure(Recording(turned.astype(np.float32), rate)), load_limits())
        (finding,) = [one for one in findings if one.name in ABOUT_THE_GAIN]
        assert finding.change == pytest.approx(abs(wanted_db + 9.0), abs=0.1)
        assert f"by {finding.change:.0f} dB" in now(finding)
        way = "down" if finding.name == "headroom" else "up"
        assert f"gain {way}" in now(finding)
        change_db = finding.change * (1 if way == "up" else -1)
        turned = turned * 10 ** (change_db / 20)
        findings = judge(measure(Recording(turned.astype(np.float32), rate)), load_limits())
        assert not {one.name for one in findings} & ABOUT_THE_GAIN
