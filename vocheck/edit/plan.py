"""Which stretches of which recordings the edit begins with, to the sample.

Of each line: the best take, the path through the phrases where a comp sheet gives one, and the
other takes. A take is laid from shortly before its first word to shortly behind its last
(``policy/edit.toml``); the rest of its file is handle.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby

import numpy as np

from vocheck.audio.metadata import TakeMetadata, read_metadata
from vocheck.edit.joins import Side, best_place
from vocheck.edit.stretches import stretch
from vocheck.errors import AudioError
from vocheck.policy.tolerances import Length
from vocheck.recording import Samples
from vocheck.session.take import TakeResult
from vocheck.takes.comp import Comp, CompSheet, Join
from vocheck.takes.rank import LineRanking, RankedTake, Ranking

Lengths = Mapping[str, Length]
"""The rows of ``edit.toml``."""


@dataclass(frozen=True, kw_only=True)
class Medium:
    """A recording, as an editor finds it.

    Attributes
    ----------
    path : str
    rate_hz : int
    frames : int
        Samples of each channel.
    offset : int
        Where the take begins in it, in samples.
    midnight : int or None
        Samples between midnight and the first sample, where the recorder tells.
    metadata : TakeMetadata
        What else the recorder tells.
    """

    path: str
    rate_hz: int
    frames: int
    offset: int = 0
    midnight: int | None = None
    metadata: TakeMetadata = TakeMetadata()

    def sample(self, take_s: float) -> int:
        """Return the sample of a moment of the take, within the recording."""
        return min(max(0, self.offset + round(take_s * self.rate_hz)), self.frames)


@dataclass(frozen=True, kw_only=True)
class Piece:
    """A stretch of a take that is used.

    Attributes
    ----------
    take : RankedTake
    medium : Medium
    first, length : int
        Samples of the medium.
    phrases : tuple of int
        Numbers of the phrases in it; empty for a take as a whole.
    breaks_s : tuple of float
        Where one phrase of it ends and the next begins, in the time of the recording.
    """

    take: RankedTake
    medium: Medium
    first: int
    length: int
    phrases: tuple[int, ...] = ()
    breaks_s: tuple[float, ...] = ()

    @property
    def seconds(self) -> Fraction:
        """How long it is."""
        return Fraction(self.length, self.medium.rate_hz)


@dataclass(frozen=True, kw_only=True)
class LineEdit:
    """What the edit of one line begins with.

    Attributes
    ----------
    line : str
    ranking : LineRanking
    best : Piece
        Of the take that ranks first.
    others : tuple of Piece
        Of the other takes, best first.
    path : tuple of Piece
        The cleanest path; empty without a comp sheet.
    joins : tuple of Join
        Between the pieces of the path.
    """

    line: str
    ranking: LineRanking
    best: Piece
    others: tuple[Piece, ...]
    path: tuple[Piece, ...] = ()
    joins: tuple[Join, ...] = ()

    @property
    def chosen(self) -> tuple[Piece, ...]:
        """The path, or the best take where there is none."""
        return self.path or (self.best,)


def plan_ranking(ranking: Ranking, lengths: Lengths) -> tuple[LineEdit, ...]:
    """Return the best take and the others of each line."""
    return tuple(_whole_takes(line, lengths) for line in ranking.lines if line.order)


def plan_comp(comp: Comp, lengths: Lengths) -> tuple[LineEdit, ...]:
    """Return the best take, the cleanest path and the other takes of each line.

    Where the path changes takes, both are read to find the place in the pause at which they differ
    least.

    Raises
    ------
    AudioError
        If a take cannot be read again.
    """
    return tuple(plan_sheet(sheet, lengths) for sheet in comp.sheets if sheet.takes)


def plan_sheet(sheet: CompSheet, lengths: Lengths) -> LineEdit:
    """Return what `plan_comp` does, of one line."""
    whole = _whole_takes(sheet.ranking, lengths)
    if not sheet.phrases:
        return whole
    order = sheet.ranking.order
    runs = [
        (take, list(run)) for take, run in groupby(sheet.phrases, key=lambda phrase: phrase.chosen)
    ]
    media = [medium_of(order[take].result) for take, _ in runs]
    places = _places(sheet, lengths["crossfade"].seconds)
    (first_take, first), (last_take, last) = runs[0], runs[-1]
    start_s = first[0].readings[first_take].start_s - lengths["lead"].seconds
    end_s = last[-1].readings[last_take].end_s + lengths["tail"].seconds
    starts = [media[0].sample(start_s), *(into for _, into in places)]
    ends = [*(out for out, _ in places), media[-1].sample(end_s)]
    path = tuple(
        Piece(
            take=order[take],
            medium=medium,
            first=start,
            length=end - start,
            phrases=tuple(phrase.number for phrase in run),
            breaks_s=tuple(
                medium.sample(phrase.readings[take].start_s) / medium.rate_hz for phrase in run[1:]
            ),
        )
        for (take, run), medium, start, end in zip(runs, media, starts, ends, strict=True)
    )
    if any(piece.seconds <= 2 * lengths["crossfade"].seconds for piece in path):
        # A take that lacks a phrase maps it onto nothing: there is nothing to join.
        return whole
    return LineEdit(
        line=sheet.line,
        ranking=sheet.ranking,
        best=whole.best,
        others=whole.others,
        path=path,
        joins=sheet.joins,
    )


def _places(sheet: CompSheet, fade_s: float) -> list[tuple[int, int]]:
    """Return at which sample each join leaves one take and enters the next."""
    order = sheet.ranking.order
    places = []
    for join in sheet.joins:
        before = _side(order[join.before_take].result, join.out_s)
        after = _side(order[join.after_take].result, join.in_s)
        places.append(best_place(before, after, fade_s))
    return places


def _side(result: TakeResult, time_s: float) -> Side:
    """Return the pause around a moment of a take, or the moment alone where it does not pause."""
    medium = medium_of(result)
    pauses = result.measurements.speech.pauses
    around = (p for p in pauses if p.start_s <= time_s <= p.end_s)
    pause = next(around, None)
    start_s, end_s = (time_s, time_s) if pause is None else (pause.start_s, pause.end_s)
    return Side(
        path=medium.path,
        rate_hz=medium.rate_hz,
        frames=medium.frames,
        channel=result.measurements.format.used_channel - 1,
        start=medium.sample(start_s),
        middle=medium.sample(time_s),
        end=medium.sample(end_s),
    )


def medium_of(result: TakeResult) -> Medium:
    """Return the recording of a take."""
    source = result.source
    path = result.path or ""
    metadata = _metadata(path)
    return Medium(
        path=path,
        rate_hz=source.rate_hz,
        frames=round(source.duration_s * source.rate_hz),
        midnight=metadata.time_reference_samples,
        metadata=metadata,
    )


def _metadata(path: str) -> TakeMetadata:
    with suppress(AudioError):
        return read_metadata(path)
    return TakeMetadata()


def _whole_takes(ranking: LineRanking, lengths: Lengths) -> LineEdit:
    best, *others = (_whole(take, lengths) for take in ranking.order)
    return LineEdit(line=ranking.line, ranking=ranking, best=best, others=tuple(others))


def _whole(take: RankedTake, lengths: Lengths) -> Piece:
    """Return a take from its first word to its last; where nobody speaks, all of it."""
    medium = medium_of(take.result)
    phrases = take.result.measurements.speech.phrases
    start_s, end_s = 0.0, take.result.source.duration_s
    if phrases:
        start_s = phrases[0].start_s - lengths["lead"].seconds
        end_s = phrases[-1].end_s + lengths["tail"].seconds
    first, last = medium.sample(start_s), medium.sample(end_s)
    return Piece(take=take, medium=medium, first=first, length=last - first)


def voice_blocks(piece: Piece, first: int, length: int) -> Iterator[Samples]:
    """Yield a stretch of the channel that carries the voice of a take, as `stretch` does."""
    channel = piece.take.result.measurements.format.used_channel - 1
    return stretch(piece.medium.path, channel, first, length)


def voice_channel(piece: Piece, first: int, length: int) -> Samples:
    """Return a stretch of the channel that carries the voice of a take, shape (samples,)."""
    return np.concatenate([np.zeros(0, np.float32), *voice_blocks(piece, first, length)])


def media_of(lines: Iterable[LineEdit]) -> Sequence[Medium]:
    """Return every recording of these lines once, in the order of the lines."""
    pieces = (p for line in lines for p in (line.best, *line.path, *line.others))
    return list({piece.medium.path: piece.medium for piece in pieces}.values())
