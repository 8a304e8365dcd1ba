"""How well breath blasts of known strength are found, and what clean speech sets off.

Run as ``python -m tests.accuracy.plosives``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from tests.accuracy.sections import write_section
from tests.material import speech
from tests.material.planted import noise_burst, ringing_spike
from tests.material.speech import Speech
from vocheck.measurements import plosives
from vocheck.measurements.plosives import Plosive, Plosives
from vocheck.recording import Recording
from vocheck.voice.activity import activity_of
from vocheck.voice.level import active_level

RATE = 16000  # everything that matters lies below 300 Hz
TOLERANCE_S = 0.06  # a blast lasts 10-80 ms

Shape = Callable[[int, np.random.Generator], npt.NDArray[np.float64]]


def inject(
    voice: Speech, times_s: tuple[float, ...], level_db: float, shape: Shape, seed: int = 1
) -> tuple[Speech, list[float]]:
    """Return the voice with a blast at each time, and when each is strongest."""
    rng = np.random.default_rng(seed)
    x = voice.samples.copy()
    gain = 10 ** ((active_level(x, voice.rate).dbfs + level_db) / 20)
    strongest = []
    for time in times_s:
        start = round(time * voice.rate)
        blast = (gain * shape(voice.rate, rng))[: len(x) - start]
        x[start : start + len(blast)] += blast.astype(np.float32)
        strongest.append((start + int(np.abs(blast).argmax())) / voice.rate)
    return replace(voice, samples=x), strongest


def measure(voice: Speech) -> Plosives:
    return plosives.measure(Recording(voice.samples, voice.rate))


def pair(events: tuple[Plosive, ...], times_s: list[float]) -> tuple[list[Plosive], list[Plosive]]:
    """Return the events that belong to one of `times_s` each, and the rest."""
    rest = list(events)
    paired = []
    for time in times_s:
        near = [e for e in rest if abs(e.time_s - time) <= TOLERANCE_S]
        if near:
            best = min(near, key=lambda e: abs(e.time_s - time))
            paired.append(best)
            rest.remove(best)
    return paired, rest


def voices(rate: int = RATE) -> list[Speech]:
    """Return the voices in which blasts are put: four synthetic, one real."""
    names = ("slt", "en-us", "en-gb-scotland+f4", "en-us+m7")
    return [*(speech.take(name, rate=rate) for name in names), speech.aligned().at(rate)]


def strength_table() -> str:
    rows = [
        "| strength, dB re speech | blasts | recall | precision | level read, mean ± std |",
        "|---|---|---|---|---|",
    ]
    material = [(voice, speech.releases(voice)[::2]) for voice in voices()]
    for level in (-15.0, -12.0, -9.0, -6.0, -3.0, 0.0, 6.0, 12.0):
        for shape in (noise_burst, ringing_spike):
            found, wrong, count = [], 0, 0
            for voice, times in material:
                popped, strongest = inject(voice, times, level, shape)
                right, rest = pair(measure(popped).events or (), strongest)
                found += [e.level_re_speech_db - level for e in right]
                wrong += len(rest)
                count += len(strongest)
            precision = f"{len(found) / (len(found) + wrong):.2f}" if found or wrong else "-"
            error = f"{np.mean(found):+.1f} ± {np.std(found):.1f}" if len(found) > 3 else "-"
            name = f"{level:+.0f}, {shape.__name__.replace('_', ' ')}"
            recall = f"{len(found) / count:.2f}"
            rows.append(f"| {name} | {count} | {recall} | {precision} | {error} |")
    return "\n".join(rows)


def clean_table() -> str:
    rows = ["| clean speech | minutes | events |", "|---|---|---|"]
    material = [speech.take(voice) for voice in speech.TEST_VOICES]
    for voice in [*material, *speech.labelled(), *speech.unlabelled()]:
        events = measure(voice).events or ()
        minutes = voice.duration_s / 60
        rows.append(f"| {voice.name} | {minutes:.2f} | {len(events)} |")
    return "\n".join(rows)


def condition_table() -> str:
    """Return how far events move when the same take comes at another rate or level."""
    voice = speech.take("slt", rate=48000)
    voice, strongest = inject(voice, speech.releases(voice)[::2], 0.0, noise_burst)
    base, _ = pair(measure(voice).events or (), strongest)
    rows = ["| condition | events | greatest change of level | of time |", "|---|---|---|---|"]
    for title, changed in (
        ("48 kHz", voice),
        ("44.1 kHz", voice.at(44100)),
        ("96 kHz", voice.at(96000)),
        ("-20 dB", replace(voice, samples=voice.samples * np.float32(0.1))),
    ):
        now, _ = pair(measure(changed).events or (), strongest)
        level = max(
            abs(a.level_re_speech_db - b.level_re_speech_db) for a, b in zip(now, base, strict=True)
        )
        time = max(abs(a.time_s - b.time_s) for a, b in zip(now, base, strict=True))
        rows.append(f"| {title} | {len(now)} | {level:.2f} dB | {time * 1000:.0f} ms |")
    return "\n".join(rows)


def thump_table() -> str:
    """Return where the same sounds go when they lie in a pause, and in the middle of a vowel."""
    rows = ["| place of the same blasts, 0 dB | count | plosives | thumps |", "|---|---|---|---|"]
    pauses = vowels = np.zeros(3, int)
    for voice in voices():
        quiet = [
            (a + b) / 2
            for a, b in activity_of(Recording(voice.samples, voice.rate)).pauses
            if b - a > 0.6
        ]
        for times, where in ((tuple(quiet), "pauses"), (_mid_vowels(voice), "vowels")):
            knocked, strongest = inject(voice, times, 0.0, noise_burst)
            result = measure(knocked)
            counts = np.array(
                [
                    len(strongest),
                    len(pair(result.events or (), strongest)[0]),
                    len(pair(result.thumps or (), strongest)[0]),
                ]
            )
            if where == "pauses":
                pauses = pauses + counts
            else:
                vowels = vowels + counts
    rows.append(f"| in pauses of 0.6 s and more | {' | '.join(map(str, pauses))} |")
    rows.append(f"| in the middle of long vowels | {' | '.join(map(str, vowels))} |")
    return "\n".join(rows)


def _mid_vowels(voice: Speech) -> tuple[float, ...]:
    long = [p for p in voice.of(speech.VOWELS) if p.end_s - p.start_s > 0.12]
    return tuple((p.start_s + p.end_s) / 2 for p in long)[::4]


if __name__ == "__main__":
    markdown = f"""
Tuned on: nine real readers (VCTK) and the voices {", ".join(speech.DEVELOPMENT_VOICES)} reading
other lines, with noise bursts only. Tested on the voices below, none of which was used in tuning;
the ringing spikes are a shape that nothing was tuned on. Each blast is put at the release of every
second p and b. Strength is that of its loudest 40 ms against the active speech level.

{strength_table()}

False alarms in clean speech:

{clean_table()}

The same take at another rate or level:

{condition_table()}

Knocks, as far as they can be told from breath:

{thump_table()}
"""
    write_section("plosives", "Plosives", markdown)
    print(markdown)
