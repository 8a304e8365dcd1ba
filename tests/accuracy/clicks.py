"""Recall, level error and false alarms of clicks, over strengths.

Run as ``python -m tests.accuracy.clicks``.
"""

from __future__ import annotations

import numpy as np
import soxr

from tests.accuracy.sections import write_section
from tests.material import speech
from tests.material.carriers import TESTED_ON, carriers
from tests.material.planted import digital_click, mouth_click
from tests.material.speech import Speech
from vocheck.measurements import clicks
from vocheck.measurements.clicks import Click
from vocheck.recording import Recording
from vocheck.voice.level import active_level_of

STRENGTHS_DB = (-30, -20, -10, 0, 10)
SPACING_S = 0.25
DIGITAL_WITHIN_S, MOUTH_WITHIN_S = 0.001, 0.01


def pauses_of(take: Speech, shortest_s: float) -> list[tuple[float, float]]:
    """Return where the labels say that nobody speaks."""
    edges = [0.0]
    for phone in take.phones:
        if phone.label not in speech.SILENT:
            edges += [phone.start_s, phone.end_s]
    edges.append(take.duration_s)
    spans = zip(edges[::2], edges[1::2], strict=True)
    return [(start, end) for start, end in spans if end - start >= shortest_s]


def matched(
    found: tuple[Click, ...], times_s: list[float], within_s: float
) -> tuple[list[Click | None], int]:
    """Return for each true time the click found there, and how many clicks are none of them."""
    hits = [
        next((click for click in found if abs(click.time_s - time) < within_s), None)
        for time in times_s
    ]
    false = sum(all(abs(c.time_s - time) >= within_s for time in times_s) for c in found)
    return hits, false


def digital_row(db: float, convert: int | None = None) -> tuple[float, float, float, float]:
    """Return recall, precision, mean and spread of the level error at one strength."""
    rng = np.random.default_rng(7)
    hits: list[tuple[Click | None, float]] = []
    false = 0
    for carrier in carriers():
        rate, x = carrier.rate, carrier.samples.copy()
        active = active_level_of(Recording(x, rate)).dbfs
        choice = np.arange(0.3, carrier.duration_s - 0.3, SPACING_S)
        times = rng.choice(choice, min(16, len(choice)), replace=False)
        places = (times * rate).astype(int)
        for place in places:
            click = digital_click(rng) * 10 ** ((active + db) / 20)
            x[place : place + len(click)] += click.astype(np.float32)
        if convert:
            x, rate = soxr.resample(x, rate, convert, "HQ"), convert
        found = clicks.measure(Recording(x, rate)).digital or ()
        true_s = (places / carrier.rate).tolist()
        found_here, false_here = matched(found, true_s, DIGITAL_WITHIN_S)
        hits += [(hit, active + db) for hit in found_here]
        false += false_here
    return summary(hits, false)


def mouth_row(db: float, shortest_s: float) -> tuple[float, float, float, float]:
    """Return the same for mouth clicks in pauses."""
    rng = np.random.default_rng(8)
    hits: list[tuple[Click | None, float]] = []
    false = 0
    for voice in speech.TEST_VOICES:
        take = speech.take(voice, speech.TEST_LINES[:6])
        x = take.samples.copy()
        active = active_level_of(Recording(x, take.rate)).dbfs
        times = []
        for start, end in pauses_of(take, shortest_s):
            time = rng.uniform(start + 0.03, end - 0.03)
            tick = mouth_click(take.rate, rng) * 10 ** ((active + db) / 20)
            place = int(time * take.rate)
            x[place : place + len(tick)] += tick.astype(np.float32)[: len(x) - place]
            times.append(time)
        found = clicks.measure(Recording(x, take.rate)).mouth or ()
        found_here, false_here = matched(found, times, MOUTH_WITHIN_S)
        hits += [(hit, active + db) for hit in found_here]
        false += false_here
    return summary(hits, false)


def summary(
    hits: list[tuple[Click | None, float]], false: int
) -> tuple[float, float, float, float]:
    """Return recall, precision, mean and standard deviation of the level error."""
    errors = [hit.level_dbfs - level for hit, level in hits if hit]
    recall = len(errors) / len(hits)
    precision = len(errors) / max(1, len(errors) + false)
    return recall, precision, float(np.mean(errors or [0])), float(np.std(errors or [0]))


def false_alarms() -> tuple[float, int, int]:
    """Return the minutes of untouched takes, and the digital and mouth clicks found in them."""
    minutes, digital, mouth = 0.0, 0, 0
    for carrier in carriers():
        result = clicks.measure(Recording(carrier.samples, carrier.rate))
        minutes += carrier.duration_s / 60
        digital += len(result.digital or ())
        mouth += len(result.mouth or ())
    return minutes, digital, mouth


def main() -> None:
    """Measure and write the section."""
    head = " | ".join(f"{db:+d} dB" for db in STRENGTHS_DB)
    rule = "|---" * (len(STRENGTHS_DB) + 1) + "|"
    lines = [f"| peak re speech level | {head} |", rule]

    def row(name: str, values: list[tuple[float, float, float, float]]) -> None:
        lines.append(f"| {name}: recall | " + " | ".join(f"{v[0]:.2f}" for v in values) + " |")
        lines.append("| precision | " + " | ".join(f"{v[1]:.2f}" for v in values) + " |")
        cells = " | ".join(f"{v[2]:+.1f} ± {v[3]:.1f}" if v[0] else "–" for v in values)
        lines.append(f"| level error, dB | {cells} |")

    row("digital click anywhere", [digital_row(db) for db in STRENGTHS_DB])
    row("the same after resampling to 96 kHz", [digital_row(db, 96000) for db in STRENGTHS_DB])
    row("mouth click, pauses from 0.4 s", [mouth_row(db, 0.4) for db in STRENGTHS_DB])
    row("mouth click, pauses from 0.2 s", [mouth_row(db, 0.2) for db in STRENGTHS_DB])
    minutes, digital, mouth = false_alarms()
    text = "\n".join(
        [
            *lines,
            "",
            "Digital clicks are one to three wrong samples, mouth clicks one to three decaying"
            " resonances of 0.8 to 6 ms. The level is the click's peak against the active speech"
            " level (an RMS). Digital clicks are put anywhere, in vowels and hiss too; mouth clicks"
            " into the pauses of synthesised takes, whose places are known.",
            "",
            f"In {minutes:.1f} minutes of untouched takes {digital} digital clicks"
            f" ({digital / minutes:.1f} per minute) and {mouth} mouth clicks ({mouth / minutes:.1f}"
            " per minute) were found. The latter are an upper bound of the false ones: real mouths"
            " click, and nobody marked them. Precision counts them as false.",
            "",
            TESTED_ON,
        ]
    )
    write_section("clicks", "Clicks", text)


if __name__ == "__main__":
    main()
