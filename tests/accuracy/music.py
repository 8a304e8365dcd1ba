"""Accuracy of the trace of music under the voice."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from scipy.signal import oaconvolve

from tests.accuracy.processing import TREATMENTS
from tests.accuracy.sections import write_section
from tests.material import speech
from tests.material.demo_session import FOLDER
from tests.material.music import excerpts, under
from tests.material.takes import RATE, SPEECH_DBFS, clean, colored, in_room, real, scaled
from tests.measurements.test_reverberation import room
from vocheck.audio.readers import read
from vocheck.measurements import processing
from vocheck.recording import Recording

LEVELS_DB = (-20.0, -25.0, -30.0, -35.0, -40.0, -math.inf)
NOISES_DB = (-50.0, -60.0)
PAUSES_S = (0.7, 0.35)


def beds(pause_s: float, noise_db: float, level_db: float) -> list[processing.Processing]:
    """Return what is found in each take over two of the excerpts."""
    found = []
    pieces = excerpts(RATE)
    for i, take in enumerate(clean(pause_s)):
        x = in_room(take, noise_db, np.random.default_rng(i))
        for j in (0, 1):
            bed = pieces[(2 * i + j + i // 7) % len(pieces)][1]
            y = x if math.isinf(level_db) else under(x, bed, SPEECH_DBFS + level_db)
            found.append(processing.measure(Recording(y, RATE)))
    return found


def found_table() -> tuple[str, str]:
    """Return how often music is found, and how its level reads."""
    lines = [
        "| music re speech | "
        + " | ".join(f"pauses {p} s, noise {n:.0f} dB" for p in PAUSES_S for n in NOISES_DB)
        + " |",
        "|---|" + "---|" * (len(PAUSES_S) * len(NOISES_DB)),
    ]
    errors = []
    for level_db in LEVELS_DB:
        cells = []
        for pause_s in PAUSES_S:
            for noise_db in NOISES_DB:
                told = beds(pause_s, noise_db, level_db)
                share = np.mean([found.music_bed is True for found in told])
                unsure = np.mean([found.music_bed is None for found in told])
                cells.append(f"{share:.2f}" + (f" ({unsure:.2f} not told)" if unsure else ""))
                if noise_db <= level_db - 10.0:
                    errors += [
                        found.music_bed_re_speech_db - level_db
                        for found in told
                        if found.music_bed_re_speech_db is not None
                    ]
        name = "none" if math.isinf(level_db) else f"{level_db:.0f} dB"
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    low, middle, high = np.percentile(errors, (10, 50, 90))
    return "\n".join(lines), f"{middle:+.1f} dB (80 % from {low:+.1f} to {high:+.1f})"


def without_music() -> dict[str, Iterator[Recording]]:
    """Return takes without any music, kind by kind."""

    def noisy() -> Iterator[Recording]:
        for room_db in (-15.0, -25.0, -35.0, -45.0, -65.0, -75.0):
            for seed, take in enumerate(clean()):
                yield Recording(in_room(take, room_db, np.random.default_rng(seed)), RATE)

    def hummed() -> Iterator[Recording]:
        for i, take in enumerate(clean()):
            t = np.arange(len(take.samples)) / RATE
            hum = sum(
                np.sin(2 * np.pi * n * (50.0, 60.0)[i % 2] * t + n * n) / n for n in range(1, 9)
            )
            whine = np.sin(2 * np.pi * (900.0 + 170.0 * i) * t)
            # Two fans that beat against each other, once a second.
            beat = np.sin(2 * np.pi * 231.0 * t) + np.sin(2 * np.pi * 232.0 * t)
            x = in_room(take, -55.0, np.random.default_rng(i))
            yield Recording(x + scaled(hum, SPEECH_DBFS - 35.0), RATE)
            yield Recording(x + scaled(whine, SPEECH_DBFS - 45.0), RATE)
            yield Recording(x + scaled(beat, SPEECH_DBFS - 40.0), RATE)

    def treated() -> Iterator[Recording]:
        for i, (name, treat) in enumerate(TREATMENTS.items()):
            if name == "none":
                continue
            for seed, take in enumerate(clean()[i % 2 :: 2]):
                x = in_room(take, (-35.0, -50.0)[seed % 2], np.random.default_rng(seed))
                yield Recording(treat(x), RATE)

    def reverberant() -> Iterator[Recording]:
        for rt60_s in (0.2, 0.4, 0.7, 1.0, 1.5):
            for i, take in enumerate(clean()[::2]):
                wet = oaconvolve(take.samples, room(rt60_s, direct_db=(0.0, 6.0)[i % 2], seed=i))
                noise = scaled(colored("room", len(wet), np.random.default_rng(i)), 0.0)
                noise *= 10.0 ** ((SPEECH_DBFS - (20.0, 40.0, 60.0)[i % 3]) / 20.0)
                yield Recording(np.asarray(wet + noise, np.float32), RATE)

    def readers() -> Iterator[Recording]:
        for take in (*real(), *speech.unlabelled()[1:], *speech.labelled()):
            yield Recording(take.samples, take.rate)

    return {
        "noise 15 to 75 dB below": noisy(),
        "hum, whine, beating fans": hummed(),
        "gates and noise reduction": treated(),
        "rooms of 0.2 to 1.5 s, noise 20 to 60 dB below": reverberant(),
        "real readers as they are": readers(),
        "demo session": (read(path) for path in sorted(FOLDER.glob("0*.flac"))),
    }


def false_table() -> str:
    """Return how often takes without music are said to hold some."""
    lines = ["| takes without music | minutes | called music | not told |", "|---|---|---|---|"]
    for name, recordings in without_music().items():
        minutes, called, unsure = 0.0, 0, 0
        for recording in recordings:
            found = processing.measure(recording).music_bed
            minutes += recording.duration_s / 60.0
            called += found is True
            unsure += found is None
        lines.append(f"| {name} | {minutes:.1f} | {called} | {unsure} |")
    return "\n".join(lines)


def main() -> None:
    """Measure, and write the section."""
    table, level = found_table()
    names = sorted({name for name, _ in excerpts(RATE)})
    body = f"""
Takes: {len(speech.TEST_VOICES)} synthetic voices x 4 takes of two or three lines, each over two of
{len(excerpts(RATE))} excerpts of {len(names)} pieces ({", ".join(names)}; from the Debian packages
tuxmath-data, pathological and funnyboat). Tuned on other voices (three synthetic ones, VCTK
readers, prompts of telephone systems, these also in simulated rooms) and other pieces (of the
packages hyperrogue-music, planetblupi-music-ogg, frozen-bubble-data and pinball-data).

Shares of the takes in which music was found, over its level, the pauses between the lines, and the
noise of the room re speech. Not told: too little of the take is 18 dB below the speech for 0.35 s,
or no half second before the first word is, which is to tell music from an echo of the voice. (That
was asked for after a first look at these takes, because voices in recorded room responses with a
noisy end had been called music.)

{table}

Its level, where it is 10 dB and more over the noise, reads {level}: what is heard in the soft
moments is the softer part of the music.

{false_table()}
"""
    write_section("music", "Music under the voice", body)


if __name__ == "__main__":
    main()
