"""Accuracy of what compares readings: the map between takes, words left out or said twice.

``python -m tests.accuracy.words`` tests on voices and lines that nothing was set up on.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise, permutations

import numpy as np

from tests.accuracy.sections import write_section
from tests.material import readings, speech
from tests.material.readings import Reading as Spoken
from vocheck.script.reading import Misread, check_reading
from vocheck.script.text import words_of
from vocheck.takes.deviations import find_deviations
from vocheck.takes.takemap import features, map_takes

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

    def join(self, other: Score) -> None:
        """Add another set."""
        for kind, count in other.trials.items():
            self.trials[kind] = self.trials.get(kind, 0) + count
            self.found[kind] = self.found.get(kind, 0) + other.found[kind]
        self.false += other.false
        self.words += other.words
        self.false_right += other.false_right
        self.words_right += other.words_right

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


TAKES = ((1.0, 0.0), (1.12, 1.5), (0.93, -1.0))
"""Pace and pitch (semitones) of the takes of a line."""


def map_errors(voice: str, lines: Sequence[str]) -> list[float]:
    """Return how far off the starts of the words are, mapped from each take to the others."""
    errors = []
    for line in lines:
        made = [
            readings.read_aloud(line, voice, *how).take(seed=seed) for seed, how in enumerate(TAKES)
        ]
        heard = [features(recording) for recording, _ in made]
        for a, b in permutations(range(len(made)), 2):
            mapped = map_takes(heard[a], heard[b])
            times = [(w.start_s, v.start_s) for w, v in zip(made[a][1], made[b][1], strict=True)]
            # Words that a voice runs together share one time.
            errors += [abs(mapped.to_take(x) - y) for x, y in dict(times).items()]
    return errors


def two_content_words(text: str, rng: np.random.Generator) -> tuple[int, int]:
    """Return first and last word of a stretch that holds two content words."""
    words = words_of(text)
    near = [(i, j) for i, j in pairwise(content_places(words)) if j - i <= 2]
    first, last = near[int(rng.integers(len(near)))]
    return first, last


def without(text: str, first: int, last: int) -> str:
    """Return a text without a stretch of its words."""
    pieces = text.split()
    return " ".join([*pieces[:first], *pieces[last + 1 :]])


def twice(text: str, first: int, last: int) -> str:
    """Return a text with a stretch of its words said twice."""
    pieces = text.split()
    again = " ".join(pieces[first : last + 1]).rstrip(",.;:")
    return " ".join([*pieces[:first], f"{again},", *pieces[first:]])


@dataclass
class Flags:
    """What sets takes apart: planted, found, and flagged without a reason."""

    missing: int = 0
    missing_found: int = 0
    repeated: int = 0
    repeated_found: int = 0
    false: int = 0
    takes: int = 0
    false_complete: int = 0
    complete: int = 0


def line_flags(voice: str, lines: Sequence[str], flags: Flags) -> None:
    """Compare three takes of each line: all complete, then one that lacks or repeats words."""
    for number, line in enumerate(lines):
        rng = chance(voice, line, "two")
        first, last = two_content_words(line, rng)
        odd = number % len(TAKES)
        for kind in ("complete", "missing", "repeated"):
            said = {
                "complete": line,
                "missing": without(line, first, last),
                "repeated": twice(line, first, last),
            }[kind]
            texts = [said if t == odd else line for t in range(len(TAKES))]
            made = [
                readings.read_aloud(text, voice, *how).take(seed=seed)
                for seed, (text, how) in enumerate(zip(texts, TAKES, strict=True))
            ]
            heard = [features(recording) for recording, _ in made]
            lengths = [int(one.speech.sum()) for one in heard]
            reference = sorted(range(len(heard)), key=lengths.__getitem__)[len(heard) // 2]
            maps = [map_takes(heard[reference], one) for one in heard]
            whole = [(0.0, made[reference][0].duration_s)]
            found = find_deviations(heard, maps, reference, whole)
            words = made[odd][1]
            if kind == "missing":
                place = words[first].start_s if first < len(words) else words[-1].end_s
                right = [d for d in found if d.take == odd and d.kind == "missing"]
                right = [d for d in right if abs(d.start_s - place) < NEAR_S]
                flags.missing += 1
                flags.missing_found += bool(right)
            elif kind == "repeated":
                span = (words[first].start_s, words[2 * last - first + 1].end_s)
                right = [
                    d for d in found if d.take == odd and d.kind != "missing"
                    and d.start_s > span[0] - NEAR_S and d.end_s < span[1] + NEAR_S
                ]  # fmt: skip
                flags.repeated += 1
                flags.repeated_found += bool(right)
            else:
                right = []
                flags.complete += len(heard)
                flags.false_complete += len(found)
            flags.false += len(found) - len(right)
            flags.takes += len(heard)


NEAR_S = 0.3
"""A flag counts if it lies this near to what was planted: it is where to listen."""


def comparison_table() -> str:
    """Return the map between takes and what sets them apart, voice by voice."""
    rows = [
        "| voice | word starts | map error ms: median / p90 | two words missing "
        "| two words repeated | wrong flags, all takes | false, complete takes |",
        "|---|---|---|---|---|---|---|",
    ]
    total = Flags()
    everywhere: list[float] = []
    for voice in readings.TEST_VOICES:
        errors = map_errors(voice, speech.TEST_LINES)
        flags = Flags()
        line_flags(voice, speech.TEST_LINES, flags)
        rows.append(_flag_row(voice, errors, flags))
        print(rows[-1], flush=True)
        everywhere += errors
        for field in vars(total):
            setattr(total, field, getattr(total, field) + getattr(flags, field))
    rows.append(_flag_row("all", everywhere, total))
    found = total.missing_found + total.repeated_found
    recall = found / (total.missing + total.repeated)
    precision = found / (found + total.false)
    return "\n".join([*rows, "", f"Recall {recall:.2f}, precision {precision:.2f}."])


def _flag_row(voice: str, errors: Sequence[float], flags: Flags) -> str:
    median, high = np.percentile(errors, (50, 90)) * 1000
    return (
        f"| {voice} | {len(errors)} | {median:.0f} / {high:.0f} "
        f"| {flags.missing_found}/{flags.missing} | {flags.repeated_found}/{flags.repeated} "
        f"| {flags.false} in {flags.takes} | {flags.false_complete} in {flags.complete} |"
    )


def script_table() -> str:
    """Return what the script check finds, by reader."""
    rows = [
        "| reader | word missing | replaced | repeated | precision "
        "| false per 100 words, read right |",
        "|---|---|---|---|---|---|",
    ]
    real = readings.real_readings()
    sets: list[tuple[str, list[Trial]]] = [
        (
            f"{voice} (real)",
            [
                trial
                for reading in real
                if reading.voice == voice
                for trial in script_trials(reading, 1 if reading.voice == "book" else 2)
            ],
        )
        for voice in dict.fromkeys(r.voice for r in real)
    ]
    sets += [
        (voice, [t for line in speech.TEST_LINES for t in voice_trials(line, voice)])
        for voice in readings.TEST_VOICES
    ]
    totals = {"all real": Score({}, {}), "all synthetic": Score({}, {})}
    for name, trials in sets:
        result = score(trials)
        rows.append(_script_row(name, result))
        print(rows[-1], flush=True)
        totals["all real" if name.endswith("(real)") else "all synthetic"].join(result)
    return "\n".join([*rows, *(_script_row(f"**{k}**", v) for k, v in totals.items())])


def _script_row(name: str, result: Score) -> str:
    def share(kind: str) -> str:
        return f"{result.found[kind]}/{result.trials[kind]}" if kind in result.trials else ""

    return (
        f"| {name} | {share('missing')} | {share('replaced')} | {share('repeated')} "
        f"| {result.precision():.2f} "
        f"| {100 * result.false_right / max(1, result.words_right):.1f} of {result.words_right} |"
    )


def main() -> None:
    """Test, and write the section."""
    script = script_table()
    comparison = comparison_table()
    body = f"""
**Takes against each other, without a script.** {len(readings.TEST_VOICES)} synthetic voices (a
neural one, an HMM one, four formant ones) read {len(speech.TEST_LINES)} lines three times, up to a
tenth faster and slower and up to 1.5 semitones higher and lower. Errors are of the starts of words
(true times: the synthesizers'), from each take to each other. For the flags one take of three
lacks a stretch of two content words, or says it twice; a flag counts where it lies within
{NEAR_S:g} s and is of the right take. Other flags are wrong. Nothing was tuned on these lines. Of
the voices only the neural one was heard before: it speaks the demo session, with other lines. Two
labelled readings of a line by one person were not to be had: a person varies more than a
synthesizer.

{comparison}

**Takes against the script** (the extra `vocheck[script]`). One content word (four letters and more)
departs. Real readers: a professional's prompts ({len(readings.PROMPTS)}), the beginnings of two
novels, a sentence; the *script* is changed, so that a word of it was not read (an extra word in the
script) or another was. Synthetic voices: the *reading* is changed. A word is found if an alarm
names it, as missing or replaced. Precision counts every other alarm, two thirds and more of the
readings being wrong in one word. The penalties of the grammar were chosen on readers of the VCTK
corpus and on other lines and voices (`kal`, a formant voice, the neural voice). The texts of the
prompts are what the same recognizer heard without a script, put right from memory where it was
plainly wrong; prompts that stayed in doubt were left out. Both flatter the result.

{script}
"""
    write_section("words", "Words: the map between takes, and the script", body)


if __name__ == "__main__":
    main()
