"""Accuracy of what finds the passes of one long recording.

``python -m tests.accuracy.passes --readers FOLDER`` tests on readers that nothing was set up on.
FOLDER holds recordings of the VCTK corpus and ``transcripts.csv`` (file, text); needs the extras
`demo`, `script` and `test`.
"""

from __future__ import annotations

import argparse
import csv
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path

import numpy as np
import soundfile

from tests.accuracy.sections import write_section
from tests.material import readings, speech
from tests.material.long_sessions import Plan, Planted, Spoken, record, spoken
from vocheck.passes.find import find_passes
from vocheck.passes.listen import RATE_HZ
from vocheck.passes.results import Pass
from vocheck.script.text import words_of

PACES = (1.0, 1.08, 0.95)
LINES_IN_SCRIPT = 10
TRIM_DB = 28.0
"""Below the loudest 32 ms of a reading its file holds room, no voice."""
SLATES = tuple(
    f"{what} {number}, take {take}."
    for what, number, take in (
        ("Line", "two", "one"), ("Line", "four", "three"), ("Slate", "six", "two"),
        ("Scene", "one", "five"), ("Line", "nine", "four"), ("Slate", "three", "one"),
        ("Scene", "eight", "two"), ("Line", "five", "six"),
    )
)  # fmt: skip
TALK = (
    "Let us do another one, with more air.",
    "There is a bus outside, please wait.",
    "Great, that is the one I would use.",
    "Your chair makes a noise, can you sit still?",
    "We have ten minutes left, no hurry.",
    "I will turn the headphones down for you.",
    "Take a sip of water before we go on.",
    "Could you smile on the last word?",
    "The second half was a bit too fast.",
    "Hold it there, the phone is ringing.",
)
"""Not those that anything was set up on."""
OTHER_LANGUAGES = {
    "de": (
        "Der Fluss kam zuerst, dann die Mühlen und eine Brücke.",
        "Zweimal im Jahr brennt sie ihre Töpfe und schläft neben dem Ofen.",
        "Beide Daumen sinken in den Ton, und die Scheibe dreht sich.",
        "Eine Schale braucht zehn Minuten und ein halbes Leben.",
        "Am Morgen freut sie sich, wenn der Henkel passt.",
        "Im Frühjahr holt das Wasser die Erde aus dem Garten.",
    ),
    "fr": (
        "La rivière est venue la première, puis les moulins et un pont.",
        "Deux fois par an elle cuit ses pots et dort près du four.",
        "Les deux pouces entrent dans la terre et le tour commence.",
        "Un bol demande dix minutes et la moitié d'une vie.",
        "Le matin elle sourit quand une anse est bien posée.",
        "Au printemps, l'eau emporte le bord du jardin.",
    ),
    "es": (
        "Primero llegó el río, después los molinos y un puente.",
        "Dos veces al año cuece sus vasijas y duerme junto al horno.",
        "Los dos pulgares se hunden en el barro y el torno gira.",
        "Un cuenco necesita diez minutos y media vida.",
        "Por la mañana sonríe cuando el asa queda bien.",
        "En primavera el agua se lleva la tierra del huerto.",
    ),
}


@dataclass
class Score:
    """What was planted, and what was made of it."""

    attempts: int = 0
    found: int = 0
    right_line: int = 0
    told: int = 0
    told_right: int = 0
    broken: int = 0
    broken_right: int = 0
    other: int = 0
    other_right: int = 0
    pairs: list[int] = field(default_factory=lambda: [0, 0, 0])  # right, told, planted
    errors_s: list[float] = field(default_factory=list)
    sound_s: float = 0.0
    cpu_s: float = 0.0

    def add(self, passes: Sequence[Pass], planted: Sequence[Planted]) -> None:
        """Compare a recording with its construction."""
        reads = [one for one in passes if one.kind in ("read", "false start")]
        labels = []
        for truth in planted:
            near = [one for one in passes if _overlap(one, truth) > 0.5]
            own = [one for one in near if one in reads]
            if truth.line is None:
                self.other += 1
                self.other_right += bool(near) and not own
                continue
            self.attempts += 1
            if len(own) == 1:
                (one,) = own
                self.found += 1
                self.right_line += one.line == truth.line
                self.errors_s += [one.start_s - truth.start_s, one.end_s - truth.end_s]
            if truth.kind == "false start":
                self.broken += 1
                self.broken_right += len(own) == 1 and own[0].kind == "false start"
            labels.append((truth.line, own[0].line if own else None))
        self.told += len(reads)
        self.told_right += sum(
            any(t.line is not None and _overlap(one, t) > 0.5 for t in planted) for one in reads
        )
        for (line, name), (other, other_name) in combinations(labels, 2):
            same, said = line == other, name is not None and name == other_name
            self.pairs = [
                a + b for a, b in zip(self.pairs, (same and said, said, same), strict=True)
            ]

    def row(self, name: str, scripted: bool) -> str:
        """Return it as a row of the table."""
        median, high = np.percentile(np.abs(self.errors_s), (50, 95)) * 1000
        right, told, planted = self.pairs
        pair = 2 * right / max(1, told + planted)
        line = f"{self.right_line}/{self.attempts}" if scripted else f"F1 {pair:.3f}"
        return (
            f"| {name} | {line} | {self.found / self.attempts:.3f} / "
            f"{self.told_right / max(1, self.told):.3f} | {self.broken_right}/{self.broken} "
            f"| {self.other_right}/{self.other} | {median:.0f} / {high:.0f} "
            f"| {3600 * self.cpu_s / self.sound_s:.0f} |"
        )


def _overlap(one: Pass, truth: Planted) -> float:
    common = min(one.end_s, truth.end_s) - max(one.start_s, truth.start_s)
    return common / max(one.end_s - one.start_s, truth.end_s - truth.start_s)


@dataclass(frozen=True)
class Session:
    """A recording to be made."""

    name: str
    script: Mapping[str, str]
    lines: Mapping[str, Sequence[Spoken]]


def reader_sessions(folder: Path, half: int) -> Iterator[Session]:
    """Yield a session per reader: what they read, in a script of ten lines.

    Every second reader, by name; the others are for choosing. "Please call Stella" is left out: it
    has three words.
    """
    with (folder / "transcripts.csv").open(encoding="utf-8") as file:
        rows = [r for r in csv.DictReader(file) if len(words_of(r["text"])) > 3]
    names = sorted({row["file"].partition("_")[0] for row in rows})[half::2]
    texts = list(dict.fromkeys(row["text"].strip() for row in rows))
    for number, name in enumerate(names):
        own = {r["text"].strip(): r["file"] for r in rows if r["file"].partition("_")[0] == name}
        rng = np.random.default_rng(number)
        others = [text for text in rng.permutation(texts).tolist() if text not in own]
        script = {
            f"{i:02d}": text for i, text in enumerate([*own, *others][:LINES_IN_SCRIPT], start=1)
        }
        lines = {i: [_read(folder / own[text], text)] for i, text in script.items() if text in own}
        yield Session(name, script, lines)


def _read(file: Path, text: str) -> Spoken:
    """Return a reading without the room around it; its words end evenly, as nobody timed them."""
    import librosa

    sound, rate = soundfile.read(file, dtype="float32")
    assert rate == RATE_HZ
    sound, _ = librosa.effects.trim(sound, top_db=TRIM_DB, frame_length=512, hop_length=80)
    count = len(words_of(text))
    return Spoken(sound, tuple(np.linspace(0.0, len(sound) / rate, count + 1)[1:].tolist()))


def voice_session(voice: str, texts: Sequence[str]) -> Session:
    """Return a session of a synthetic voice, which times its words."""
    script = {f"{i:02d}": text for i, text in enumerate(texts, start=1)}
    lines = {
        line: [spoken(readings.read_aloud(text, voice, pace), RATE_HZ) for pace in PACES]
        for line, text in script.items()
    }
    return Session(voice, script, lines)


def score(sessions: Sequence[Session], director: str, *, scripted: bool) -> Score:
    """Record each session, and find its passes."""
    slates, talk = (
        [spoken(readings.read_aloud(text, director), RATE_HZ) for text in texts]
        for texts in (SLATES, TALK)
    )
    total = Score()
    with tempfile.TemporaryDirectory() as folder:
        for number, session in enumerate(sessions):
            sound, planted = record(session.lines, slates, talk, RATE_HZ, number, Plan())
            path = Path(folder, "long.wav")
            soundfile.write(path, sound, RATE_HZ, subtype="PCM_24")
            begun = time.process_time()
            passes = find_passes(path, session.script if scripted else None).passes
            total.cpu_s += time.process_time() - begun
            total.sound_s += len(sound) / RATE_HZ
            total.add(passes, planted)
    return total


HEAD = (
    "| recordings | line right | attempts found: R / P | false starts | slates and talk "
    "| boundaries ms: median / p95 | CPU s an hour |\n|---|---|---|---|---|---|---|"
)


def main() -> None:
    """Test, and write the section."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--readers", type=Path, required=True)
    parser.add_argument("--half", type=int, default=1, help="0: the readers for choosing")
    args = parser.parse_args()
    people = list(reader_sessions(args.readers, args.half))
    formant = [voice_session(v, speech.TEST_LINES) for v in ("en-us+m7", "en-gb-x-rp+f3")]
    rows = []
    for name, sessions, scripted in (
        (f"{len(people)} readers, scripted", people, True),
        ("2 formant voices, scripted", formant, True),
        (f"{len(people)} readers, by sound", people, False),
        ("2 formant voices, by sound", formant, False),
        *(
            (f"formant voice, {code}, by sound", [voice_session(code, texts)], False)
            for code, texts in OTHER_LANGUAGES.items()
        ),
    ):
        rows.append(score(sessions, readings.NEURAL, scripted=scripted).row(name, scripted))
        print(rows[-1], flush=True)
    table = "\n".join([HEAD, *rows])
    if args.half == 0:
        return
    body = f"""
Recordings are strung together out of readings: three attempts of each line out of order, 0.9 to 3 s
apart, a quarter of them after a reading that breaks off at a random word, a quarter after a slate
and a quarter after talk by the neural voice, over the noise of a room at -72 dBFS. The readers are
every second one of 44 of the VCTK corpus, by name (the others were used for choosing), each in a
recording of their own: two or three sentences, of a script of {LINES_IN_SCRIPT}. They read each
sentence once, so a second attempt is the same reading with pace and pitch up to 5 % apart and
another tone: real second readings vary more. The formant voices (espeak-ng) read
{len(speech.TEST_LINES)} lines, or six in another language, at three paces; nothing was set up on
them. The ends of the readers' sentences are where their level falls by {TRIM_DB:g} dB (librosa).
A reading counts as found where it overlaps what was planted by more than half of both. By sound,
"line right" is the F1 of pairs of attempts that are the same line. CPU time includes loading the
recognizer once per recording of a minute, and was taken on a busy machine; an hour in one file
needs less.

{table}
"""
    write_section("passes", "Passes: what is read where in one long recording", body)


if __name__ == "__main__":
    main()
