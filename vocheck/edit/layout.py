"""Where the stretches of a plan stand in a timeline.

Each line has a slot, as long as its longest take, and what is laid in it begins with it on every
track. Slots begin with a whole second of the timecode, so that they begin with a frame and, at the
usual sample rates, with a sample.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from vocheck.edit.plan import LineEdit, Piece, media_of
from vocheck.edit.timecode import FrameRate
from vocheck.takes.comp import Join

BEST, PATH, ALTERNATIVE = "best take", "comp path", "alternative"


@dataclass(frozen=True, kw_only=True)
class Placed:
    """A stretch in its place.

    Attributes
    ----------
    line : LineEdit
    piece : Piece
    start : Fraction
        Seconds from the start of the timeline.
    join : Join or None
        By which it follows the stretch before it, without a gap.
    """

    line: LineEdit
    piece: Piece
    start: Fraction
    join: Join | None = None

    @property
    def end(self) -> Fraction:
        """Seconds from the start of the timeline."""
        return self.start + self.piece.seconds


@dataclass(frozen=True, kw_only=True)
class Track:
    """Stretches one after the other.

    Attributes
    ----------
    name : str
    placed : tuple of Placed
    """

    name: str
    placed: tuple[Placed, ...]


@dataclass(frozen=True, kw_only=True)
class Layout:
    """A timeline.

    Attributes
    ----------
    title : str
    rate : FrameRate
    sample_rate_hz : int
        That of most recordings.
    fade_s : float
        Length of the crossfade at a join.
    tracks : tuple of Track
        What to use comes first.
    """

    title: str
    rate: FrameRate
    sample_rate_hz: int
    fade_s: float
    tracks: tuple[Track, ...]


def usual_rate_hz(lines: Sequence[LineEdit]) -> int:
    """Return the sample rate that most recordings have, the higher of two."""
    counted = Counter(medium.rate_hz for medium in media_of(lines))
    return max(counted, key=lambda rate: (counted[rate], rate))


def lay_out(
    lines: Sequence[LineEdit], title: str, rate: FrameRate, gap_s: float, fade_s: float
) -> Layout:
    """Lay lines one after the other.

    Parameters
    ----------
    lines : sequence of LineEdit
        At least one.
    title : str
    rate : FrameRate
    gap_s : float
        The least time between two lines.
    fade_s : float
        Length of the crossfade at a join.
    """
    sample_rate = usual_rate_hz(lines)
    second = Fraction(rate.frames) / rate.exact  # of the timecode: 1.001 s at 29.97
    paths: list[Placed] = []
    best: list[Placed] = []
    others: list[list[Placed]] = [[] for _ in range(max(len(line.others) for line in lines))]
    seconds = 0
    for line in lines:
        start = Fraction(round(seconds * second * sample_rate), sample_rate)
        ends = [start]
        paths += _in_a_row(line, start)
        best.append(Placed(line=line, piece=line.best, start=start))
        for track, piece in zip(others, line.others, strict=False):
            track.append(Placed(line=line, piece=piece, start=start))
            ends.append(track[-1].end)
        ends += [best[-1].end, *(placed.end for placed in paths[-1:])]
        seconds = math.ceil((max(ends) + Fraction(gap_s)) / second)
    tracks = [Track(name=BEST, placed=tuple(best))]
    if any(line.path for line in lines):
        tracks.insert(0, Track(name=PATH, placed=tuple(paths)))
    tracks += [
        Track(name=f"{ALTERNATIVE} {number}", placed=tuple(placed))
        for number, placed in enumerate(others, start=1)
    ]
    return Layout(
        title=title,
        rate=rate,
        sample_rate_hz=sample_rate,
        fade_s=fade_s,
        tracks=tuple(tracks),
    )


def _in_a_row(line: LineEdit, start: Fraction) -> list[Placed]:
    """Return what is chosen of a line; a line without a path is there with its best take."""
    placed: list[Placed] = []
    joins: list[Join | None] = [None, *line.joins]
    chosen: tuple[Piece, ...] = line.chosen
    for piece, join in zip(chosen, joins, strict=True):
        placed.append(Placed(line=line, piece=piece, start=start, join=join))
        start = placed[-1].end
    return placed
