"""Stretches of recordings, read without the rest."""

from __future__ import annotations

import os

import numpy as np

from vocheck.audio.readers import open_audio
from vocheck.recording import Samples


def read_stretch(path: str | os.PathLike[str], first: int, length: int) -> Samples:
    """Return some samples of a recording, shape (length, channels); zeros where there are none.

    Raises
    ------
    AudioError
        If it cannot be read.
    """
    with open_audio(path) as file:
        found = np.zeros((length, file.source.channels), np.float32)
        done = 0
        for block in file.blocks():
            if block.dtype == np.float64 and found.dtype != np.float64:
                found = found.astype(np.float64)
            start, end = max(first, done), min(first + length, done + len(block))
            if start < end:
                found[start - first : end - first] = block[start - done : end - done]
            done += len(block)
            if done >= first + length:
                break
    return found
