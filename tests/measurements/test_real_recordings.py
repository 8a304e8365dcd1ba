"""Level, noise, hum and processing on real recordings that the registries carry."""

from __future__ import annotations

import numpy as np
import pytest

from tests.material import speech as voices
from vocheck.measurements import hum, level, noise, processing
from vocheck.recording import Recording

pytestmark = pytest.mark.outside


@pytest.fixture(scope="module")
def readers() -> dict[str, Recording]:
    """Return the readers by name: a book, a sentence, gated words, words of a toy."""
    return {one.name: Recording(one.samples, one.rate) for one in voices.unlabelled()}


def frame_levels(recording: Recording, frame_s: float = 0.02) -> np.ndarray:
    size = round(frame_s * recording.rate)
    x = recording.voice[: len(recording.voice) // size * size].astype(np.float64)
    return 10 * np.log10(np.square(x).reshape(-1, size).mean(axis=1) + 1e-20)


def test_a_book_reader_with_pauses(readers):
    """44 s of a book: floor near the softest frames, plain noise, no gate, no hum."""
    recording = readers["two_cities"]
    found = noise.measure(recording)
    softest = np.percentile(frame_levels(recording), 5)
    # Independent estimate: the 5th percentile of frames reads low by up to 3 dB (they vary).
    assert softest - 0.5 < found.floor_dbfs < softest + 3.0
    assert found.pause_s > 3.0
    treated = processing.measure(recording)
    assert treated.gated is False
    assert treated.log_spectral_std_db == pytest.approx(5.57, abs=0.4)
    assert hum.measure(recording).mains_hz is None


def test_the_active_level_lies_between_the_mean_and_the_loud_frames(readers):
    """P.56 on real speech: above the plain RMS, below the 95th percentile of 20 ms frames."""
    for name in ("two_cities", "speech"):
        found = level.measure(readers[name])
        assert found.rms_dbfs < found.active_dbfs
        assert found.active_dbfs < np.percentile(frame_levels(readers[name]), 95)
        # Plain voice: common practice has 14 to 20 dB.
        assert 12.0 < found.crest_db < 24.0


def test_words_that_their_maker_gated(readers):
    """Both sets of single words lie in digital silence between files, or were gated before."""
    for name in ("alsa-utils words", "ktuberling ro words"):
        assert processing.measure(readers[name]).gated is True, name


def test_a_sentence_without_pause_has_no_noise_floor(readers):
    """2.5 s of one sentence, cut close: refused, not passed."""
    found = noise.measure(readers["speech"])
    assert found.floor_dbfs is None
    assert "of usable pause" in found.not_measured["floor_dbfs"]
