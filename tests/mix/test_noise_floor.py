"""The noise floor of a mix is that of its pauses; digital silence is told, not counted as quiet."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.mix.signals import Samples, noise, silence, tone, write
from vocheck.mix import MixResult, check_mix
from vocheck.report.text.mix import render_mix

RATE = 44100


def chapter(pause: Samples, ends: Samples, words: int = 8) -> Samples:
    """Return tones of 2 s with a pause after each but the last, between two ends."""
    word = tone(2, -16, RATE, 500, 1)
    parts = [part for _ in range(words) for part in (word, pause)][:-1]
    return np.concatenate([ends, *parts, ends, ends])


def checked(path: Path, samples: Samples, subtype: str = "PCM_16") -> MixResult:
    return check_mix(write(path / "one.wav", samples, RATE, subtype), ["audiobook"], encode=())


def verdict(result: MixResult, fact: str) -> str:
    return {check.fact: check.verdict for check in result.destinations[0].checks}[fact]


def dither() -> Samples:
    """Return silence with triangular dither of 16 bits: -96.3 dBFS or less (closed form)."""
    random = np.random.default_rng(3)
    return (random.random((RATE, 1)) - random.random((RATE, 1))) / 2**15


@pytest.mark.parametrize("ends", ["silence", "dither", "fade"])
def test_noisy_pauses_fail_whatever_stands_at_the_ends(tmp_path: Path, ends: str) -> None:
    """Pauses at -38 dBFS are over the audiobook's -60, though the ends are digital silence."""
    fade = noise(1, -38, RATE, 1) * np.linspace(1.0, 0.0, RATE)[:, None] ** 4
    end = {"silence": silence(1, RATE, 1), "dither": dither(), "fade": fade}[ends]
    result = checked(tmp_path, chapter(noise(1, -38, RATE, 1), end))
    # closed form: noise of -38 dBFS; the softest of some 50 half seconds of 22050 values: -0.1 dB
    assert result.measurements.floor_dbfs == pytest.approx(-38.0, abs=0.2)
    assert verdict(result, "floor_dbfs") == "fail"
    assert result.destinations[0].verdict == "fail"


def test_digital_silence_is_told(tmp_path: Path) -> None:
    """How long, and from where, in facts, check and text."""
    result = checked(tmp_path, chapter(noise(1, -65, RATE, 1), silence(1, RATE, 1)))
    measured = result.measurements
    assert measured.digital_silence_s == pytest.approx(3.0, abs=0.03)  # steps of 10 ms
    assert measured.digital_silence_at == pytest.approx((0.0, 24.0), abs=0.011)
    assert verdict(result, "floor_dbfs") == "pass"
    assert verdict(result, "digital_silence_s") == "warn"
    assert "digital silence" in render_mix(result)


def test_room_tone_at_the_ends_does_not_hide_noisy_pauses(tmp_path: Path) -> None:
    """Clean room tone before and after is not the floor of the pauses between the words."""
    result = checked(tmp_path, chapter(noise(1, -38, RATE, 1), noise(1, -70, RATE, 1)))
    assert result.measurements.floor_dbfs == pytest.approx(-38.0, abs=0.2)


def test_gated_pauses_leave_the_ends_to_tell(tmp_path: Path) -> None:
    """Where a gate took every pause, the floor is that of the room tone at the ends."""
    result = checked(tmp_path, chapter(silence(1, RATE, 1), noise(1, -65, RATE, 1)))
    assert result.measurements.floor_dbfs == pytest.approx(-65.0, abs=0.2)


def test_nothing_but_digital_silence_cannot_be_told(tmp_path: Path) -> None:
    """A gate in every pause and silent ends: the floor is not known, and not in order."""
    loud = silence(1, RATE, 1)
    result = checked(tmp_path, chapter(loud, loud)[RATE // 2 :])
    floor = result.measurements.floor_dbfs
    assert floor is None or floor > -30.0  # only the words themselves are left
    assert verdict(result, "floor_dbfs") != "pass"


def test_a_clean_chapter_passes(tmp_path: Path) -> None:
    """Room tone everywhere: no digital silence is told, and the floor is in order."""
    samples = chapter(noise(1, -65, RATE, 1), noise(1, -65, RATE, 1))
    result = checked(tmp_path, samples)
    assert verdict(result, "floor_dbfs") == "pass"
    assert verdict(result, "digital_silence_s") == "pass"
    assert (
        "digital silence" not in render_mix(result).replace("in order: ", "").split("loudness")[-1]
    )
