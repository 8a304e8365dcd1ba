"""Which reverberation time is told of a room whose decay is bent: T20 or T30.

Run as ``python -m tests.accuracy.bent_decays --voices FOLDER``.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from scipy.signal import oaconvolve

from tests.accuracy.sections import write_section
from tests.material.simulated_rooms import RATE_HZ, Room, describe
from tests.training import takes as material
from vocheck.measurements import reverberation
from vocheck.recording import Recording

READER = "p227"
ROOMS = 18
SENTENCES = 3
NOISE = 1e-4  # of full scale
SEED = 1


def bent_rooms() -> Iterator[Room]:
    """Yield noise that decays twice: the second time two to three times as slowly."""
    rng = np.random.default_rng(SEED)
    for seed in range(ROOMS):
        early_s = rng.uniform(0.15, 0.35)
        late_s = early_s * rng.uniform(1.8, 3.0)
        late_db, direct_db = rng.uniform(-24.0, -14.0), rng.uniform(3.0, 12.0)
        t = np.arange(int(1.2 * RATE_HZ)) / RATE_HZ
        power = 10 ** (-6 * t / early_s) + 10 ** (late_db / 10) * 10 ** (-6 * t / late_s)
        h = rng.standard_normal(len(t)) * np.sqrt(power)
        h[: RATE_HZ // 400] = 0.0
        h *= 10 ** (-direct_db / 20) / np.linalg.norm(h)
        h = np.concatenate((np.zeros(20), h))
        h[20] = 1.0
        room = describe("bent", seed, h.astype(np.float32))
        if room is not None:
            yield room


def main() -> None:
    """Measure, and write the section."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--voices", type=Path, required=True, help="SPEAKER_NUMBER.flac")
    known = material.readers(parser.parse_args().voices)
    reader = next(one for one in known if one.name == READER)
    pause = np.zeros(RATE_HZ // 2, np.float32)
    rows = []
    for number, room in enumerate(bent_rooms()):
        chosen = [(number + i) % len(reader.sentences) for i in range(SENTENCES)]
        dry = np.concatenate([pause, *(reader.sentences[i] for i in chosen), pause])
        dry = material.resampled(dry, reader.rate, RATE_HZ)
        x = oaconvolve(dry, room.response)[: len(dry)]
        x = x + NOISE * np.random.default_rng(number).standard_normal(len(x))
        found = reverberation.measure(Recording(x.astype(np.float32), RATE_HZ))
        if found.rt60_s is not None and found.rt60_low_s and found.rt60_high_s:
            t20_s = room.rt60_s / room.curvature
            rows.append((found.rt60_s, found.rt60_low_s, found.rt60_high_s, t20_s, room.rt60_s))
    told, low, high, t20, t30 = np.array(rows).T
    lines = ["| | told over it, median | rms | 90 % interval holds it |", "|---|---|---|---|"]
    for name, true in (("T20", t20), ("T30", t30)):
        off = np.log(told / true)
        holds = np.mean((low <= true) & (true <= high))
        spread = np.sqrt(np.mean(off**2))
        lines.append(f"| {name} | {np.expm1(np.median(off)):+.0%} | {spread:.0%} | {holds:.0%} |")
    body = f"""
{len(rows)} simulated rooms whose decay falls 1.8 to 3 times as slowly from 14 to 24 dB down on,
{SENTENCES} sentences of {READER} (VCTK) in each. Truth: T20 and T30 of the response after its
direct sound, mean of 500 Hz to 2 kHz; T30 is {np.mean(t30 / t20) - 1:.0%} longer in the mean.

{chr(10).join(lines)}
"""
    write_section("bent_decays", "Reverberation time of bent decays", body)
    print(body)


if __name__ == "__main__":
    main()
