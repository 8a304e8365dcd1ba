"""How well sibilants are found, and whether a sharper take of the same line reads sharper.

Run as ``python -m tests.accuracy.sibilance``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from tests.accuracy.sections import write_section
from tests.material import speech
from tests.material.planted import TOLERANCE_S, with_bell
from tests.material.speech import SIBILANTS, Speech
from vocheck.measurements import sibilance
from vocheck.measurements.sibilance import Sibilance
from vocheck.recording import Recording
from vocheck.voice.activity import activity_of
from vocheck.voice.level import active_level_of


def voices() -> Iterator[tuple[str, Speech]]:
    """Return the test material by name: synthetic voices first, then the real readers."""
    for voice in speech.TEST_VOICES:
        yield voice, speech.take(voice)
    arctic, bobby, _ = speech.labelled()
    yield "ARCTIC sentence (real)", arctic
    yield "praatio sentence (real)", bobby
    yield "book reader (real, aligned)", speech.aligned()


def measure(voice: Speech) -> Sibilance:
    return sibilance.measure(Recording(voice.samples, voice.rate))


def score(voice: Speech, result: Sibilance) -> tuple[int, int, int, int, Counter[str]]:
    """Return sibilants found, sibilants in all, events right, events in all, what the rest were."""
    events = result.events or ()

    def touch(event: sibilance.Sibilant, phone: speech.Phone, slack: float) -> bool:
        return event.start_s < phone.end_s + slack and event.end_s > phone.start_s - slack

    wanted = voice.of(SIBILANTS)
    found = sum(any(touch(e, p, TOLERANCE_S) for e in events) for p in wanted)
    wrong = [e for e in events if not any(touch(e, p, TOLERANCE_S) for p in wanted)]
    labels = Counter(
        max(
            ((min(e.end_s, p.end_s) - max(e.start_s, p.start_s), p.label) for p in voice.phones),
            default=(0.0, "-"),
        )[1]
        for e in wrong
    )
    return found, len(wanted), len(events) - len(wrong), len(events), labels


def found_table() -> str:
    rows = ["| voice | sibilants | recall | precision | taken for one |", "|---|---|---|---|---|"]
    total = np.zeros(4, int)
    all_labels: Counter[str] = Counter()
    for name, voice in voices():
        *counts, labels = score(voice, measure(voice))
        total += counts
        all_labels += labels
        rows.append(_row(name, counts, labels))
    rows.append(_row("**all**", total.tolist(), all_labels))
    return "\n".join(rows)


def _row(name: str, counts: list[int], labels: Counter[str]) -> str:
    found, wanted, right, events = counts
    wrong = ", ".join(f"{label} {n}" for label, n in labels.most_common(6)) or "-"
    return f"| {name} | {wanted} | {found / wanted:.2f} | {right / max(1, events):.2f} | {wrong} |"


def order_table() -> str:
    steps = (-4.0, -2.0, 0.0, 2.0, 4.0, 6.0, 8.0)
    rows = []
    ratios = []
    levels = []
    for _, voice in voices():
        if len(voice.of(SIBILANTS)) < 3:
            continue
        results = [measure(with_bell(voice.at(48000), gain)) for gain in steps]
        ratios.append([r.ratio_db for r in results])
        levels.append([r.p90_db for r in results])
    for name, values in (("ratio_db", np.array(ratios)), ("p90_db", np.array(levels))):
        change = np.diff(values, axis=1)
        rows.append(
            f"| `{name}` | {np.mean(change > 0):.0%} of {change.size} | "
            f"{np.median(change):+.2f} dB | {change.min():+.2f} dB |"
        )
    head = "| number | steps of 2 dB in the right order | median step | least step |"
    return "\n".join([head, "|---|---|---|---|", *rows])


def condition_table() -> str:
    rows = ["| condition | recall | precision | `ratio_db` moves by up to |", "|---|---|---|---|"]
    material = [(n, v) for n, v in voices() if v.rate >= 22050 and len(v.of(SIBILANTS)) > 3]
    base = {name: measure(v.at(48000)).ratio_db for name, v in material}
    for title, change in (
        ("48 kHz", lambda v: v.at(48000)),
        ("44.1 kHz", lambda v: v.at(44100)),
        ("96 kHz", lambda v: v.at(96000)),
        ("-20 dB", lambda v: _scaled(v.at(48000), 0.1)),
        ("room noise 40 dB below the voice", lambda v: _noisy(v.at(48000), -40.0)),
        ("room noise 30 dB below the voice", lambda v: _noisy(v.at(48000), -30.0)),
        ("+8 dB at 5-9 kHz", lambda v: with_bell(v.at(48000), 8.0)),
        ("-6 dB at 5-9 kHz", lambda v: with_bell(v.at(48000), -6.0)),
    ):
        total = np.zeros(4, int)
        shift = 0.0
        for name, voice in material:
            changed = change(voice)
            result = measure(changed)
            *counts, _ = score(changed, result)
            total += counts
            shift = max(shift, abs(result.ratio_db - base[name]))
        found, wanted, right, events = total.tolist()
        rows.append(f"| {title} | {found / wanted:.2f} | {right / events:.2f} | {shift:.2f} dB |")
    return "\n".join(rows)


HISSES = {
    "breath, 0.5-5 kHz, 0.3 s": (500.0, 5000.0, 0.3),
    "cloth, 0.2-2.5 kHz, 0.3 s": (200.0, 2500.0, 0.3),
    "paper, 1-10 kHz, 0.3 s": (1000.0, 10000.0, 0.3),
    "cymbal, 6-12 kHz, 0.1 s": (6000.0, 12000.0, 0.1),
}
"""Sounds between the lines that are no speech: band of the noise, length."""


def hiss_table() -> str:
    levels = (-30.0, -20.0, -10.0)
    rows = ["| put into a pause | -30 dB | -20 dB | -10 dB re speech |", "|---|---|---|---|"]
    for title, hiss in HISSES.items():
        cells = []
        for level_db in levels:
            taken = placed = 0
            for name in speech.TEST_VOICES:
                voice, times = _with_hisses(
                    speech.take(name, speech.TEST_LINES[:5]), *hiss, level_db
                )
                events = measure(voice).events or ()
                taken += sum(any(e.start_s < b and e.end_s > a for e in events) for a, b in times)
                placed += len(times)
            cells.append(f"{taken} of {placed}")
        rows.append(f"| {title} | {' | '.join(cells)} |")
    return "\n".join(rows)


def _with_hisses(
    voice: Speech, low_hz: float, high_hz: float, length_s: float, level_db: float
) -> tuple[Speech, list[tuple[float, float]]]:
    """Return the take with a noise that swells and fades in each pause, and when those are."""
    recording = Recording(voice.samples, voice.rate)
    x, frames = voice.samples.copy(), round(length_s * voice.rate)
    rng = np.random.default_rng(6)
    hz = np.fft.rfftfreq(frames, 1 / voice.rate)
    times = []
    for start_s, end_s in activity_of(recording).usable_pauses:
        if end_s - start_s < length_s + 0.1:
            continue
        noise = np.fft.rfft(rng.standard_normal(frames)) * ((hz > low_hz) & (hz < high_hz))
        hiss = np.fft.irfft(noise, frames) * np.hanning(frames)
        strength = 10 ** ((active_level_of(recording).dbfs + level_db) / 20)
        hiss *= strength / np.sqrt(np.mean(np.square(hiss)))
        first = round(0.5 * (start_s + end_s - length_s) * voice.rate)
        x[first : first + frames] += hiss.astype(np.float32)
        times.append((first / voice.rate, (first + frames) / voice.rate))
    return replace(voice, samples=x), times


def _scaled(voice: Speech, factor: float) -> Speech:
    return Speech(voice.name, voice.samples * np.float32(factor), voice.rate, voice.phones)


def _noisy(voice: Speech, level_db: float) -> Speech:
    return speech.joined([voice], name=voice.name, rate=voice.rate, pause_s=0.5, room_db=level_db)


if __name__ == "__main__":
    markdown = f"""
Fitted by `python -m tests.training.sibilance` to eleven real readers (nine of VCTK, a reader of
prompts, a reader of a novel; force-aligned) and 21 synthetic voices that read other lines
(festival, flite, a neural one, 16 of espeak-ng), all with changes of tone, rooms, noise and hisses.
Leaving out one voice after the other, recall is 0.96 and precision 0.93 in these harder conditions,
means over the voices; the threshold was chosen there. (The discriminants before this fit: 0.93 and
0.85.) Tested on the voices below, none of which was used in fitting. Of two fits these tables have
seen this is the first; the second, on shorter takes too, did no better with voices left out, and
was dropped. The noises of espeak-ng's fricatives are the same in all its voices, those of the fit
included. An event is right if it touches a labelled s, z, sh, zh, ch or jh (within {
        TOLERANCE_S * 1000:.0f} ms); every other sound, t, f and th included, counts as wrong.

{found_table()}

The same line made sharper or duller by a bell filter at 5-9 kHz, in steps of 2 dB:

{order_table()}

The voices of 22 kHz and more under other conditions:

{condition_table()}

Hisses taken for a sibilant, put into the pauses of the synthetic takes:

{hiss_table()}
"""
    write_section("sibilance", "Sibilance", markdown)
    print(markdown)
