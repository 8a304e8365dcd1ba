"""Accuracy of what compares readings: the map between takes, words left out or said twice.

``python -m tests.accuracy.words`` tests on voices and lines that nothing was set up on.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tests import readings, speech
from tests.readings import Reading as Spoken
from vocheck.reading import Misread, check_reading
from vocheck.script import words_of

OTHER_WORDS = (
    "window candle marble garden silver engine pocket summer button ladder carpet winter butter "
    "mountain doctor yellow kitchen number station table coffee morning orange singer monkey "
    "paper glass stone clock bread smoke cloud green horse train chair plate night beach spoon"
).split()
"""Content words that come in place of others, or between them."""

FUNCTION_WORDS = frozenset(
    "a an and are as at be but by for from had has have he her him his i if in into is it its me "
    "my no nor not of off on or our out she so than that the their them then there they this to "
    "up us was we were what when which who will with you your one i'm can't".split()
)


def chance(*key: object) -> np.random.Generator:
    """Return a generator that depends on nothing but its key."""
    return np.random.default_rng(zlib.crc32("|".join(map(str, key)).encode()))


def content_places(words: Sequence[str]) -> list[int]:
    """Return which words of a text are content words of four letters and more."""
    return [
        k for k, word in enumerate(words)
        if word.lower() not in FUNCTION_WORDS and len(word) > 3 and word.isalpha()
    ]  # fmt: skip


@dataclass(frozen=True)
class Trial:
    """One reading against a script that it departs from in one word.

    Attributes
    ----------
    kind : str
        ``right``, ``missing``, ``replaced`` or ``repeated``.
    spoken : Spoken
    script : str
    word : str
        The word of the script that was not read, or was read twice.
    """

    kind: str
    spoken: Spoken
    script: str
    word: str


def script_trials(reading: Spoken, each: int = 2) -> Iterator[Trial]:
    """Depart from a real reading in the script: what was read stays as it is."""
    yield Trial("right", reading, reading.text, "")
    words = words_of(reading.text)
    places = content_places(words)
    rng = chance(reading.voice, reading.text)
    for k in rng.permutation(places)[:each].tolist():
        new = other_word(rng, words)
        yield Trial("missing", reading, " ".join([*words[:k], new, *words[k:]]), new)
    for k in rng.permutation(places)[:each].tolist():
        new = other_word(rng, words)
        yield Trial("replaced", reading, " ".join([*words[:k], new, *words[k + 1 :]]), new)


def voice_trials(text: str, voice: str, each: int = 1) -> Iterator[Trial]:
    """Let a synthetic voice depart from its script."""
    rng = chance(voice, text)
    yield Trial("right", readings.read_aloud(text, voice), text, "")
    words = words_of(text)
    places = content_places(words)
    for kind in ("missing", "replaced", "repeated"):
        for k in rng.permutation(places)[:each].tolist():
            instead = {
                "missing": "",
                "replaced": other_word(rng, words),
                "repeated": f"{words[k]}, {words[k]}",
            }[kind]
            said = with_word(text, k, instead)
            yield Trial(kind, readings.read_aloud(said, voice), text, words[k])


def other_word(rng: np.random.Generator, words: Sequence[str]) -> str:
    """Return a word that the text does not hold."""
    return str(rng.choice([w for w in OTHER_WORDS if w not in {x.lower() for x in words}]))


def with_word(text: str, place: int, instead: str) -> str:
    """Return a text with one word changed, its punctuation kept."""
    pieces = text.split()
    word = words_of(pieces[place])[0]
    pieces[place] = pieces[place].replace(word, instead)
    return " ".join(piece for piece in pieces if words_of(piece))


@dataclass
class Score:
    """What was found in a set of trials.

    Attributes
    ----------
    trials, found : dict of str to int
        By kind of trial.
    false, words : int
        Alarms that meet nothing, in all trials, and words read.
    false_right, words_right : int
        The same where the script was read as written.
    """

    trials: dict[str, int]
    found: dict[str, int]
    false: int = 0
    words: int = 0
    false_right: int = 0
    words_right: int = 0

    def add(self, trial: Trial, misread: Sequence[Misread]) -> None:
        """Count one trial."""
        hits = [m for m in misread if trial.word and trial.word in m.words.split()]
        self.trials[trial.kind] = self.trials.get(trial.kind, 0) + 1
        self.found[trial.kind] = self.found.get(trial.kind, 0) + bool(hits)
        self.false += len(misread) - len(hits)
        self.words += len(words_of(trial.script))
        if trial.kind == "right":
            self.false_right += len(misread)
            self.words_right += len(words_of(trial.script))

    def precision(self) -> float:
        """Return which share of the alarms were right."""
        found = sum(count for kind, count in self.found.items() if kind != "right")
        return found / max(1, found + self.false)


def score(trials: Iterable[Trial]) -> Score:
    """Hold every reading against its script."""
    total = Score({}, {})
    for trial in trials:
        recording, _ = trial.spoken.take(noise_db=-50.0)
        total.add(trial, check_reading(recording, trial.script).misread or ())
    return total
