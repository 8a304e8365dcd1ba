"""Accuracy of hum and whine."""

from __future__ import annotations

import math

import numpy as np

from tests.accuracy.sections import write_section
from tests.material.planted import HARMONICS, SPECTRA, mains
from tests.material.takes import RATE, SPEECH_DBFS, WHAT, clean, in_room, real, scaled
from vocheck.measurements import hum
from vocheck.recording import Recording

ROOM_DB = -55.0
HUMS_DB = (-30.0, -40.0, -50.0, -60.0, -70.0)
WHINES_DB = (-50.0, -60.0, -70.0, -80.0)


def hum_table() -> str:
    lines = [
        "| hum re speech | found | wrong mains | level error rms |",
        "|---|---|---|---|",
    ]
    for level in HUMS_DB:
        found, wrong, errors = 0, 0, []
        for seed, take in enumerate(clean()):
            rng = np.random.default_rng(seed)
            truth = (50, 60)[seed % 2]
            added = mains(
                len(take.samples), truth + rng.uniform(-0.1, 0.1), seed % len(SPECTRA), rng
            )
            x = in_room(take, ROOM_DB, rng) + scaled(added, SPEECH_DBFS + level)
            result = hum.measure(Recording(x, RATE))
            found += result.mains_hz == truth
            wrong += result.mains_hz not in (None, truth)
            if result.mains_hz == truth:
                errors.append(result.level_dbfs - (SPEECH_DBFS + level))
        rms = f"{math.sqrt(np.mean(np.square(errors))):.2f}" if errors else "-"
        lines.append(f"| {level:.0f} dB | {found / len(clean()):.2f} | {wrong} | {rms} |")
    return "\n".join(lines)


def whine_table() -> str:
    lines = ["| tone re speech | found | level error rms | other tones |", "|---|---|---|---|"]
    for level in WHINES_DB:
        found, others, errors = 0, 0, []
        for seed, take in enumerate(clean()):
            rng = np.random.default_rng(seed)
            hz = math.exp(rng.uniform(math.log(300.0), math.log(16_000.0)))
            tone = np.sin(2 * np.pi * hz * np.arange(len(take.samples)) / RATE)
            x = in_room(take, ROOM_DB, rng) + scaled(tone, SPEECH_DBFS + level)
            tones = hum.measure(Recording(x, RATE)).tones or ()
            hits = [t for t in tones if abs(t.frequency_hz - hz) < 3.0]
            found += bool(hits)
            others += len(tones) - len(hits)
            errors += [t.level_dbfs - (SPEECH_DBFS + level) for t in hits[:1]]
        rms = f"{math.sqrt(np.mean(np.square(errors))):.2f}" if errors else "-"
        lines.append(f"| {level:.0f} dB | {found / len(clean()):.2f} | {rms} | {others} |")
    return "\n".join(lines)


def false_alarms() -> str:
    hums = tones = 0
    for seed, take in enumerate(clean()):
        result = hum.measure(Recording(in_room(take, ROOM_DB, np.random.default_rng(seed)), RATE))
        hums += result.mains_hz is not None
        tones += len(result.tones or ())
    own = []
    for take in real():
        result = hum.measure(Recording(take.samples, RATE))
        mains_found = "no hum" if result.mains_hz is None else f"{result.mains_hz} Hz"
        own.append(f"{take.name}: {mains_found}, {len(result.tones or ())} tones")
    return (
        f"Without hum or tone, {len(clean())} takes gave {hums} hums and {tones} tones. "
        f"Real readers as they are: {'; '.join(own)}."
    )


def main() -> None:
    body = f"""
{WHAT}

Room noise at {ROOM_DB:.0f} dB re speech. Hum of {HARMONICS} multiples, three spectra (ground loop,
transformer, dimmer), half of it 50 and half 60 Hz, within 0.1 Hz, wandering.

{hum_table()}

A sine from 300 Hz to 16 kHz:

{whine_table()}

{false_alarms()}
"""
    write_section("hum", "Hum and whine", body)


if __name__ == "__main__":
    main()
