"""Which line is read where: what was heard, held against every line of a script as phones.

Method: the best way through the whole recording by dynamic programming (as local alignment: Smith
and Waterman, "Identification of common molecular subsequences", J. Mol. Biol. 147, 1981). At every
phone that was heard the talker either reads some line, at some phone of it, or something that is no
line. Like phones earn a point, others cost; to begin a line anywhere but at its start, or to leave
it before its end, costs more than to read it whole. So a broken-off reading is one that is left
early, and the half of a sentence that is read again one that begins late.

Limits of validity: English. Lines that differ in a word or two cannot be told apart: the confidence
is low.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from vocheck.passes.words import Heard

# Phones that recognizers and ears take for each other: made in the same place or the same way.
_NEAR = (
    "P B|T D DH TH|K G|S Z TH|F V TH|SH ZH CH JH|M N NG|L R ER W|HH F|DH V|T CH|D JH|B V|IY IH EY Y"
    "|EH AE EY IH|AA AO AH AW OW AE|AH EH IH ER UH|UW UH OW|AY AA AE EY|OY AO OW|ER AH|W UW OW|Y IH"
)
_VOWELS = frozenset("AA AE AH AO AW AY EH ER EY IH IY OW OY UH UW".split())
# Points. One like phone is 1; the others are of our choosing, on readers of the VCTK corpus.
_NEAR_POINTS, _OF_A_KIND, _OTHER = 0.4, -0.5, -0.9
_EXTRA, _LACKING = -0.6, -0.6  # a phone that the line lacks; one that was not heard
_BEGIN, _BEGIN_INSIDE = 2.0, 6.0  # what it costs to begin to read a line
_LEAVE = 2.0  # and to leave it before its end
_PAUSE_INSIDE, _PAUSE_AT_STOP = (
    2.0,
    0.5,
)  # for each second of a pause in a line, and between sentences
LONGEST_PAUSE_S = 4.0
"""Nobody goes on with a line after a longer pause: our choice."""
_MOST_AT_ONCE = 3000  # phones in one table: 20 MB for a script of a hundred lines
_FAR = -1e6
FEWEST_POINTS = 4.0
"""What is read of a line in less is told by chance: two short words."""
LEAST_FIT = 0.35
"""Of the points that the phones of a line would earn if each were heard right, a reading has more.
Our choice, on readers of the VCTK corpus and talk of other voices."""

Phones = Sequence[str]


@dataclass(frozen=True)
class Read:
    """A line, or a part of it, that was read.

    Attributes
    ----------
    line : str
    first, last : int
        Of the heard words.
    missing_before, missing_behind : int
        Phones of the line before the first, and behind the last, that was heard as such; less
        what was heard in their place.
    phones : int
        Of the whole line.
    points : float
    fit : float
        Share of the points there were to earn.
    lead : float
        How far ahead of the next best line, as a share of the points; 1 where no other comes near.
    """

    line: str
    first: int
    last: int
    missing_before: int
    missing_behind: int
    phones: int
    points: float
    fit: float
    lead: float


@lru_cache(maxsize=1)
def _likeness() -> tuple[Mapping[str, int], npt.NDArray[np.float32]]:
    """Return the index of each phone, and the points of each pair."""
    names = sorted({phone for group in _NEAR.split("|") for phone in group.split()})
    index = {name: i for i, name in enumerate(names)}
    points = np.empty((len(names), len(names)), np.float32)
    for one in names:
        for other in names:
            alike = (one in _VOWELS) == (other in _VOWELS)
            points[index[one], index[other]] = _OF_A_KIND if alike else _OTHER
    for group in _NEAR.split("|"):
        for one in group.split():
            for other in group.split():
                points[index[one], index[other]] = _NEAR_POINTS
    np.fill_diagonal(points, 1.0)
    return index, points


class LineBook:
    """The lines of a script as phones.

    Parameters
    ----------
    lines : mapping of str to sequence of sequence of str
        The phones of each word of each line.
    stops : mapping of str to collection of int
        The words of each line that a sentence or a clause begins with.
    """

    def __init__(
        self, lines: Mapping[str, Sequence[Phones]], stops: Mapping[str, Collection[int]]
    ) -> None:
        index, self._points = _likeness()
        self.names = list(lines)
        self.words = [len(words) for words in lines.values()]
        codes = [
            [(index[phone], w) for w, word in enumerate(words) for phone in word if phone in index]
            for words in lines.values()
        ]
        self.lengths: npt.NDArray[np.intp] = np.array([len(line) for line in codes], np.intp)
        longest = int(self.lengths.max(initial=1))
        shape = (len(codes), longest)
        self._codes = np.zeros(shape, np.intp)
        self._word = np.zeros((len(codes), longest + 1), np.intp)
        self._inside = np.zeros(shape, bool)
        for row, line in enumerate(codes):
            self._codes[row, : len(line)] = [code for code, _ in line]
            self._word[row, : len(line)] = [word for _, word in line]
            self._word[row, len(line) :] = self.words[row]
            self._inside[row, : len(line)] = True
        starts = np.diff(self._word[:, :-1], prepend=-1, axis=1) > 0
        self._begin = np.where(starts & self._inside, -_BEGIN_INSIDE, _FAR).astype(np.float32)
        self._begin[:, 0] = -_BEGIN
        # After so many phones: the last word may be left half-said at no cost.
        last = self._word[:, :-1] >= np.array(self.words)[:, np.newaxis] - 1
        self._leave = np.full(self._word.shape, _FAR, np.float32)
        self._leave[:, 1:] = np.where(last, 0.0, -_LEAVE)
        self._leave[:, 1:][~self._inside] = _FAR
        self._pause = np.full(self._word.shape, _PAUSE_INSIDE, np.float32)
        self._pause[self._word >= np.array(self.words)[:, np.newaxis]] = 0.0
        for row, name in enumerate(self.names):
            self._pause[row, np.isin(self._word[row], list(stops.get(name, ())))] = _PAUSE_AT_STOP

    def find(self, heard: Sequence[Heard], pauses_s: Sequence[float]) -> list[Read]:
        """Return what was read of the lines, in order.

        Parameters
        ----------
        heard : sequence of Heard
        pauses_s : sequence of float
            Before each of them, where an utterance begins with it; 0 inside of one.
        """
        found: list[Read] = []
        start, phones = 0, 0
        for place, word in enumerate([*heard, None]):
            full = phones > _MOST_AT_ONCE and word is not None and pauses_s[place] > 0.0
            if place > start and (word is None or pauses_s[place] > LONGEST_PAUSE_S or full):
                part = self._find(heard[start:place], pauses_s[start:place])
                found += [_moved(read, start) for read in part]
                start, phones = place, 0
            phones += 0 if word is None else len(word.phones)
        return found

    def _find(self, heard: Sequence[Heard], pauses_s: Sequence[float]) -> list[Read]:
        index, _ = _likeness()
        steps = [
            (index[phone], place, number == 0)
            for place, word in enumerate(heard)
            for number, phone in enumerate(p for p in word.phones if p in index)
        ]
        if not steps:
            return []
        shape = (len(self.names), self._codes.shape[1] + 1)
        score = np.full(shape, _FAR, np.float32)
        none = np.float32(0.0)
        back = np.zeros((len(steps), *shape), np.int8)
        left: list[tuple[int, int] | None] = []  # which line, and where in it, no line came from
        falling = (np.arange(shape[1]) * np.float32(_LACKING)).astype(np.float32)
        for i, (phone, place, begins) in enumerate(steps):
            if begins and pauses_s[place] > 0.0:
                score -= self._pause * np.float32(pauses_s[place])
            score, back[i] = self._step(score, none, phone, begins, falling)
            leaving = score + self._leave
            row, column = np.unravel_index(int(leaving.argmax()), shape)
            if leaving[row, column] > none:
                none = leaving[row, column]
                left.append((int(row), int(column)))
            else:
                left.append(None)
        return self._traced(steps, back, left)

    def _step(
        self,
        score: npt.NDArray[np.float32],
        none: np.float32,
        phone: int,
        begins: bool,
        falling: npt.NDArray[np.float32],
    ) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.int8]]:
        """Return the scores after one phone more, and how each came about.

        0: it is the next of the line; 1: it is extra; 2: the line has one that was not heard; 3:
        the line begins with it.
        """
        gain = self._points[phone][self._codes]
        before = score[:, :-1]
        how = np.zeros(score.shape, np.int8)
        if begins:
            new = none + self._begin
            fresh = new > before
            how[:, 1:][fresh] = 3
            before = np.where(fresh, new, before)
        after = np.full_like(score, _FAR)
        after[:, 1:] = np.where(self._inside, before + gain, _FAR)
        extra = score + np.float32(_EXTRA)
        longer = extra > after
        how[longer] = 1
        after[longer] = extra[longer]
        best = np.maximum.accumulate(after - falling, axis=1) + falling
        lacking = best > after + 1e-3
        lacking[:, 1:] &= self._inside
        how[lacking] = 2
        after[lacking] = best[lacking]
        return after, how

    def _traced(
        self,
        steps: Sequence[tuple[int, int, bool]],
        back: npt.NDArray[np.int8],
        left: Sequence[tuple[int, int] | None],
    ) -> list[Read]:
        found = []
        i = len(steps) - 1
        while i >= 0:
            place = left[i]
            if place is None:
                i -= 1
                continue
            row, end = place
            last, column, first = i, end, None
            alike = []  # phones of the line that were heard as such, and when
            while first is None:
                how = back[i, row, column]
                if how == 2:
                    column -= 1
                elif how == 1:
                    i -= 1
                else:
                    column -= 1
                    if self._points[steps[i][0], self._codes[row, column]] > 0.0:
                        alike.append((column, i))
                    if how == 3:
                        first = i
                    i -= 1
            if alike:
                alike = [(c, j - first) for c, j in alike[::-1]]
                found.append(self._read(row, end - column, alike, steps[first : last + 1]))
        return found[::-1]

    def _read(
        self,
        row: int,
        spanned: int,
        alike: Sequence[tuple[int, int]],
        steps: Sequence[tuple[int, int, bool]],
    ) -> Read:
        points = self._local([code for code, _, _ in steps])
        own = float(points[row])
        others = np.delete(points, row)
        second = float(others.max(initial=0.0))
        length = int(self.lengths[row])
        return Read(
            line=self.names[row],
            first=steps[0][1],
            last=steps[-1][1],
            missing_before=alike[0][0] - alike[0][1],
            missing_behind=(length - 1 - alike[-1][0]) - (len(steps) - 1 - alike[-1][1]),
            phones=length,
            points=own,
            fit=own / max(1, spanned, len(steps)),
            lead=max(0.0, own - second) / max(own, 1e-6),
        )

    def _local(self, phones: Sequence[int]) -> npt.NDArray[np.float32]:
        """Return how many points each line earns with some phones, each by itself."""
        score = np.zeros((len(self.names), self._codes.shape[1] + 1), np.float32)
        best = np.zeros(len(self.names), np.float32)
        falling = (np.arange(score.shape[1]) * np.float32(_LACKING)).astype(np.float32)
        for phone in phones:
            gain = np.where(self._inside, self._points[phone][self._codes], _FAR)
            after = np.maximum(score + np.float32(_EXTRA), 0.0)
            after[:, 1:] = np.maximum(after[:, 1:], score[:, :-1] + gain)
            score = np.maximum.accumulate(after - falling, axis=1) + falling
            best = np.maximum(best, score.max(axis=1))
        return best


def _moved(read: Read, by: int) -> Read:
    from dataclasses import replace

    return replace(read, first=read.first + by, last=read.last + by)
