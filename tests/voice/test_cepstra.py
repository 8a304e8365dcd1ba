"""Mel-frequency cepstra against librosa's, an independent implementation of the same method."""

from __future__ import annotations

import librosa
import numpy as np
import pytest

from tests.material.demo_session import FOLDER
from vocheck.audio.readers import read
from vocheck.voice.cepstra import deltas, mel_bands, mel_cepstra
from vocheck.voice.channel import spectrogram_of


@pytest.mark.parametrize(("rate", "high"), [(48000, 8000.0), (44100, 8000.0), (8000, 4000.0)])
def test_mel_bands(rate: int, high: float):
    """The bands are those of librosa."""
    bins = 513
    theirs = librosa.filters.mel(sr=rate, n_fft=2 * (bins - 1), n_mels=40, fmin=60.0, fmax=high)
    # both are rounded to single precision
    np.testing.assert_allclose(mel_bands(bins, rate, 40, 60.0, high), theirs, atol=1e-6)


def test_cepstra_and_deltas_of_a_voice():
    """A take gives the same cepstra, and the same slopes."""
    recording = read(FOLDER / "01_river_t1.flac")
    power = spectrogram_of(recording).power[::2]
    mel = librosa.feature.melspectrogram(
        S=power.T, sr=recording.rate, n_mels=40, fmin=60.0, fmax=8000.0
    )
    level = librosa.power_to_db(mel, ref=np.max, top_db=55.0)
    theirs = librosa.feature.mfcc(S=level, n_mfcc=13)
    ours = mel_cepstra(
        power, recording.rate, bands=40, band_hz=(60.0, 8000.0), coefficients=13, range_db=55.0
    )
    # single precision over a sum of 40 levels of up to 55 dB
    np.testing.assert_allclose(ours, theirs.T, atol=1e-3)
    # the ends: librosa goes on along the outermost line, which has the same slope everywhere
    np.testing.assert_allclose(deltas(ours), librosa.feature.delta(theirs).T, atol=1e-3)
