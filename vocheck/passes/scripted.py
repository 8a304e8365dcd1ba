"""The passes of a recording whose script is known."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from vocheck.errors import SessionError
from vocheck.passes.alike import likenesses
from vocheck.passes.lines import LineBook, Read
from vocheck.passes.listen import Span, Utterance
from vocheck.passes.listened import Listened, talker_of
from vocheck.passes.results import Kind, Pass, numbered
from vocheck.passes.voices import Talker
from vocheck.passes.words import NUMBERS, SLATE_WORDS, SOUND_LIKE_NUMBERS, Heard, Listener
from vocheck.script.reading import MOST_UNKNOWN
from vocheck.script.text import Script, words_of

SURE_FIT, SURE_POINTS = 0.6, 8.0
"""A reading that fits so well, and is so long, is one whatever the voice sounds like."""
LEAST_FIT, LEAST_LEAD, LEAST_POINTS = 0.3, 0.25, 4.0
"""A reading that fits worse, or another line nearly as well, is told by chance. These and the two
above: our choice, on half of the readers that `tests.accuracy.passes` describes."""
MOST_MISSING_BEFORE, MOST_MISSING_BEHIND = 5, 2
"""Phones of a line that a complete reading may lack at either end: a short word, misheard. Nobody
begins a line again at its second word, but some break off before the last."""
BY_SOUND = 0.6
"""Confidence of a reading that is told by its likeness to another only: our choice."""
_REST_S = (
    0.5  # what is left over of an utterance, before or after a reading, belongs to it if shorter
)
_LONGEST_PHONE_S = 0.12  # twice the usual
_FULL_FIT, _FULL_LEAD = 0.8, 0.5  # usual for a line that is read as written
_SLATE_SHARE = 0.5  # of the words of a slate that are such as slates are made of


class ScriptReader:
    """Hears the lines of a script.

    Parameters
    ----------
    script : Script
    name : str
        What messages call it.

    Raises
    ------
    SessionError
        If most of its words are not in the recognizer's English dictionary.
    """

    def __init__(self, script: Script, name: str = "the script") -> None:
        self._listener = listener = Listener(script)
        self.name = name
        if listener.known < 1.0 - MOST_UNKNOWN:
            raise SessionError(
                f"{name}: most of its words are no English words that are known; without a "
                "script, readings are told by their sound"
            )
        self._book = LineBook(
            {
                line: [listener.phones_of(w) for w in words]
                for line, words in listener.lines.items()
            },
            {line: _stops(text) for line, text in script.items()},
        )

    def hear(self, utterance: Utterance) -> list[Heard]:
        """Return the words of an utterance."""
        return self._listener.hear(utterance)

    def readings(self, utterances: Sequence[Listened]) -> list[tuple[Read, int, int]]:
        """Return what is read, with the first and the last utterance that it is in."""
        heard: list[Heard] = []
        pauses_s: list[float] = []
        of: list[int] = []
        silent_from = 0.0
        for number, utterance in enumerate(utterances):
            for k, word in enumerate(utterance.words):
                heard.append(word)
                pauses_s.append(max(0.01, utterance.start_s - silent_from) if k == 0 else 0.0)
                of.append(number)
            if utterance.words:
                silent_from = utterance.end_s
        return [(read, of[read.first], of[read.last]) for read in self._book.find(heard, pauses_s)]


def _stops(text: str) -> set[int]:
    """Return the words of a text that come after a stop, a comma or another mark."""
    places, count = set(), 0
    for part in re.split(r"[.,;:!?…–—]+", text):
        count += len(words_of(part))
        places.add(count)
    return places


@dataclass(frozen=True)
class _Found:
    """A reading and where it is: which words of which utterances."""

    read: Read
    start_s: float
    end_s: float
    utterances: tuple[int, int]


def passes_of(reader: ScriptReader, utterances: Sequence[Listened]) -> list[Pass]:
    """Return the passes of a recording, in order.

    Raises
    ------
    SessionError
        If no line of the script was heard.
    """
    words = [word for utterance in utterances for word in utterance.words]
    found = [
        _Found(read, words[read.first].start_s, words[read.last].end_s, (first, last))
        for read, first, last in reader.readings(utterances)
        if _is_sure(read)
        or (read.fit >= LEAST_FIT and read.lead >= LEAST_LEAD and read.points >= LEAST_POINTS)
    ]
    sure = [f for f in found if _is_sure(f.read)]
    talker = talker_of([utterances[n] for n in sorted({f.utterances[0] for f in sure})])
    found = [f for f in found if _is_sure(f.read) or _is_near(talker, utterances, f)]
    passes = [_pass_of(f, _snapped(f, found, utterances), words) for f in found]
    covered = [(one.start_s, one.end_s) for one in passes]
    left = [
        (number, span)
        for number, utterance in enumerate(utterances)
        for span in _left(utterance, covered)
        if utterance.words or utterance.voice.noise
    ]
    others = {n: _other(utterances[n], *span) for n, span in left}
    whole = [n for n, span in left if span == utterances[n].span and others[n].kind == "talk"]
    by_sound = _by_sound(utterances, whole, passes)
    return numbered([*passes, *({**others, **by_sound}.values())])


def _by_sound(
    utterances: Sequence[Listened], asked: Sequence[int], passes: Sequence[Pass]
) -> dict[int, Pass]:
    """Return those of the utterances whose words nobody heard that sound like a complete reading.

    So a false start of a few words is told, and a line that the recognizer hears badly.
    """
    complete = {
        n: one
        for n, utterance in enumerate(utterances)
        for one in passes
        if one.complete
        and abs(one.start_s - utterance.start_s) + abs(one.end_s - utterance.end_s) == 0
    }
    found: dict[int, tuple[float, Pass]] = {}
    for (one, other), like in likenesses([u.frames for u in utterances], asked).items():
        if other not in complete or not like.same or not like.begins:
            continue
        if one in found and found[one][0] <= like.distance:
            continue
        read = replace(
            complete[other],
            start_s=utterances[one].start_s,
            end_s=utterances[one].end_s,
            kind="read" if like.ends else "false start",
            complete=like.ends,
            confidence=BY_SOUND,
        )
        found[one] = like.distance, read
    return {number: read for number, (_, read) in found.items()}


def sureness(read: Read) -> float:
    """Return how sure a reading is, 0 to 1: how well it fits, and how far ahead its line is."""
    return min(1.0, read.fit / _FULL_FIT) * min(1.0, read.lead / _FULL_LEAD)


def _is_sure(read: Read) -> bool:
    return read.fit >= SURE_FIT and read.points >= SURE_POINTS


def _is_near(talker: Talker, utterances: Sequence[Listened], found: _Found) -> bool:
    return not talker.is_other(utterances[found.utterances[0]].voice)


def _snapped(found: _Found, others: Sequence[_Found], utterances: Sequence[Listened]) -> Span:
    """Return where a reading begins and ends.

    With a phrase, unless something else is read in it, since what was misheard is no less read; and
    with the utterance, where what is left of it is short, or may be what the line lacks.
    """
    first, last = (utterances[n] for n in found.utterances)
    earliest = max((o.end_s for o in others if o.end_s <= found.start_s + 0.01), default=0.0)
    latest = min((o.start_s for o in others if o.start_s >= found.end_s - 0.01), default=math.inf)
    may_lack = (
        _REST_S + _LONGEST_PHONE_S * max(0, missing)
        for missing in (found.read.missing_before, found.read.missing_behind)
    )
    lack_before, lack_behind = may_lack
    start_s, end_s = found.start_s, found.end_s
    for phrase in reversed(first.phrases):
        inside = phrase[0] < start_s <= phrase[1]
        if phrase[0] >= earliest and (inside or 0.0 < found.start_s - phrase[0] < lack_before):
            start_s = min(start_s, phrase[0])
    for phrase in last.phrases:
        inside = phrase[0] <= end_s < phrase[1]
        if phrase[1] <= latest and (inside or 0.0 < phrase[1] - found.end_s < lack_behind):
            end_s = max(end_s, phrase[1])
    return start_s, end_s


def _pass_of(found: _Found, span: Span, words: Sequence[Heard]) -> Pass:
    """Return a reading as a pass.

    What was heard as no part of the line, but in its place, was misheard: it counts as read.
    """
    read = found.read
    before, behind = (
        sum(len(word.phones) for word in words if start_s <= word.start_s < word.end_s <= end_s)
        for start_s, end_s in ((span[0] - 0.1, found.start_s), (found.end_s, span[1] + 0.1))
    )
    begun = read.missing_before - before <= MOST_MISSING_BEFORE
    done = read.missing_behind - behind <= MOST_MISSING_BEHIND
    kind: Kind = "false start" if begun and not done else "read"
    return Pass(
        line=read.line if read.lead >= LEAST_LEAD else None,
        attempt=None,
        start_s=span[0],
        end_s=span[1],
        kind=kind,
        complete=begun and done,
        confidence=round(sureness(read), 2),
    )


def _left(utterance: Listened, covered: Sequence[Span]) -> list[Span]:
    """Return what is left of an utterance beside the readings in it."""
    left = [utterance.span]
    for start_s, end_s in covered:
        left = [
            part
            for a, b in left
            for part in ((a, min(b, start_s)), (max(a, end_s), b))
            if part[1] - part[0] > 0.0
        ]
    whole = left == [utterance.span]
    return [(a, b) for a, b in left if whole or b - a >= _REST_S]


def _other(utterance: Listened, start_s: float, end_s: float) -> Pass:
    """Return what is no reading: a slate, or talk."""
    words = [
        word.word for word in utterance.words if start_s <= (word.start_s + word.end_s) / 2 <= end_s
    ]
    counting = (*SLATE_WORDS, *NUMBERS, *SOUND_LIKE_NUMBERS)
    slating = sum(word in counting for word in words)
    numbered_thing = any(word in SLATE_WORDS for word in words)
    slate = utterance.voice.noise is not None or (
        numbered_thing and slating >= _SLATE_SHARE * len(words)
    )
    kind: Kind = "slate" if slate else "talk"
    return Pass(
        line=None,
        attempt=None,
        start_s=start_s,
        end_s=end_s,
        kind=kind,
        complete=None,
        confidence=0.8,
    )
