"""The sound of a mix: one track of its file, or two tracks of one channel as left and right."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace

import numpy as np

from vocheck.audio.readers import BLOCK_FRAMES, AudioFile, open_audio
from vocheck.audio.tracks import Track, right_of, tracks_of
from vocheck.recording import Samples, Source
from vocheck.results import Result


@dataclass(frozen=True, kw_only=True)
class TrackChoice(Result):
    """Which audio track of a file with several was measured.

    Attributes
    ----------
    number : int
        From 1.
    right : int or None
        The track of the right side, where the other one holds the left side only.
    was_asked : bool
        Whether it was asked for by number.
    tracks : tuple of Track
        All that the file holds.
    """

    number: int
    right: int | None
    was_asked: bool
    tracks: tuple[Track, ...]


class MixSound:
    """An open mix. Made by `open_mix`.

    Attributes
    ----------
    choice : TrackChoice or None
        ``None`` for a file with one track.
    source : Source
        As of `vocheck.audio.readers.AudioFile`; joined sides are one source of two channels.
    """

    def __init__(self, sides: tuple[AudioFile, ...], choice: TrackChoice | None) -> None:
        self._sides = sides
        self.choice = choice

    @property
    def source(self) -> Source:
        """What is known of the sound; see `AudioFile`."""
        first = self._sides[0].source
        if len(self._sides) == 1:
            return first
        second = self._sides[1].source
        return replace(
            first,
            channels=2,
            layout=("FL", "FR"),
            duration_s=max(first.duration_s, second.duration_s),
            missing_s=max(first.missing_s, second.missing_s),
            damaged=first.damaged + second.damaged,
            damaged_s=tuple(sorted({*first.damaged_s, *second.damaged_s})),
        )

    def blocks(self) -> Iterator[Samples]:
        """Yield the samples from first to last, once; the shorter side ends in silence."""
        if len(self._sides) == 1:
            yield from self._sides[0].blocks()
            return
        streams = [side.blocks(BLOCK_FRAMES) for side in self._sides]
        nothing = np.zeros((0, 1), np.float32)
        while True:
            pieces = [next(stream, nothing) for stream in streams]
            frames = max(map(len, pieces))
            if not frames:
                return
            yield np.stack([np.pad(p[:, 0], (0, frames - len(p))) for p in pieces]).T


@contextmanager
def open_mix(path: str | os.PathLike[str], track: int | None = None) -> Iterator[MixSound]:
    """Open the track of a mix that is asked for, or else its main programme.

    Two tracks of one channel each that are left and right (`vocheck.audio.tracks.right_of`) are
    read as one.

    Raises
    ------
    AudioError
        As `vocheck.audio.readers.open_audio`.
    """
    path = os.fspath(path)
    with ExitStack() as stack:
        first = stack.enter_context(open_audio(path, track=track))
        if first.source.tracks == 1:
            yield MixSound((first,), None)
            return
        number, tracks = first.source.track, tracks_of(path)
        right = right_of(tracks, number) if track is None else None
        choice = TrackChoice(number=number, right=right, was_asked=track is not None, tracks=tracks)
        sides: tuple[AudioFile, ...] = (first,)
        if right is not None:
            sides = (first, stack.enter_context(open_audio(path, track=right)))
        yield MixSound(sides, choice)
