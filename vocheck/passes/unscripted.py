"""The passes of a recording without a script: what was said again is a line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from vocheck.passes.alike import Likeness, likenesses
from vocheck.passes.listened import Listened, talker_of
from vocheck.passes.results import Kind, Pass, numbered
from vocheck.passes.voices import Voice

_SHARE_OF_SLOW = 0.6  # talkers read the same text within a fifth of each other
_NEAREST, _FARTHEST = 0.3, 0.5  # likeness of which a confidence of 1 and of 0.5 is given
_OF_TALK, _OF_FALSE_START = 0.7, 0.7  # confidence: nobody understands the words; our choice

Likenesses = Mapping[tuple[int, int], Likeness]


def passes_by_sound(utterances: Sequence[Listened]) -> list[Pass]:
    """Return the passes of a recording, in order.

    Utterances of the same words, by the voice that says most of them, are readings of one line;
    lines are numbered in the order in which they are first begun. One that holds only the beginning
    of others is a false start, and one that holds another part of them a reading that is not
    complete. What is by another voice, or never said again, is talk.
    """
    found = likenesses([utterance.frames for utterance in utterances])
    same = {pair: like for pair, like in found.items() if like.same}
    group = _groups(len(utterances), same, utterances)
    whole = {n for n in range(len(utterances)) if sum(g == group[n] for g in group) > 1}
    talker = talker_of([utterances[n] for n in sorted(whole)])
    voices: dict[int, list[Voice]] = {}
    for number, utterance in zip(group, utterances, strict=True):
        voices.setdefault(number, []).append(utterance.voice)
    other = {number: talker.is_other(*heard) for number, heard in voices.items()}
    own = [not other[number] for number in group]
    parts = _parts(same, group, own)
    names: dict[int, str] = {}
    passes = []
    for number, utterance in enumerate(utterances):
        kind: Kind = "slate" if utterance.voice.noise else "talk"
        complete: bool | None = None
        line, confidence = None, _OF_TALK
        if number in parts:
            of, like = parts[number]
            complete, line = False, group[of]
            kind = "false start" if like.begins else "read"
            confidence = _OF_FALSE_START
        elif own[number] and number in whole:
            complete, line, kind = True, group[number], "read"
            confidence = _confidence(number, same)
        if line is not None:
            names.setdefault(line, f"line_{len(names) + 1:02d}")
        passes.append(
            Pass(
                line=None if line is None else names[line],
                attempt=None,
                start_s=utterance.start_s,
                end_s=utterance.end_s,
                kind=kind,
                complete=complete,
                confidence=confidence,
            )
        )
    return numbered(passes)


def _groups(count: int, same: Likenesses, utterances: Sequence[Listened]) -> list[int]:
    """Return for each utterance the first one that has the same words from end to end."""
    group = list(range(count))
    for (one, other), like in sorted(same.items(), key=lambda item: item[1].distance):
        alike_long = len(utterances[one].frames) >= _SHARE_OF_SLOW * len(utterances[other].frames)
        if like.begins and like.ends and alike_long:
            a, b = sorted((group[one], group[other]))
            group = [a if g == b else g for g in group]
    return group


def _parts(
    same: Likenesses, group: Sequence[int], own: Sequence[bool]
) -> dict[int, tuple[int, Likeness]]:
    """Return the utterances that are a part of longer ones, with the one that they fit best."""
    parts: dict[int, tuple[int, Likeness]] = {}
    for (one, other), like in same.items():
        if group[one] == group[other] or (like.begins and like.ends):
            continue
        if own[other] and (one not in parts or like.distance < parts[one][1].distance):
            parts[one] = other, like
    # A part of a part is a part of the whole.
    for one, (other, like) in list(parts.items()):
        seen = {one}
        while other in parts and other not in seen:
            seen.add(other)
            other = parts[other][0]
        parts[one] = other, like
    return parts


def _confidence(number: int, same: Likenesses) -> float:
    nearest = min(like.distance for pair, like in same.items() if number in pair)
    share = (_FARTHEST - nearest) / (_FARTHEST - _NEAREST)
    return round(min(1.0, 0.5 + 0.5 * max(0.0, share)), 2)
