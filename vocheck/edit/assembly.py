"""A rough assembly of chosen takes: what the edit would sound like, before anybody cuts.

The pieces of a plan, one line after the other: crossfaded where they meet, room tone of the takes
themselves between the lines, all takes equally loud. It is the voice's channel, at the rate and the
word length of the recordings. Nothing but a few pieces of a second is kept in memory.

Where a sample is that of its recording, it is written as it is. Where its level was changed, or two
were mixed, triangular dither of one step is added before it is rounded [1]_.

References
----------
.. [1] S. P. Lipshitz, R. A. Wannamaker, J. Vanderkooy, Quantization and Dither: A Theoretical
   Survey, J. Audio Eng. Soc. 40 (5), 1992.
"""

from __future__ import annotations

import math
import os
from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_ratio
from vocheck.edit.fades import crossfade
from vocheck.edit.layout import usual_rate_hz
from vocheck.edit.plan import LineEdit, Piece, voice_blocks
from vocheck.edit.roomtone import repeated, room_tone
from vocheck.files import replacing
from vocheck.policy.tolerances import Edit
from vocheck.results import Result

SEED = 20_260_504
"""Of the dither: the same takes give the same bytes."""

LARGEST_WAV = 0xFFFF_0000
"""Bytes; beyond, RF64."""

_Samples = npt.NDArray[np.floating]
_Block = tuple[_Samples, bool]
"""Samples, and whether they are those of a recording, unchanged."""


@dataclass(frozen=True, kw_only=True)
class Part(Result):
    """A line in an assembly.

    Attributes
    ----------
    line : str
    start_s, end_s : float
    joins_s : tuple of float
        Where takes change.
    phrases : tuple of (float, float)
        Where the phrases of the comp sheet are; empty without one.
    gains_db : mapping of str to float
        How far each of its takes was turned up.
    """

    line: str
    start_s: float
    end_s: float
    joins_s: tuple[float, ...]
    phrases: tuple[tuple[float, float], ...]
    gains_db: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class Assembly(Result):
    """What was written.

    Attributes
    ----------
    path : str
    rate_hz : int
    bits : int or None
        ``None`` for 32-bit float.
    duration_s : float
    parts : tuple of Part
    without_tone : tuple of str
        Lines of which no take has a pause to make room tone of: silence stands beside them.
    """

    path: str
    rate_hz: int
    bits: int | None
    duration_s: float
    parts: tuple[Part, ...]
    without_tone: tuple[str, ...]


def assemble(lines: Sequence[LineEdit], output: str | os.PathLike[str], edit: Edit) -> Assembly:
    """Write the chosen pieces of lines one after the other as WAV.

    Parameters
    ----------
    lines : sequence of LineEdit
        At least one; of each what is `chosen`.
    output : path-like
    edit : Edit
        The rows of ``edit.toml``.

    Raises
    ------
    AudioError
        If a take cannot be read.
    VocheckError
        If the output may not be written to (`vocheck.files.refuse_to_write`).
    """
    rate = usual_rate_hz([line_of_chosen(line) for line in lines])
    bits = _word_length([piece for line in lines for piece in line.chosen])
    gains = matching_gains([p for line in lines for p in line.chosen], edit)
    segments, parts, without = _segments(lines, rate, gains, edit)
    total = sum(segment.length for segment in segments)
    # A recording may be shorter than the fade.
    fade = min(round(edit.lengths["crossfade"].seconds * rate), *(s.length for s in segments))
    with replacing(output) as temporary:
        _write(temporary, _joined(segments, fade), rate, bits, total)
    return Assembly(
        path=os.fspath(output),
        rate_hz=rate,
        bits=bits,
        duration_s=total / rate,
        parts=tuple(parts),
        without_tone=tuple(without),
    )


def line_of_chosen(line: LineEdit) -> LineEdit:
    """Return a line with nothing but what is chosen of it."""
    first, *others = line.chosen
    return LineEdit(line=line.line, ranking=line.ranking, best=first, others=tuple(others))


def _word_length(pieces: Iterable[Piece]) -> int | None:
    """Return the longest word of these recordings; ``None`` where one of them holds floats."""
    sources = [piece.take.result.source for piece in pieces]
    if any("float" in (source.codec or "") for source in sources):
        return None
    # A lossy coder has no word length; 24 bits hold all it gives.
    longest = max(source.bits or 24 for source in sources)
    return next(bits for bits in (16, 24, 32) if bits >= longest)


def matching_gains(pieces: Iterable[Piece], edit: Edit) -> dict[str, float]:
    """Return by path how far to turn each take up so that all have one active speech level.

    That is the median; no take goes farther from it than `most_db`, and none is turned up beyond
    `peak_dbtp`.
    """
    takes = {piece.medium.path: piece.take.result.measurements for piece in pieces}
    levels = {
        path: m.level.active_dbfs
        for path, m in takes.items()
        if m.level.active_dbfs is not None and math.isfinite(m.level.active_dbfs)
    }
    gains = dict.fromkeys(takes, 0.0)
    if not levels:
        return gains
    row = edit.match
    room = {
        path: max(0.0, row.peak_dbtp - max(takes[path].true_peak.channels_dbtp, default=0.0))
        for path in levels
    }
    middle = float(np.median(list(levels.values())))
    # Low enough that the softer ones reach it, unless one is an outlier.
    reach = min(level + room[path] for path, level in levels.items())
    aim = max(min(middle, reach), middle - row.most_db)
    for path, level in levels.items():
        gain = max(-row.most_db, min(aim - level, row.most_db))
        gains[path] = min(gain, room[path])
    return gains


@dataclass(frozen=True)
class _Segment:
    """A stretch of the assembly, which can also be read beyond its ends.

    Attributes
    ----------
    length : int
        Samples at the assembly's rate.
    piece : Piece or None
    gain_db : float
    rate : int
    tone : ndarray or None
        What is heard where there is no piece, longer than needed by what is read beyond.
    """

    length: int
    rate: int
    piece: Piece | None = None
    gain_db: float = 0.0
    tone: npt.NDArray[np.float64] | None = None

    def blocks(self, before: int, after: int) -> Iterator[_Block]:
        """Yield it, with so many samples more at each end."""
        if self.piece is None:
            assert self.tone is not None
            start = (len(self.tone) - self.length) // 2 - before
            yield self.tone[start : start + before + self.length + after], False
            return
        medium = self.piece.medium
        if medium.rate_hz == self.rate:
            found = voice_blocks(
                self.piece, self.piece.first - before, before + self.length + after
            )
        else:
            found = self._resampled(before, after)
        exact = medium.rate_hz == self.rate and self.gain_db == 0.0
        gain = 1.0 if exact else amplitude_ratio(self.gain_db)
        for block in found:
            yield (block if exact else block * np.float64(gain)), exact

    def _resampled(self, before: int, after: int) -> Iterator[_Samples]:
        import soxr

        assert self.piece is not None
        medium = self.piece.medium
        ratio = Fraction(medium.rate_hz, self.rate)
        # So early that a sample of the one rate falls on one of the other.
        whole = -(-before // ratio.denominator)
        early, late = whole * ratio.numerator, math.ceil(after * ratio) + 1
        stream = soxr.ResampleStream(medium.rate_hz, self.rate, 1, dtype="float64", quality="VHQ")
        skip, left = whole * ratio.denominator - before, before + self.length + after
        given = voice_blocks(self.piece, self.piece.first - early, early + self.piece.length + late)
        for block, last in _marked_last(given):
            made = stream.resample_chunk(block.astype(np.float64), last=last)
            made, skip = made[skip:], max(0, skip - len(made))
            if len(made):
                yield made[:left]
                left -= min(left, len(made))
        if left:
            yield np.zeros(left)


def _marked_last(blocks: Iterable[_Samples]) -> Iterator[tuple[_Samples, bool]]:
    waiting = None
    for block in blocks:
        if waiting is not None:
            yield waiting, False
        waiting = block
    if waiting is not None:
        yield waiting, True


def _segments(
    lines: Sequence[LineEdit], rate: int, gains: Mapping[str, float], edit: Edit
) -> tuple[list[_Segment], list[Part], list[str]]:
    """Return the stretches in order, where the lines are, and which have no room tone."""
    gap = round(edit.lengths["between_lines"].seconds * rate)
    fade = round(edit.lengths["crossfade"].seconds * rate)
    segments: list[_Segment] = []
    parts: list[Part] = []
    at = 0
    tones = _Tones(rate, gains)
    for number, line in enumerate(lines):
        if number and gap > fade:
            before, after = lines[number - 1].chosen[-1], line.chosen[0]
            tone = tones.between(before, after, gap + 2 * fade)
            segments.append(_Segment(gap, rate, tone=tone))
            at += gap
        start, places = at, []
        for piece in line.chosen:
            places.append(at)
            length = round(piece.seconds * rate)
            segments.append(_Segment(length, rate, piece, gains[piece.medium.path]))
            at += length
        parts.append(
            Part(
                line=line.line,
                start_s=start / rate,
                end_s=at / rate,
                joins_s=tuple(place / rate for place in places[1:]),
                phrases=_phrases(line, [place / rate for place in places]),
                gains_db={p.medium.path: gains[p.medium.path] for p in line.chosen},
            )
        )
    lacking = [line.line for line in lines if any(tones.lacks(piece) for piece in line.chosen)]
    return segments, parts, lacking


def _phrases(line: LineEdit, starts_s: Sequence[float]) -> tuple[tuple[float, float], ...]:
    """Return where the phrases of a line are in the assembly."""
    edges: list[float] = []
    for piece, start_s in zip(line.chosen, starts_s, strict=True):
        if not piece.phrases:
            return ()
        first_s = piece.first / piece.medium.rate_hz
        inner = (start_s + within_s - first_s for within_s in piece.breaks_s)
        edges += [start_s, *inner]
    edges.append(starts_s[-1] + float(line.chosen[-1].seconds))
    return tuple(pairwise(edges))


class _Tones:
    """Room tone of takes, made when it is first asked for."""

    def __init__(self, rate: int, gains: Mapping[str, float]) -> None:
        self._rate = rate
        self._gains = gains
        self._made: dict[str, npt.NDArray[np.float64] | None] = {}

    def between(self, before: Piece, after: Piece, length: int) -> npt.NDArray[np.float64]:
        """Return tone that begins as that of one take and becomes that of another."""
        tones = [self._of(piece) for piece in (before, after)]
        known = [tone for tone in tones if tone is not None]
        if not known:
            return np.zeros(length)
        out, into = (
            repeated(known[0] if tone is None else tone, length, self._rate) for tone in tones
        )
        return out if before.medium.path == after.medium.path else crossfade(out, into)

    def lacks(self, piece: Piece) -> bool:
        """Whether tone was wanted of a take that has no pause for it."""
        path = piece.medium.path
        return path in self._made and self._made[path] is None

    def _of(self, piece: Piece) -> npt.NDArray[np.float64] | None:
        path = piece.medium.path
        if path not in self._made:
            tone = room_tone(piece)
            if tone is not None and piece.medium.rate_hz != self._rate:
                import soxr

                tone = soxr.resample(tone, piece.medium.rate_hz, self._rate, quality="VHQ")
            self._made[path] = (
                None if tone is None else tone * amplitude_ratio(self._gains.get(path, 0.0))
            )
        return self._made[path]


def _joined(segments: Sequence[_Segment], fade: int) -> Iterator[_Block]:
    """Yield the segments one after the other, each crossfaded into the next around their border."""
    early, late = fade // 2, fade - fade // 2
    held: _Samples = np.zeros(0)
    for number, segment in enumerate(segments):
        follows, goes_on = number > 0, number < len(segments) - 1
        blocks = segment.blocks(early if follows else 0, late if goes_on else 0)
        if follows:
            first, blocks = _take(blocks, fade)
            yield crossfade(held, first), False
        if not goes_on:
            yield from blocks
            return
        held = yield from _all_but(blocks, fade)


def _take(blocks: Iterator[_Block], count: int) -> tuple[_Samples, Iterator[_Block]]:
    """Return the first samples, and the rest."""
    found: list[_Samples] = []
    exact, left = True, count
    while left:
        block, exact = next(blocks)
        found.append(block[:left])
        rest = block[left:]
        left -= len(found[-1])

    def remain() -> Iterator[_Block]:
        if len(rest):
            yield rest, exact
        yield from blocks

    return np.concatenate(found), remain()


def _all_but(blocks: Iterator[_Block], count: int) -> Generator[_Block, None, _Samples]:
    """Yield all but the last samples, and return those."""
    kept: list[_Block] = []
    for block in blocks:
        kept.append(block)
        while kept and sum(len(samples) for samples, _ in kept[1:]) >= count:
            yield kept.pop(0)
    samples = np.concatenate([samples for samples, _ in kept])
    exact = all(is_exact for _, is_exact in kept)
    yield samples[: len(samples) - count], exact
    return samples[len(samples) - count :]


def _write(
    path: os.PathLike[str], blocks: Iterator[_Block], rate: int, bits: int | None, total: int
) -> None:
    import soundfile

    kind = "RF64" if total * (bits or 32) // 8 > LARGEST_WAV else "WAV"
    subtype = "FLOAT" if bits is None else f"PCM_{bits}"
    dither = np.random.default_rng(SEED)
    with soundfile.SoundFile(path, "w", rate, 1, subtype, format=kind) as file:
        for samples, exact in blocks:
            file.write(
                samples if bits is None else _words(samples, bits, None if exact else dither)
            )


def _words(
    samples: _Samples, bits: int, dither: np.random.Generator | None
) -> npt.NDArray[np.int32]:
    """Return samples as whole steps, in the upper bits of 32."""
    steps = samples.astype(np.float64) * 2.0 ** (bits - 1)
    if dither is not None:
        steps += dither.random(len(steps)) - dither.random(len(steps))
    top = 2.0 ** (bits - 1)
    whole = np.clip(np.rint(steps), -top, top - 1.0)
    return (whole * 2.0 ** (32 - bits)).astype(np.int32)
