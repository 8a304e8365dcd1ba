"""Whether the words of the script were read: what is missing, repeated or replaced, and where.

Method: the take is decoded with a grammar made of the script (pocketsphinx with its English model):
the words in order, each of which may be skipped, after each of which up to five words may be read
again, and between which other sounds may be spoken. What comes out is compared with the script: a
skipped word with other sounds in its place was replaced; so was one that is said to be heard and
fits its sound far worse than the other words of the take (the acoustic score per frame, which
recognizers use as a measure of confidence).

Limits of validity: English, one talker, no music under the voice. Short function words (a, the, to)
are not judged. A word that the dictionary lacks gets a pronunciation from its spelling. All of it
is *possible* only: listen there.

This needs the optional extra: ``pip install vocheck[script]``. Without it, the words are not
judged, and the pace is that of all words of the script over the time from first to last sound.
"""

from __future__ import annotations

import difflib
import math
import threading
from dataclasses import dataclass
from importlib.util import find_spec
from typing import Any, Literal

import numpy as np

from vocheck.recording import Recording
from vocheck.results import Group, Result
from vocheck.script.pronunciation import plain_word, pronounce
from vocheck.script.text import words_of
from vocheck.voice.activity import activity_of
from vocheck.voice.channel import voice_at

RATE_HZ = 16_000  # what the acoustic model was made for
FRAME_S = 0.01  # and how often it looks
SKIP = 1e-20
"""How unlikely the grammar holds a skipped word: a word read badly is still read."""
AGAIN = 1e-25
"""How unlikely it holds a word read again."""
OTHER = 1e-15
"""How unlikely it holds a sound of another word."""
DOUBT = -2.4
"""How far the fit of a word, a natural logarithm per frame, may lie below the middle of its take.
Of words read right by readers of the VCTK corpus 3 in 484 lie further below, of other words that
the grammar had taken for the script's 41 in 95."""
SHRINK_FRAMES = 10
"""What short words are given in frames that fit: a few bad ones say little."""
_OTHER_PHONES = ("_aa", "_iy", "_er", "_uw", "_s", "_m", "_t", "_v", "_l")
MOST_UNKNOWN, FEWEST_WORDS = 0.5, 4
"""Of the words of a script so many may be unknown, or it is in another language. A line of fewer
different words counts as one of so many: it may be a name."""
# A talker who goes back starts the clause again, no more; our choice.
MOST_AGAIN, MOST_SKIPPED = 5, 3
_FUNCTION_WORDS = frozenset(
    "a an and are as at be but by for from had has have he her him his i if in into is it its me my"
    " no nor not of off on or our out over she so than that the their them then there they this to"
    " up us was we were what when which who will with you your".split()
)
Kind = Literal["missing", "repeated", "replaced"]


@dataclass(frozen=True, kw_only=True)
class Word(Result):
    """A word that was read: the `word` as spelled in the script, from `start_s` to `end_s`."""

    word: str
    start_s: float
    end_s: float


@dataclass(frozen=True, kw_only=True)
class _Heard(Word):
    """A word as the recognizer heard it, another sound as ``_``, and how well it fits the sound."""

    fit: float


@dataclass(frozen=True, kw_only=True)
class Misread(Result):
    """A word that was possibly not read as written.

    Attributes
    ----------
    kind : {"missing", "repeated", "replaced"}
    words : str
        One or more words of the script, in a row.
    time_s : float
        Where in the take.
    """

    kind: Kind
    words: str
    time_s: float

    @property
    def word_count(self) -> int:
        """How many words these are."""
        return len(self.words.split())


@dataclass(frozen=True, kw_only=True)
class Reading(Group):
    """A take held against its script.

    Attributes
    ----------
    words : tuple of Word or None
        What was read, in order.
    misread : tuple of Misread or None
    unknown : tuple of str
        Words of the script that the dictionary does not hold.
    read_s : float or None
        From the first word to the end of the last.
    words_per_minute : float or None
    """

    words: tuple[Word, ...] | None
    misread: tuple[Misread, ...] | None
    unknown: tuple[str, ...]
    read_s: float | None
    words_per_minute: float | None

    def word_at(self, time_s: float) -> str | None:
        """Return the word that is being said at a moment, if any."""
        margin = 0.05  # a pop comes a little before its word's first voiced sound
        for word in self.words or ():
            if word.start_s - margin <= time_s < word.end_s:
                return word.word
        return None


def check_reading(recording: Recording, text: str) -> Reading:
    """Hold a take against the text that was to be read."""
    if not can_hear_words():
        return _pace_only(recording, text)
    decoder = _decoder()
    spelled = words_of(text)
    script = [plain_word(word) for word in spelled]
    unknown = [word for word in dict.fromkeys(script) if not pronounce(decoder, word)]
    if len(unknown) > MOST_UNKNOWN * max(len(set(script)), FEWEST_WORDS):
        return _not_heard("most words of the script are no English words that are known")
    heard = _decode(decoder, _pcm(recording), script)
    if heard is None:
        # A script that fits badly is lost by the usual search; a wider one is five times slower.
        wide = _decoder(1e-60)
        for word in script:
            pronounce(wide, word)
        heard = _decode(wide, _pcm(recording), script)
    if heard is None:
        return _not_heard("too little of the take fits the script")
    matched, misread = _compare(script, spelled, heard)
    doubtful = _doubtful(script, matched)
    misread += [
        Misread(kind="replaced", words=spelled[i], time_s=said.start_s)
        for i, said in matched
        if i in doubtful
    ]
    matched = [(i, said) for i, said in matched if i not in doubtful]
    words = tuple(
        Word(word=spelled[i], start_s=said.start_s, end_s=said.end_s) for i, said in matched
    )
    read_s = words[-1].end_s - words[0].start_s if words else None
    return Reading(
        words=words,
        misread=tuple(sorted(misread, key=lambda m: m.time_s)),
        unknown=tuple(spelled[script.index(word)] for word in unknown),
        read_s=read_s,
        words_per_minute=60.0 * len(words) / read_s if read_s else None,
        not_measured={}
        if read_s
        else dict.fromkeys(("read_s", "words_per_minute"), "no word of the script was heard"),
    )


def _not_heard(reason: str) -> Reading:
    return Reading(
        words=None,
        misread=None,
        unknown=(),
        read_s=None,
        words_per_minute=None,
        not_measured=dict.fromkeys(("words", "misread", "read_s", "words_per_minute"), reason),
    )


NEEDS_EXTRA = "to check the words of the script: pip install 'vocheck[script]'"
"""What to tell where the words cannot be checked."""


def can_hear_words() -> bool:
    """Return whether the optional extra is installed."""
    return find_spec("pocketsphinx") is not None


def _pace_only(recording: Recording, text: str) -> Reading:
    phrases = activity_of(recording).phrases
    read_s = phrases[-1][1] - phrases[0][0] if phrases else None
    count = len(words_of(text))
    reasons = dict.fromkeys(("words", "misread"), NEEDS_EXTRA)
    if read_s is None:
        reasons |= dict.fromkeys(("read_s", "words_per_minute"), "no speech was found")
    return Reading(
        words=None,
        misread=None,
        unknown=(),
        read_s=read_s,
        words_per_minute=60.0 * count / read_s if read_s else None,
        not_measured=reasons,
    )


_decoders = threading.local()
"""Decoders by beam. Loading one takes a third of a second; none may serve two threads."""


def _decoder(beam: float = 1e-48) -> Any:
    from pocketsphinx import Decoder

    kept: dict[str, Any] = _decoders.__dict__
    if str(beam) not in kept:
        decoder = Decoder(
            lm=None, loglevel="FATAL", samprate=float(RATE_HZ), beam=beam, wbeam=beam * 1e20
        )
        for phone in _OTHER_PHONES:
            decoder.add_word(phone, phone.removeprefix("_").upper(), phone is _OTHER_PHONES[-1])
        kept[str(beam)] = decoder
    return kept[str(beam)]


def _pcm(recording: Recording) -> bytes:
    voice = voice_at(recording, RATE_HZ)
    peak = float(np.abs(voice).max(initial=0.0))
    return (voice * (16_000.0 / max(peak, 1e-9))).astype("<i2").tobytes()


def _decode(decoder: Any, sound: bytes, script: list[str]) -> list[_Heard] | None:
    """Return the words that were said, other sounds as ``_``; ``None`` if nothing fits."""
    decoder.add_fsg("script", _grammar(decoder, script))
    decoder.activate_search("script")
    decoder.start_utt()
    decoder.process_raw(sound, full_utt=True)
    decoder.end_utt()
    if decoder.hyp() is None:
        return None
    return [
        _Heard(
            word=segment.word[:1] if segment.word[0] == "_" else segment.word.partition("(")[0],
            start_s=segment.start_frame * FRAME_S,
            end_s=(segment.end_frame + 1) * FRAME_S,
            fit=_fit(segment),
        )
        for segment in decoder.seg()
        if not segment.word.startswith(("<", "["))
    ]


def _fit(segment: Any) -> float:
    """Return the acoustic score of a word per frame, as a natural logarithm; 0 fits best."""
    frames = int(segment.end_frame) + 1 - int(segment.start_frame)
    return math.log(max(float(segment.ascore), 1e-300)) / (frames + SHRINK_FRAMES)


def _doubtful(script: list[str], matched: list[tuple[int, _Heard]]) -> set[int]:
    """Return which words of the script, thought to be read, do not fit what was said.

    What stands beside a departure is aligned badly itself: of such words, and of neighbors, only
    the worst is believed, and none beside a word that is missing or replaced.
    """
    if not matched:
        return set()
    middle = float(np.median([said.fit for _, said in matched]))
    fit = {i: said.fit - middle for i, said in matched if _content([script[i]])}
    whole = {-1, len(script), *(i for i, _ in matched)}
    return {
        i
        for i, value in fit.items()
        if value < DOUBT
        and {i - 1, i + 1} <= whole
        and value <= min(fit.get(i - 1, 0.0), fit.get(i + 1, 0.0))
    }


def _grammar(decoder: Any, script: list[str]) -> Any:
    """Return the script as a finite-state grammar; state n: so many of its words are done."""
    count = len(script)
    arcs = []
    for done in range(count + 1):
        other = count + 1 + done  # other words are being said
        for word in range(max(0, done - MOST_AGAIN), min(count, done + 1 + MOST_SKIPPED)):
            likely = 1.0 if word == done else SKIP if word > done else AGAIN
            arcs.append((done, word + 1, likely, script[word]))
            if word in (done, done + 1):
                arcs.append((other, word + 1, 0.1, script[word]))
        for phone in _OTHER_PHONES:
            arcs.append((done, other, OTHER, phone))
            arcs.append((other, other, 0.1, phone))
    # The grammar ends after the last word; the last few may be missing, or other words.
    arcs += [
        (i, count, SKIP, script[i]) for i in range(max(0, count - 1 - MOST_SKIPPED), count - 1)
    ]
    arcs += [(i, count, OTHER, phone) for i in (count - 1, count) for phone in _OTHER_PHONES]
    return decoder.create_fsg("script", 0, count, arcs)


def _compare(
    script: list[str], spelled: list[str], heard: list[_Heard]
) -> tuple[list[tuple[int, _Heard]], list[Misread]]:
    """Return the words of the script that were said, and how the rest departs from it."""
    said = [word for word in heard if word.word != "_"]
    others = [word.start_s for word in heard if word.word == "_"]
    matched: list[tuple[int, _Heard]] = []
    misread: list[Misread] = []
    matcher = difflib.SequenceMatcher(a=script, b=[w.word for w in said], autojunk=False)
    for kind, a0, a1, b0, b1 in matcher.get_opcodes():
        if kind == "equal":
            matched += [(a0 + k, said[b0 + k]) for k in range(a1 - a0)]
            continue
        before = said[b0 - 1].end_s if b0 else 0.0
        after = said[b1].start_s if b1 < len(said) else float("inf")
        instead = b1 > b0 or any(before - FRAME_S <= time < after for time in others)
        if a1 > a0 and _content(script[a0:a1]):
            how: Kind = "replaced" if instead else "missing"
            misread.append(Misread(kind=how, words=" ".join(spelled[a0:a1]), time_s=before))
        elif b1 > b0 and _content([word.word for word in said[b0:b1]]):
            again = " ".join(word.word for word in said[b0:b1])
            misread.append(Misread(kind="repeated", words=again, time_s=said[b0].start_s))
    return matched, misread


def _content(words: list[str]) -> bool:
    return any(word not in _FUNCTION_WORDS for word in words)
