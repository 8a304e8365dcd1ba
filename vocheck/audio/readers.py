"""Opens recordings: the whole of one in memory, or block by block.

Two libraries read them: libsndfile what recorders and editors write (`vocheck.audio.libsndfile`),
FFmpeg the rest and whatever of the former libsndfile gives up on, such as a FLAC that stops in
mid-frame (`vocheck.audio.ffmpeg`). Both give the samples their file holds, with no resampling and
no dither.

A file may hold less than its header promises (a card pulled out too early, a copy cut short), or
its recorder may have died before it filled the length in, or a stretch of it is damaged. Such
a file is read as far as it goes, and `Source.missing_s`, `Source.unfinished` and `Source.damaged`
say so. A file with nothing to measure is an `AudioError` of one line, and so is every other failure
to decode.

Files are opened for reading only.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Protocol

import numpy as np

from vocheck.audio.heads import Head, look, why_not
from vocheck.audio.libsndfile import Refused, SoundfileReader, Wave24Reader
from vocheck.errors import AudioError
from vocheck.recording import Recording, Samples, Source

BLOCK_FRAMES = 192_000
"""Frames read at a time: long enough that the overhead per block vanishes, 1.5 MB in stereo."""

LARGEST = 1e10
"""Above +200 dB re full scale no float is a sample, not even of 32-bit integers left unscaled; its
square would soon pass what the measurements can hold."""

MOST_PLACES = 20
"""How many damaged places are told; all of them are counted."""


def read(path: str | os.PathLike[str], *, track: int | None = None) -> Recording:
    """Read a whole recording into memory.

    Parameters
    ----------
    path
        Any file of the formats named in `vocheck.audio`.
    track : int, optional
        Which audio track of a file with several, from 1. Where omitted, the first that is a main
        programme and not silent (`vocheck.audio.tracks`).

    Returns
    -------
    recording
        Samples of shape (frames, channels), full scale 1.0: float32, which holds 24-bit PCM
        exactly, or float64 where the file holds more (32-bit PCM, 64-bit float). A lossy decoder
        and a float file may pass 1.0.

    Raises
    ------
    AudioError
        If the file is missing, empty, not audio, unreadable, without any sample or without that
        track, or holds a NaN, an infinity or a number that is no sample. The message is one line
        and names the file.
    """
    with open_audio(path, track=track) as file:
        try:
            samples = np.concatenate(list(file.blocks()))
        except MemoryError:
            raise AudioError(f"{os.fspath(path)}: is too long to fit into memory") from None
        return Recording(samples, file.source.rate_hz, file.source)


@contextmanager
def open_audio(path: str | os.PathLike[str], *, track: int | None = None) -> Iterator[AudioFile]:
    """Open a recording to be read block by block in constant memory.

    Parameters
    ----------
    path, track
        As for `read`.

    Yields
    ------
    file : AudioFile

    Raises
    ------
    AudioError
        As `read` does; what only the samples show is raised by `AudioFile.blocks`.

    Examples
    --------
    >>> with open_audio("mix.mov") as file:  # doctest: +SKIP
    ...     peak = max(abs(block).max() for block in file.blocks())
    """
    path = os.fspath(path)
    try:
        head = look(path)
        reader = _open(path, head, track)
    except Exception as error:
        raise _as_audio_error(path, error) from error
    file = AudioFile(path, head, reader)
    try:
        yield file
    finally:
        file._close()


class AudioFile:
    """An open recording. Made by `open_audio`.

    Attributes
    ----------
    source : Source
        What the file says of itself. `duration_s`, `missing_s` and `damaged` are the header's until
        `blocks` has run to its end, and what was found from then on.
    """

    def __init__(self, path: str, head: Head, reader: _Reader) -> None:
        self._path = path
        self._head = head
        self._reader = reader
        self.source = reader.source

    def blocks(self, frames: int = BLOCK_FRAMES) -> Iterator[Samples]:
        """Yield the samples from first to last, once.

        Parameters
        ----------
        frames : int
            Length of every block but the last, which may be shorter (never empty).

        Yields
        ------
        block : ndarray of float32 or float64, shape (frames, channels)
            As `read` gives them, whatever the block length. In memory one channel stands after
            the other (``block.T`` is contiguous), as meters and encoders want them.

        Raises
        ------
        AudioError
            If there is not one sample, or a NaN, an infinity or a number that is no sample, or the
            decoder fails.
        """
        rate = self.source.rate_hz
        integers = self.source.codec == "PCM"  # which are numbers, every one
        done = 0
        for block in self._decoded(frames):
            if not integers:
                self._check(block, done)
            done += len(block)
            yield block
        if not done:
            raise AudioError(f"{self._path}: holds a header but no audio")
        missing_s = max(0.0, self._reader.promised_s - done / rate)
        if missing_s <= self._reader.tolerance_s:
            missing_s = 0.0
        damaged_s = self._reader.damaged_s
        self.source = replace(
            self.source,
            duration_s=done / rate,
            missing_s=missing_s,
            unfinished=self._head.unfinished,
            damaged=len(damaged_s),
            damaged_s=tuple(damaged_s[:MOST_PLACES]),
        )

    def _check(self, block: Samples, done: int) -> None:
        """Refuse what is no sample."""
        # The sum of squares is small only where every sample is: one pass, no copy.
        flat = block.ravel("K")
        if np.vdot(flat, flat) <= LARGEST:
            return
        finite = np.isfinite(block).all(axis=1)
        bad = ~finite | (np.abs(block).max(axis=1) > LARGEST)
        if not bad.any():
            return
        first = int(np.argmax(bad))
        place_s = (done + first) / self.source.rate_hz
        what = "are not numbers (NaN or infinity" if not finite.all() else "no converter gives ("
        if finite.all():
            what += f"more than {LARGEST:.0e} times full scale"
        raise AudioError(f"{self._path}: holds samples that {what}, first at {place_s:.3f} s)")

    def _decoded(self, frames: int) -> Iterator[Samples]:
        """Yield blocks from the reader; where libsndfile gives up, go on with PyAV."""
        done = 0
        try:
            try:
                for block in self._reader.blocks(frames):
                    done += len(block)
                    yield block
            except Refused:
                yield from self._decoded_by_ffmpeg(frames, done)
        except Exception as error:
            raise _as_audio_error(self._path, error) from error

    def _decoded_by_ffmpeg(self, frames: int, done: int) -> Iterator[Samples]:
        """Yield what libsndfile could not read, from the frame `done` on."""
        from vocheck.audio.ffmpeg import PyavReader

        promised_s = self._reader.promised_s
        self._close()
        self._reader = PyavReader(self._path, self._head)
        self._reader.promised_s = promised_s
        yield from _skip(self._reader.blocks(frames), done)

    def _close(self) -> None:
        self._reader.close()


def _skip(blocks: Iterator[Samples], frames: int) -> Iterator[Samples]:
    """Yield `blocks` without their first `frames` frames."""
    for block in blocks:
        if frames < len(block):
            yield block[frames:]
        frames = max(0, frames - len(block))


def _as_audio_error(path: str, error: Exception) -> AudioError:
    """Say in one line that names the file why it cannot be read."""
    if isinstance(error, AudioError):
        return error
    if isinstance(error, MemoryError):
        return AudioError(f"{path}: asks for more memory than there is; its header may be damaged")
    reason = (isinstance(error, OSError) and error.strerror) or str(error) or type(error).__name__
    return AudioError(f"{path}: cannot be read: {' '.join(reason.split())}")


class _Reader(Protocol):
    source: Source
    promised_s: float
    tolerance_s: float
    damaged_s: list[float]

    def blocks(self, frames: int) -> Iterator[Samples]: ...

    def close(self) -> None: ...


def _open(path: str, head: Head, track: int | None) -> _Reader:
    """Choose the library that reads this file best."""
    if not (head.unfinished and head.kind == "wave"):
        try:
            reader = SoundfileReader(path, head)
        except Refused:
            pass
        else:
            if track not in (None, 1):
                reader.close()
                raise AudioError(f"{path}: holds one audio track; there is no track {track}")
            is_24 = (reader.source.codec, reader.source.bits) == ("PCM", 24)
            if is_24 and head.data_start is not None:
                return Wave24Reader(reader, path, head.data_start)
            return reader
    if not head.has_samples:  # FFmpeg would look for them for minutes
        raise AudioError(f"{path}: {why_not(head)}")
    from vocheck.audio.ffmpeg import PyavReader

    return PyavReader(path, head, track)
