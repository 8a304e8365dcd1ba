"""Clipping of known place, share and level."""

from __future__ import annotations

import numpy as np
import pytest

from tests.accuracy.clipping import CHAINS, EVIDENCE
from tests.material import speech
from tests.material.planted import clip
from vocheck.measurements import clipping
from vocheck.recording import Recording

RATE = 48000


@pytest.fixture(scope="module")
def voice() -> np.ndarray:
    """Return a synthetic voice of 16 bits, peak at -3 dBFS."""
    x = speech.take("en-us", speech.TEST_LINES[:5]).samples
    return (np.round(x * (0.7 / np.abs(x).max()) * 32768) / 32768).astype(np.float32)


def measure(x: np.ndarray, rate: int = RATE) -> clipping.Clipping:
    return clipping.measure(Recording(x.astype(np.float32), rate))


def test_a_clean_voice_is_clean(voice):
    """No flat top, no over, and crests as round as the lower waves."""
    found = measure(voice)
    assert (found.samples, found.overs, found.fraction, found.runs) == (0, 0, 0.0, ())
    assert found.crest_evidence is not None
    assert found.crest_evidence < EVIDENCE


def test_a_clipped_sine_is_counted():
    """A 440 Hz sine of amplitude 1 cut at 0.8: samples above 0.8 in theory (closed form)."""
    t = np.arange(RATE) / RATE
    sine = np.sin(2 * np.pi * 440 * t)
    found = measure(np.clip(sine, -0.8, 0.8))
    # 1 %: samples up to two tolerances (0.08 %) below the level are counted as well.
    assert found.samples == pytest.approx(np.count_nonzero(np.abs(sine) >= 0.8), rel=0.01)
    assert found.fraction == pytest.approx(2 / np.pi * np.arccos(0.8), rel=0.01)
    (run,) = found.runs  # tops 1.1 ms apart are one stretch
    assert run.level_dbfs == pytest.approx(20 * np.log10(0.8), abs=1e-3)
    assert run.start_s < 2 / 440
    assert run.end_s > 1 - 2 / 440


@pytest.mark.parametrize("frequency", [20, 50, 440, 3000, 7300])
@pytest.mark.parametrize("rate", [16000, 48000, 192000])
def test_a_whole_sine_is_never_clipped(frequency, rate):
    """However slow a sine and however many samples its crest has, it is round."""
    t = np.arange(rate) / rate
    assert measure(0.9 * np.sin(2 * np.pi * frequency * t + 0.1), rate).runs == ()


@pytest.mark.parametrize("share", [1e-4, 3e-4, 1e-3, 1e-2])
@pytest.mark.parametrize("gain", [1.0, 0.5, 0.1])
def test_every_share_is_found_and_counted_at_any_level(voice, share, gain):
    """Clipped, then turned down (24 bits): found, and counted to 5 % from 0.03 % on."""
    clipped, count = clip(voice, share)
    found = measure(clipped * np.float32(gain))
    assert found.runs
    # 5 %: natural tops that happen to end at the level of clipping are counted too. Ten times
    # fewer clipped samples: a handful of such tops weighs more.
    assert found.samples == pytest.approx(count, rel=0.05 if share >= 3e-4 else 0.15)
    ceiling = float(np.abs(clipped).max()) * gain
    for run in found.runs:
        # 0.01 dB: a tenth of a percent, two tolerances of the level.
        assert run.level_dbfs == pytest.approx(20 * np.log10(ceiling), abs=0.02)


def test_a_louder_sound_later_does_not_hide_it(voice):
    """Clipped at the preamplifier, then a cough 3 dB above that level: the level is found."""
    clipped, count = clip(0.5 * voice, 1e-3)
    t = np.arange(RATE) / RATE
    cough = 1.41 * np.abs(clipped).max() * np.sin(2 * np.pi * 180 * t) * np.exp(-8 * t)
    found = measure(np.concatenate((clipped, cough)))
    # 5 %: natural tops that happen to end at the level of clipping are counted too.
    assert found.samples == pytest.approx(count, rel=0.05)
    # One half wave of the dying cough may happen to end at the level of clipping.
    assert sum(run.start_s > len(voice) / RATE for run in found.runs) <= 1


def test_every_channel_counts(voice):
    """One clipped channel among two and among six: the same count; both clipped: twice."""
    clipped, _ = clip(voice, 1e-3)
    alone = measure(clipped)
    half = 0.5 * voice
    assert measure(np.stack((half, clipped), axis=1)).samples == alone.samples
    assert measure(np.stack([half] * 5 + [clipped], axis=1)).samples == alone.samples
    both = measure(np.stack((clipped, clipped), axis=1))
    assert both.samples == 2 * alone.samples
    assert both.fraction == pytest.approx(alone.fraction)
    assert both.runs == alone.runs


def test_overs_are_samples_at_or_beyond_full_scale():
    """Of five samples, three reach the highest code of 16 bits."""
    x = np.array([0.0, 32767 / 32768, -1.0, 1.2, 32766 / 32768])
    assert measure(x).overs == 3


@pytest.mark.parametrize("chain", ["resampled to 44.1 kHz", "resampled to 96 kHz", "MP3 and back"])
def test_crests_tell_clipping_after_resampling_and_coding(voice, chain):
    """One percent clipped: after the chain the crests pass the limit, and their times are given."""
    treat, rate = CHAINS[chain]
    clean, found = measure(treat(voice), rate), measure(treat(clip(voice, 1e-2)[0]), rate)
    assert clean.crest_evidence is not None
    assert found.crest_evidence is not None
    assert clean.crest_evidence < EVIDENCE < found.crest_evidence
    assert found.crests


def test_flat_tops_do_not_depend_on_the_level_of_the_take(voice):
    """The crest numbers of a take and of the same take 20 dB lower are equal."""
    low, high = measure(0.1 * voice), measure(voice)
    # 1e-3: samples that lie on the 95 % line to within the rounding of float32.
    assert low.flatness == pytest.approx(high.flatness, abs=1e-3)
    assert low.crest_evidence == pytest.approx(high.crest_evidence, abs=1e-3)


def test_too_little_to_tell_the_crests():
    """Silence has no half waves: no flatness, and a reason."""
    found = measure(np.zeros(RATE))
    assert found.flatness is None
    assert found.not_measured["crest_evidence"] == "too few half waves near the top"
