"""Breaths planted in pauses, of several kinds and levels, and what is told where there are none.

Run as ``python -m tests.accuracy.breaths``.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import butter, sosfilt

from tests.accuracy.sections import write_section
from tests.material import speech
from tests.material.carriers import carriers
from vocheck.measurements import breaths
from vocheck.recording import Recording
from vocheck.voice.activity import activity_of
from vocheck.voice.level import active_level_of

KINDS = {  # band of the noise in Hz, seconds
    "through the mouth": ((700.0, 3500.0), (0.25, 0.45)),
    "through the nose": ((400.0, 1800.0), (0.3, 0.6)),
    "a sharp gasp": ((900.0, 6000.0), (0.2, 0.3)),
}
LEVELS_DB = (-40.0, -30.0, -20.0, -12.0)
ROOMS_DB = (-65.0, -50.0)
CLEAR_S = 0.06
"""Between a breath and the word after it."""


def breath(kind: str, rng: np.random.Generator, rate: int) -> np.ndarray:
    """Return one breath of RMS 1: noise in a band that swells and fades."""
    band, lengths = KINDS[kind]
    x = rng.standard_normal(round(rng.uniform(*lengths) * rate))
    x = sosfilt(butter(2, band, "bandpass", fs=rate, output="sos"), x)
    x *= np.sin(np.pi * np.linspace(0.0, 1.0, len(x))) ** 0.6
    return x / np.sqrt(np.mean(x**2))


def planted(
    voice: speech.Speech, kind: str, level_db: float, rng: np.random.Generator
) -> tuple[Recording, list[tuple[float, float]]]:
    """Return a take with a breath before each phrase that has room for one, and where they are."""
    recording = Recording(voice.samples, voice.rate)
    gain = 10 ** ((active_level_of(recording).dbfs + level_db) / 20)
    x = voice.samples.astype(np.float64)
    true = []
    for start_s, end_s in activity_of(recording).pauses:
        sound = breath(kind, rng, voice.rate)
        first = round((end_s - CLEAR_S) * voice.rate) - len(sound)
        if first > start_s * voice.rate and end_s < recording.duration_s - 0.2:
            x[first : first + len(sound)] += gain * sound
            true.append((first / voice.rate, (first + len(sound)) / voice.rate))
    return Recording(x.astype(np.float32), voice.rate), true


def overlap(event: breaths.Breath, span: tuple[float, float]) -> float:
    """Return which share of a span an event covers."""
    return (min(event.end_s, span[1]) - max(event.start_s, span[0])) / (span[1] - span[0])


def main() -> None:
    """Measure and write the section."""
    lines = ["| breath | level re speech | found | level off, dB | start off, s | elsewhere |"]
    lines += ["|---|---|---|---|---|---|"]
    rng = np.random.default_rng(16)
    for room_db in ROOMS_DB:
        voices = [
            speech.take(v, speech.TEST_LINES[:5], room_db=room_db) for v in speech.TEST_VOICES
        ]
        lines.append(f"| *room {-room_db:.0f} dB below the voice* | | | | | |")
        for kind in KINDS:
            for level_db in LEVELS_DB:
                count, off, late = 0, [], []
                other = 0
                for voice in voices:
                    recording, true = planted(voice, kind, level_db, rng)
                    found = breaths.measure(recording).events or ()
                    count += len(true)
                    hits = [(e, s) for s in true for e in found if overlap(e, s) > 0.5]
                    off += [event.level_re_speech_db - level_db for event, _ in hits]
                    late += [event.start_s - span[0] for event, span in hits]
                    other += sum(all(overlap(e, span) <= 0.0 for span in true) for e in found)
                told = f"{np.median(off):+.1f} | {np.median(late):+.2f}" if off else "- | -"
                lines.append(
                    f"| {kind} | {level_db:+.0f} dB | {len(off)} of {count} | {told} | {other} |"
                )
    untouched = [
        speech.take(v, speech.TEST_LINES, room_db=r) for v in speech.TEST_VOICES for r in ROOMS_DB
    ]
    alarms = sum(len(breaths.measure(Recording(v.samples, v.rate)).events or ()) for v in untouched)
    minutes = sum(len(v.samples) / v.rate for v in untouched) / 60
    real = [c for c in carriers() if c.rate >= 16_000][:4]
    heard = [len(breaths.measure(Recording(c.samples, c.rate)).events or ()) for c in real]
    long = sum(len(c.samples) / c.rate for c in real) / 60
    text = "\n".join(
        [
            "Breaths made of noise that swells and fades, put before the phrases of"
            f" {len(speech.TEST_VOICES)} synthesised voices that themselves do not breathe. A"
            " breath counts as found where half of it is covered; level and start are medians over"
            " those that were found. *Elsewhere*: what was reported away from any breath. The"
            " limits are our choice; how they were found is not on record.",
            "",
            *lines,
            "",
            f"In {minutes:.1f} minutes of the same voices without breaths {alarms} were told, all"
            f" of them false. In {long:.1f} minutes of {len(real)} real readers {sum(heard)} were"
            " told; which of those are breaths nobody has labelled: no recordings with labelled"
            " breaths were to be had from the package registries. What a breath sounds like is"
            " taken from its description (Ruinskiy and Lavner 2007), so this is an impression.",
        ]
    )
    write_section("breaths", "Breaths", text)


if __name__ == "__main__":
    main()
