"""From a planted fault to its finding: level, speech, noise, hum and processing."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
import soxr

from tests.material import speech as voices
from tests.measurements.test_noise import band_noise
from tests.measurements.test_processing import melody
from vocheck.measurements import measure
from vocheck.policy.judge import judge
from vocheck.policy.limits import load_limits
from vocheck.recording import Recording
from vocheck.wording.findings import later, now, what

RATE = 48_000
MINE = {
    "noise_floor", "noise_unknown", "noise_changes", "emptied_pauses", "rumble", "hum", "tone",
    "level_low", "crest", "dc_offset", "level_sinks", "level_rises", "gate",
    "noise_reduction", "music_bed", "start_cut", "end_cut", "head_handle", "tail_handle",
    "no_speech",
}  # fmt: skip


@cache
def take(room_db: float = -52.0) -> np.ndarray:
    """Return a clean take of four lines at -20 dBFS in a room 52 dB below.

    The synthesiser's own DC offset of 0.1 % is taken out.
    """
    lines = voices.TEST_LINES[:4]
    made = voices.take("en-us", lines, level_dbfs=-20.0, room_db=room_db).samples.astype(np.float64)
    return made - made.mean()


def tone(hz: float, level_dbfs: float) -> np.ndarray:
    t = np.arange(len(take())) / RATE
    return np.sqrt(2) * 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * t)


def noise(level_dbfs: float, low_hz: float = 20, high_hz: float = 20_000) -> np.ndarray:
    x = band_noise(len(take()) / RATE, low_hz, high_hz)[: len(take())]
    return 10 ** (level_dbfs / 20) * x


def first_word() -> int:
    return int(np.flatnonzero(np.abs(take()) > 0.05)[0])


FAULTS: dict[str, tuple[Callable[[], np.ndarray], set[str]]] = {
    "nothing": (take, set()),
    "a loud room": (lambda: take() + noise(-48.0), {"noise_floor"}),
    # Under 60 Hz nothing is heard at this level, so it is no noise of the room.
    "rumble": (lambda: take() + noise(-40.0, 15, 40), {"rumble"}),
    # As a denoiser leaves it that takes the room and nothing of the voice.
    "no room left": (lambda: take(-72.0), {"emptied_pauses"}),
    "a good booth": (lambda: take(-60.0), set()),
    "hum": (lambda: take() + sum(tone(50 * n, -72.0) for n in (1, 2, 3)), {"hum"}),
    "whine": (lambda: take() + tone(7350.0, -72.0), {"tone"}),
    "too low": (lambda: take() * 10 ** (-25 / 20), {"level_low"}),
    "DC": (lambda: take() + 0.004, {"dc_offset"}),
    "a cut start": (lambda: take()[first_word() :], {"start_cut", "head_handle"}),
    "silence": (lambda: np.zeros(3 * RATE), {"no_speech"}),
    # What plays in the pauses is noise, too, and no steady one.
    "music": (
        lambda: take() + 10 ** (-60 / 20) * melody(len(take())),
        {"music_bed", "noise_floor"},
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_gives_its_finding_and_no_other(fault):
    """Every planted fault is found under its name; a clean take has no finding of these groups."""
    make, expected = FAULTS[fault]
    findings = judge(measure(Recording(make().astype(np.float32), RATE)), load_limits())
    found = {finding.name for finding in findings} & MINE
    assert found == expected
    for finding in findings:
        assert "{" not in what(finding) + now(finding) + later(finding)


@pytest.mark.parametrize(
    ("rate", "severity"),
    [(8000, "retake"), (16_000, "retake"), (24_000, "fixable"), (32_000, "note"), (44_100, None)],
)
def test_a_low_rate_is_told_whatever_its_spectrum(rate: int, severity: str | None):
    """Half the rate is all that a file can hold; 44.1 kHz is a rate to record at.

    The limits are those of the bandwidth, which is not told beside it.
    """
    x = soxr.resample(take(), RATE, rate).astype(np.float32)
    found = {f.name: f.severity for f in judge(measure(Recording(x, rate)), load_limits())}
    assert found.get("low_rate") == severity
    assert severity is None or "bandwidth" not in found


def test_a_sound_before_the_first_word_is_no_cut_start():
    """The edge sounds, and silence follows before the voice: nothing of the voice is missing."""
    knock = take().copy()
    knock[: RATE // 40] += 0.2 * np.random.default_rng(5).standard_normal(RATE // 40)
    measured = measure(Recording(knock.astype(np.float32), RATE))
    assert measured.speech.starts_cut
    assert measured.speech.head_s > 0.05
    assert "start_cut" not in {finding.name for finding in judge(measured, load_limits())}
