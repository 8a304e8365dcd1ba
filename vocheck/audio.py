"""The only room that opens audio files."""

from __future__ import annotations

import os

import numpy as np
import soundfile

from vocheck.errors import AudioError
from vocheck.recording import Recording, Source


def read(path: str | os.PathLike[str]) -> Recording:
    """Read a whole recording into memory."""
    try:
        with soundfile.SoundFile(path) as file:
            dtype = "float64" if file.subtype in ("PCM_32", "DOUBLE") else "float32"
            samples = file.read(dtype=dtype, always_2d=True)
            source = Source(
                path=os.fspath(path), container=file.format, codec=file.subtype,
                rate_hz=file.samplerate, channels=file.channels,
                duration_s=len(samples) / file.samplerate,
            )
    except soundfile.LibsndfileError as error:
        raise AudioError(f"{path}: not a readable audio file") from error
    return Recording(np.asarray(samples), source.rate_hz, source)
