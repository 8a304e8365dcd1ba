"""Which of several audio tracks is the one to measure.

Asked for by number, or else the first that is a main programme: not one that its file calls
a commentary, a description, music and effects or a dub, and not one that is silent. Files with one
track are not looked into.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from vocheck.audio.frames import guard, take_speakers, to_array
from vocheck.audio.whitelist import DECODERS, open_container
from vocheck.errors import AudioError
from vocheck.results import Result

_DEFAULT = 1 << 0
_ASIDE = 1 << 1 | 1 << 3 | 1 << 5 | 1 << 7 | 1 << 8 | 1 << 9 | 1 << 10 | 1 << 12 | 1 << 17
"""FFmpeg's flags of a dub, a commentary, a karaoke track, one for the hard of hearing, for the
visually impaired, effects only, a cover, music only, and descriptions (AV_DISPOSITION_*)."""

_TITLES_ASIDE = re.compile(
    r"\bm\s*(&|and|\+)\s*e\b|music (&|and) effects|comment|descri|\beffects\b", re.IGNORECASE
)

_LISTEN_S = 60.0
"""How long a track may be silent at its start and still be chosen over the next one."""


@dataclass(frozen=True, kw_only=True)
class Track(Result):
    """What a file says of one of its audio tracks.

    Attributes
    ----------
    number : int
        From 1.
    title, language : str
        Empty where the file tells none.
    speakers : tuple of str
        Of each channel, as FFmpeg names them.
    rate_hz : int
    is_aside : bool
        Whether its file calls it a commentary, a description, music and effects, or a dub.
    is_silent : bool
        Whether its first minute holds nothing but silence.
    """

    number: int
    title: str
    language: str
    speakers: tuple[str, ...]
    rate_hz: int
    is_aside: bool
    is_silent: bool


def tracks_of(path: str) -> tuple[Track, ...]:
    """Return the audio tracks of a file that FFmpeg reads, in the order of the file."""
    with open(path, "rb") as file, open_container(file) as container:
        return tuple(
            _track(path, number, stream)
            for number, stream in enumerate(container.streams.audio, start=1)
        )


def _track(path: str, number: int, stream: Any) -> Track:
    context = stream.codec_context
    return Track(
        number=number,
        title=stream.metadata.get("title", ""),
        language=stream.metadata.get("language", ""),
        speakers=() if context is None else take_speakers(context),
        rate_hz=0 if context is None else context.sample_rate or 0,
        is_aside=_rank(stream)[0],
        is_silent=not _sounds(path, number),
    )


def right_of(tracks: tuple[Track, ...], number: int) -> int | None:
    """Return the track that holds the right side where a track of one channel holds the left.

    Two tracks of one channel each that follow each other, the first of odd number, are left and
    right where nothing in the file says otherwise: so programmes are laid out for exchange (EBU
    R 123, from memory). An empty track is no side.
    """
    if number % 2 == 0 or number >= len(tracks):
        return None
    left, right = tracks[number - 1], tracks[number]
    sides = (left.speakers, right.speakers)
    alike = (left.rate_hz, left.language, left.is_aside, left.is_silent) == (
        right.rate_hz,
        right.language,
        right.is_aside,
        right.is_silent,
    )
    is_pair = sides == (("FL",), ("FR",)) or all(side in (("FC",), ("NONE",)) for side in sides)
    return right.number if is_pair and alike else None


def choose_track(path: str, container: Any, wanted: int | None) -> int:
    """Return the number, from 1, of the audio track to measure.

    Parameters
    ----------
    path : str
    container : av.container.InputContainer
        An open file with at least one audio track.
    wanted : int or None
        The number that was asked for.

    Raises
    ------
    AudioError
        If there is no track of that number.
    """
    streams = container.streams.audio
    if wanted is not None:
        if not 1 <= wanted <= len(streams):
            tracks = "one audio track" if len(streams) == 1 else f"{len(streams)} audio tracks"
            raise AudioError(f"{path}: holds {tracks}; there is no track {wanted}")
        return wanted
    if len(streams) == 1:
        return 1
    order = sorted(range(1, len(streams) + 1), key=lambda number: _rank(streams[number - 1]))
    return next((number for number in order if _sounds(path, number)), order[0])


def _rank(stream: Any) -> tuple[bool, bool]:
    """Return a key that sorts main programmes first; the order in the file decides the rest."""
    flags = int(stream.disposition)
    title = f"{stream.metadata.get('title', '')} {stream.metadata.get('handler_name', '')}"
    aside = bool(flags & _ASIDE) or bool(_TITLES_ASIDE.search(title))
    return aside, not flags & _DEFAULT


def _sounds(path: str, number: int) -> bool:
    """Whether anything but silence stands in the first minute of a track."""
    import av

    with open(path, "rb") as file, open_container(file) as container:
        stream = container.streams.audio[number - 1]
        context = stream.codec_context
        if context is None or context.codec.name not in DECODERS:
            return False
        heard = 0
        try:
            for packet in container.demux(stream):
                frames = packet.decode()
                guard(frames)
                for frame in frames:
                    samples = to_array(frame)
                    if (samples != (128 if samples.dtype.kind == "u" else 0)).any():
                        return True
                    heard += len(samples)
                if heard > _LISTEN_S * (context.sample_rate or 1):
                    return False
        except av.FFmpegError:
            return True
    return False
