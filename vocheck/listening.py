"""Small listening copies of takes, to be carried inside a page."""

from __future__ import annotations

import base64
import io
import os
from dataclasses import dataclass

import numpy as np

from vocheck.audio import read
from vocheck.measurements import true_peak

BITRATE_KBPS = 96
PEAK_DBTP = -1.0
"""A copy whose take peaks above this is turned down to it: the lossy coder overshoots."""
_BLOCK = 48_000  # libsndfile's encoders want modest pieces
_LOWEST_KBPS, _HIGHEST_KBPS = 32, 320


@dataclass(frozen=True)
class ListeningCopy:
    """A take as an address that holds the sound itself.

    Attributes
    ----------
    address : str
        ``data:audio/mpeg;base64,...``.
    gain_db : float
        How far the copy was turned down, 0 or negative.
    """

    address: str
    gain_db: float


def listening_copy(path: str | os.PathLike[str]) -> ListeningCopy:
    """Return a copy of a take's voice as MP3 in a ``data:`` address.

    Raises
    ------
    AudioError
        If the take cannot be read.
    """
    import soundfile

    from vocheck.dsp.resample import resample

    recording = read(path)
    peak = true_peak.measure(recording).level_dbtp
    gain_db = 0.0 if peak is None or peak == -np.inf else min(0.0, PEAK_DBTP - peak)
    # MP3 knows no rate above 48 kHz, and few below 32.
    rate = recording.rate if recording.rate in (32_000, 44_100, 48_000) else 48_000
    voice = resample(recording.voice, recording.rate, rate) * np.float32(10 ** (gain_db / 20))
    out = io.BytesIO()
    with soundfile.SoundFile(
        out,
        "w",
        samplerate=rate,
        channels=1,
        format="MP3",
        subtype="MPEG_LAYER_III",
        bitrate_mode="CONSTANT",
        # libsndfile's scale: 0 is the highest bit rate, 1 the lowest
        compression_level=(_HIGHEST_KBPS - BITRATE_KBPS) / (_HIGHEST_KBPS - _LOWEST_KBPS),
    ) as file:
        for start in range(0, len(voice), _BLOCK):
            file.write(voice[start : start + _BLOCK])
    encoded = base64.b64encode(out.getvalue()).decode("ascii")
    return ListeningCopy(f"data:audio/mpeg;base64,{encoded}", gain_db)
