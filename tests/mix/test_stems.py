"""A stem that is late, louder or foreign is told, and not believed."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from tests.mix.signals import Samples, silence, write
from vocheck.mix import MixMeasurements, MixResult, check_mix
from vocheck.report.text.mix import render_mix

RATE = 48000


def hiss(seconds: float, rms_dbfs: float, seed: int) -> Samples:
    """Return noise that no other seed gives, shape (frames, 2), softer above some 3 kHz."""
    white = np.random.default_rng(seed).standard_normal((round(seconds * RATE), 2))
    dull = np.apply_along_axis(np.convolve, 0, white, np.ones(8) / 8, mode="same")
    return np.asarray(10 ** (rms_dbfs / 20) * dull / np.sqrt(np.mean(np.square(dull))))


def speech(seed: int = 1) -> Samples:
    """Return bursts of noise with pauses, as phrases come."""
    phrases = []
    for number, seconds in enumerate((2.1, 1.3, 2.7, 1.9)):
        phrases += [hiss(seconds, -20, seed * 100 + number), silence(0.7 + 0.1 * number)]
    return np.concatenate(phrases)


VOICE = speech()
BED = hiss(len(VOICE) / RATE, -34, 7)


def late(samples: Samples, seconds: float) -> Samples:
    return np.concatenate([silence(seconds), samples])


def checked(folder: Path, voice: Samples, bed: Samples, mix: Samples | None = None) -> MixResult:
    stems = {
        "voice": write(folder / "voice.wav", voice),
        "bed": write(folder / "bed.wav", bed),
    }
    path = write(folder / "mix.wav", VOICE + BED if mix is None else mix)
    return check_mix(path, ["netflix"], stems, encode=())


def verdict(result: MixResult, fact: str) -> str | None:
    return {check.fact: check.verdict for check in result.checks}.get(fact)


def believes(measured: MixMeasurements) -> list[bool]:
    return [measured.voice_to_bed_lu is not None, measured.dialogue_lufs is not None]


def test_stems_of_the_mix_are_believed(tmp_path: Path) -> None:
    """They are found at no lag, as loud as given, and nothing is left when they are taken away."""
    result = checked(tmp_path, VOICE, BED)
    assert believes(result.measurements) == [True, True]
    assert result.measurements.stems is not None
    found = result.measurements.stems.in_mix
    assert found.lag_s == {"voice": 0.0, "bed": 0.0}
    assert found.gain_db == pytest.approx({"voice": 0.0, "bed": 0.0}, abs=0.05)
    assert found.null_db is not None
    assert found.null_db < -100.0  # closed form: mix less both is the rounding of floats
    assert verdict(result, "stem_lag_s") == verdict(result, "stem_gain_db") == "pass"


@pytest.mark.parametrize("lag_s", [0.2, 1.5, 20.0])
def test_a_late_voice_is_told_and_not_believed(tmp_path: Path, lag_s: float) -> None:
    """The lag is found to a millisecond; lead and dialogue are not measured from such a stem."""
    result = checked(tmp_path, late(VOICE, lag_s), BED)
    assert result.measurements.stems is not None
    assert result.measurements.stems.in_mix.lag_s["voice"] == pytest.approx(lag_s, abs=0.001)
    assert verdict(result, "stem_lag_s") == "warn"
    assert believes(result.measurements) == [False, False]
    words = " ".join(render_mix(result).split())
    assert f"the voice stem starts {lag_s:.2f} s later than in the mix" in words
    assert f"voice {lag_s:.2f} s late" in words


def test_an_early_stem_is_told(tmp_path: Path) -> None:
    """A stem that was cut at its first word starts earlier than the mix."""
    result = checked(tmp_path, VOICE, BED[RATE:])
    assert result.measurements.stems is not None
    assert result.measurements.stems.in_mix.lag_s["bed"] == pytest.approx(-1.0, abs=0.001)
    assert believes(result.measurements) == [False, True]


def test_a_louder_stem_is_told_and_its_balance_not_believed(tmp_path: Path) -> None:
    """A bed exported 6 dB softer would let the voice stand 6 LU too far over it."""
    result = checked(tmp_path, VOICE, BED / 2)
    assert result.measurements.stems is not None
    assert result.measurements.stems.in_mix.gain_db["bed"] == pytest.approx(
        -20 * math.log10(2), abs=0.1
    )
    assert verdict(result, "stem_gain_db") == "warn"
    assert believes(result.measurements) == [False, True]
    assert "bed 6.0 dB softer than there" in " ".join(render_mix(result).split())


def test_a_master_that_is_louder_than_both_stems_keeps_their_balance(tmp_path: Path) -> None:
    """Stems from before the master's gain stand to each other as in the mix."""
    result = checked(tmp_path, VOICE, BED, 2 * (VOICE + BED))
    assert verdict(result, "stem_gain_db") == "pass"
    assert believes(result.measurements) == [True, True]


def test_a_limited_master_still_has_its_stems(tmp_path: Path) -> None:
    """Clipping 6 dB off the peaks is no other mix."""
    mix = VOICE + BED
    limit = np.abs(mix).max() / 2
    result = checked(tmp_path, VOICE, BED, np.clip(mix, -limit, limit))
    assert verdict(result, "foreign_stems") == "pass"
    assert verdict(result, "stem_lag_s") == "pass"


@pytest.mark.parametrize("which", ["voice", "bed"])
def test_a_foreign_stem_is_told_and_not_believed(tmp_path: Path, which: str) -> None:
    """The stem of another version is not found, and nothing is measured from it."""
    other = {"voice": (speech(3), BED), "bed": (VOICE, hiss(len(VOICE) / RATE, -34, 9))}[which]
    result = checked(tmp_path, *other)
    assert result.measurements.stems is not None
    assert result.measurements.stems.in_mix.foreign == (which,)
    assert verdict(result, "foreign_stems") == "warn"
    assert believes(result.measurements) == [False, which == "bed"]
    assert f"{which} not in the mix" in " ".join(render_mix(result).split())


@pytest.mark.parametrize("bed_db", [20.0, 6.0, -6.0])
def test_a_voice_under_a_loud_bed_is_found(tmp_path: Path, bed_db: float) -> None:
    """How loud the bed is does not decide whether a stem is of the mix."""
    bed = BED * 10 ** (bed_db / 20)
    result = checked(tmp_path, late(VOICE, 0.5), bed, VOICE + bed)
    assert result.measurements.stems is not None
    assert result.measurements.stems.in_mix.lag_s["voice"] == pytest.approx(0.5, abs=0.001)
