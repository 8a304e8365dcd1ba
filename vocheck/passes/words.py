"""The words of a script in what was said, heard by a recognizer that knows the whole script.

Method: each utterance is decoded once (pocketsphinx with its English acoustic model), with a
language model made of the script: the words of each line follow each other; any word may follow any
other, less likely; among them are words that talk and slates are made of, so that what is no line
need not become one. What comes out need not be right: it is compared with the lines as phones
(`vocheck.passes.lines`), where a word that was misheard is still near to what was said.
"""

from __future__ import annotations

import math
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from vocheck.passes.listen import RATE_HZ, Utterance
from vocheck.script.pronunciation import plain_word, pronounce
from vocheck.script.text import Script, words_of

FRAME_S = 0.01  # how often the recognizer looks
NUMBERS = tuple(
    "one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen"
    " sixteen seventeen eighteen nineteen twenty thirty forty fifty".split()
)
SOUND_LIKE_NUMBERS = ("want", "do", "to", "too", "for", "ate")
"""One, two, four and eight as they are often heard."""
SLATE_WORDS = ("line", "take", "slate", "scene", "roll", "rolling", "mark", "pickup")
"""What is said before a take so that it can be found again; common practice, no source."""
# The words that English talk is made of for the most part, and some of a recording studio. Chosen
# by us; no frequency list was used.
_TALK = tuple(
    "a about again all and any are at back be bit but by can closer come could do don't fine for"
    " from get give go good got had have he hear hold how i i'll i'm if in is it it's just know"
    " let let's level levels like little louder make maybe me microphone minute more much my need"
    " next nice no not now of off ok okay on once or out please ready really right say second see"
    " she slower so some sorry start stop thank that that's the then there they think this time to"
    " try two up us wait want was we we'll well were what when which with would yeah yes you"
    " your".split()
)
_IN_LINE = 0.85  # how likely the next word of a line comes next; the rest is for all other words
_IN_SLATE = 0.6  # how likely a number, or what is numbered, follows in a slate
_LINE_FIRST, _SLATE_FIRST = 0.5, 0.2  # how likely an utterance begins with a line, with a slate
_BEAM, _WORD_BEAM = 1e-48, 1e-29  # as wide as the recognizer's own
_SPEED = {"ds": 2, "topn": 2, "fwdflat": False, "bestpath": False}
"""Every second frame is scored, by the two nearest densities, in one pass: 1.7 times as fast, and
of 24 readings of the VCTK corpus as many come out word by word."""


@dataclass(frozen=True)
class Heard:
    """A word as the recognizer heard it.

    Attributes
    ----------
    word : str
    start_s, end_s : float
        In the time of the recording.
    phones : tuple of str
        ARPAbet, as the dictionary has them.
    fit : float
        How well they fit the sound: a natural logarithm per frame, 0 at best.
    """

    word: str
    start_s: float
    end_s: float
    phones: tuple[str, ...]
    fit: float


class Listener:
    """A recognizer that knows a script.

    Parameters
    ----------
    script : Script

    Attributes
    ----------
    known : float
        Share of the script's words that the dictionary holds: few, and it is in another language.
    """

    def __init__(self, script: Script) -> None:
        from pocketsphinx import Decoder

        self._decoder = Decoder(
            lm=None,
            loglevel="FATAL",
            samprate=float(RATE_HZ),
            beam=_BEAM,
            wbeam=_WORD_BEAM,
            **_SPEED,
        )
        self.lines = {
            line: [plain_word(word) for word in words_of(text)] for line, text in script.items()
        }
        vocabulary = {word for words in self.lines.values() for word in words}
        held = [pronounce(self._decoder, word) for word in sorted(vocabulary)]
        self.known = sum(held) / max(1, len(held))
        self._add_model()

    def phones_of(self, word: str) -> tuple[str, ...]:
        """Return how a word is spoken."""
        return tuple((self._decoder.lookup_word(word) or "").split())

    def _add_model(self) -> None:
        from pocketsphinx import NGramModel

        talk = [
            word for word in (*_TALK, *NUMBERS, *SLATE_WORDS) if self._decoder.lookup_word(word)
        ]
        with tempfile.TemporaryDirectory() as folder:  # the recognizer reads models from files only
            file = Path(folder, "script.arpa")
            file.write_text(_arpa(list(self.lines.values()), talk), encoding="utf-8")
            model = NGramModel(self._decoder.config, self._decoder.logmath, str(file))
        self._decoder.add_lm("script", model)
        self._decoder.activate_search("script")

    def hear(self, utterance: Utterance) -> list[Heard]:
        """Return the words of an utterance, in order."""
        peak = float(np.abs(utterance.samples).max(initial=0.0))
        sound = (utterance.samples * (16_000.0 / max(peak, 1e-9))).astype("<i2").tobytes()
        decoder = self._decoder
        decoder.start_utt()
        decoder.process_raw(sound, full_utt=True)
        decoder.end_utt()
        if decoder.hyp() is None:
            return []
        return [
            self._heard(segment, utterance.from_s)
            for segment in decoder.seg()
            if not segment.word.startswith(("<", "["))
        ]

    def _heard(self, segment: Any, from_s: float) -> Heard:
        frames = int(segment.end_frame) + 1 - int(segment.start_frame)
        return Heard(
            word=segment.word.partition("(")[0],
            start_s=from_s + segment.start_frame * FRAME_S,
            end_s=from_s + (segment.end_frame + 1) * FRAME_S,
            phones=self.phones_of(segment.word),
            fit=math.log(max(float(segment.ascore), 1e-300)) / frames,
        )


def _arpa(lines: Sequence[Sequence[str]], talk: Sequence[str]) -> str:
    """Return a bigram model of the lines, and of what else is said, as ARPA text."""
    words = sorted({word for line in lines for word in line} | set(talk))
    after: dict[str, Counter[str]] = {}
    for line in lines:
        for one, other in zip(line, [*line[1:], "</s>"], strict=True):
            after.setdefault(one, Counter())[other] += 1
    likely = {
        one: {other: _IN_LINE * n / sum(next_.values()) for other, n in next_.items()}
        for one, next_ in after.items()
    }
    first = Counter(line[0] for line in lines if line)
    likely["<s>"] = {word: _LINE_FIRST * n / sum(first.values()) for word, n in first.items()}
    slates = ((["<s>"], SLATE_WORDS, _SLATE_FIRST), (SLATE_WORDS, NUMBERS, _IN_SLATE))
    for ones, others, share in (*slates, (NUMBERS, SLATE_WORDS, _IN_SLATE)):
        for one in ones:
            rest = 0.5 if sum(likely.get(one, {}).values()) + share >= 1.0 else 1.0
            likely[one] = {other: rest * n for other, n in likely.get(one, {}).items()}
            for other in others:
                more = rest * share / len(others)
                likely[one][other] = likely[one].get(other, 0.0) + more
    plain = math.log10(1.0 / (len(words) + 1))
    rows = ["\\data\\", f"ngram 1={len(words) + 2}"]
    rows += [f"ngram 2={sum(map(len, likely.values()))}", "", "\\1-grams:"]
    for word in ["<s>", "</s>", *words]:
        left = 1.0 - sum(likely.get(word, {}).values())
        rows.append(f"{-99.0 if word == '<s>' else plain:.4f} {word} {math.log10(left):.4f}")
    rows += ["", "\\2-grams:"]
    rows += [
        f"{math.log10(share):.4f} {one} {other}"
        for one in sorted(likely)
        for other, share in sorted(likely[one].items())
    ]
    return "\n".join([*rows, "", "\\end\\", ""])
