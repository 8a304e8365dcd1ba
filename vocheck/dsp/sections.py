"""Blocks of any size in, sections of one size out: what makes a meter independent of its blocks."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from vocheck.errors import AudioError


class Sections:
    """Collects blocks of a stream into sections that overlap, one channel after another.

    Parameters
    ----------
    channels : int
    size : int
        New frames of a section.
    overlap : int
        Frames that a section repeats from the end of the one before; zeros before the first.
    """

    def __init__(self, channels: int, size: int, overlap: int = 0) -> None:
        self._buffer = np.zeros((channels, overlap + size), np.float32)
        self._overlap = overlap
        self._filled = overlap
        self.frames = 0
        """Frames taken in so far."""

    def add(self, block: npt.NDArray[np.floating]) -> Iterator[npt.NDArray[np.float32]]:
        """Take in the next frames and yield each section they complete.

        Parameters
        ----------
        block : ndarray of float, shape (frames, channels) or (frames,) for one channel

        Yields
        ------
        ndarray of float32, shape (channels, overlap + size)
            Valid until the next one is asked for, and not to be written to: where a section does
            not overlap and lies whole in the block, it is a view of the block.

        Raises
        ------
        AudioError
            If the block has another number of channels.
        """
        planar = np.atleast_2d(np.asarray(block).T)
        channels, size = self._buffer.shape
        if planar.ndim != 2 or len(planar) != channels:
            raise AudioError(f"a block of shape {np.shape(block)} for {channels} channels")
        start = 0
        whole = planar.dtype == np.float32 and planar.strides[1] == planar.itemsize
        while start < planar.shape[1]:
            if whole and self._filled == 0 and planar.shape[1] - start >= size:
                self.frames += size
                yield planar[:, start : start + size]
                start += size
                continue
            count = min(size - self._filled, planar.shape[1] - start)
            self._buffer[:, self._filled : self._filled + count] = planar[:, start : start + count]
            start += count
            self._filled += count
            self.frames += count
            if self._filled == size:
                yield self._buffer
                self._buffer[:, : self._overlap] = self._buffer[:, size - self._overlap :].copy()
                self._filled = self._overlap

    def rest(self) -> npt.NDArray[np.float32]:
        """Return a copy of what stands in the section that is not complete.

        Returns
        -------
        ndarray of float32, shape (channels, overlap + frames)
        """
        return self._buffer[:, : self._filled].copy()
