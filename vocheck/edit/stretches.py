"""Stretches of recordings, read without the rest."""

from __future__ import annotations

import os
from collections.abc import Iterator

import numpy as np

from vocheck.audio.readers import BLOCK_FRAMES, open_audio
from vocheck.recording import Samples


def stretch(
    path: str | os.PathLike[str], channel: int, first: int, length: int
) -> Iterator[Samples]:
    """Yield a stretch of one channel of a recording, in blocks of shape (samples,).

    Before the first sample and behind the last there are zeros.

    Raises
    ------
    AudioError
        If it cannot be read.
    """
    last = first + length
    if first < 0:
        yield from _zeros(min(-first, length))
    done = 0
    with open_audio(path) as file:
        channel = min(channel, file.source.channels - 1)
        for block in file.blocks():
            start, end = max(first, done), min(last, done + len(block))
            if start < end:
                yield block[start - done : end - done, channel]
            done += len(block)
            if done >= last:
                return
    yield from _zeros(last - max(first, done, 0))


def _zeros(count: int) -> Iterator[Samples]:
    for start in range(0, count, BLOCK_FRAMES):
        yield np.zeros(min(BLOCK_FRAMES, count - start), np.float32)
