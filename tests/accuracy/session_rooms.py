"""How surely a session that changes its room is told, and how often one that does not.

Run as ``python -m tests.accuracy.session_rooms``.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

import numpy as np
from scipy.signal import oaconvolve

from tests.accuracy.sections import write_section
from tests.material import outside
from tests.material.handmade import take as handmade
from tests.material.simulated_rooms import RATE_HZ, Room, rooms
from tests.training import takes as material
from vocheck.measurements import reverberation
from vocheck.policy.every import Policy
from vocheck.recording import Recording
from vocheck.takes.rooms import room_changes

RT60_S = (0.19, 0.28, 0.34)
WITHIN = 0.06  # of each time: rooms that count as of that time
EACH = 4  # rooms of each time
LINES = 5  # before the change, and after it
SESSIONS = 200
SHORTEST_S = 3.0
SNR_DB = (45.0, 60.0)
SEED = 7
_CHANGES = ((0.19, 0.28), (0.19, 0.34), (0.28, 0.19))


@dataclass(frozen=True)
class Heard:
    """What one take tells of its room; None where it tells nothing."""

    reader: str
    sentence: int
    rt60_s: float
    room: int
    found: tuple[float, float, float, float] | None


def heard(job: tuple[material.Reader, int, float, int, Room]) -> Heard:
    """Measure one sentence in one room."""
    reader, number, rt60_s, index, room = job
    rng = np.random.default_rng((SEED, number, index))
    dry = material.resampled(reader.sentences[number], reader.rate, RATE_HZ)
    pause = np.zeros(RATE_HZ // 2, np.float32)
    x = oaconvolve(np.concatenate((pause, dry, pause)), room.response)[: len(dry) + RATE_HZ]
    level = 10.0 ** ((material.SPEECH_DBFS - rng.uniform(*SNR_DB)) / 20.0)
    x = x + level * material.noise(len(x), RATE_HZ, rng)
    told = reverberation.measure(Recording(x.astype(np.float32), RATE_HZ))
    found = None
    if told.rt60_s is not None:
        found = (told.rt60_s, told.rt60_low_s or 0.0, told.rt60_high_s or 0.0, told.c50_db or 0.0)
    return Heard(reader.name, number, rt60_s, index, found)


def near(rt60_s: float) -> list[Room]:
    """Return simulated rooms of about one reverberation time, their decays straight."""
    return [room for room in _rooms() if room.straight and _alike(room.rt60_s, rt60_s)][:EACH]


def _alike(a: float, b: float) -> bool:
    return abs(np.log(a / b)) < WITHIN


@cache
def _rooms() -> list[Room]:
    return rooms("shaped_noise", range(50_000, 50_300), outside.CACHE / "session-rooms", 1)


def session(
    told: Sequence[Heard], parts: Sequence[float], rng: np.random.Generator
) -> tuple[bool, bool]:
    """Draw one session; return whether a change is told, and whether from its first take on.

    One reader, one room for each part, every take another sentence.
    """
    readers = sorted({one.reader for one in told})
    reader = readers[int(rng.integers(len(readers)))]
    own = [one for one in told if one.reader == reader]
    order = rng.permutation(sorted({one.sentence for one in own}))
    takes = []
    for part, rt60_s in enumerate(parts):
        room = int(rng.choice(sorted({o.room for o in own if o.rt60_s == rt60_s})))
        for number in order[part * LINES : (part + 1) * LINES]:
            one = next(o for o in own if (o.sentence, o.rt60_s, o.room) == (number, rt60_s, room))
            rt, low, high, c50 = one.found or (None, None, None, None)
            takes.append(
                handmade(
                    len(takes) + 1,
                    reverberation__rt60_s=rt,
                    reverberation__rt60_low_s=low,
                    reverberation__rt60_high_s=high,
                    reverberation__c50_db=c50,
                )
            )
    changes = room_changes(takes, Policy().drift)
    second = {take.path for take in takes[LINES:]}
    exact = any({*c.paths} in (second, {t.path for t in takes[:LINES]}) for c in changes)
    return bool(changes), exact


def _same_room(told: Sequence[Heard], rt60_s: float, rng: np.random.Generator) -> bool:
    """Draw a session of one room, and return whether a change is told."""
    room = int(rng.choice(sorted({o.room for o in told if o.rt60_s == rt60_s})))
    return session([o for o in told if o.room == room], (rt60_s, rt60_s), rng)[0]


def main() -> None:
    """Measure, draw sessions, and write the section."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--voices", type=Path, required=True, help="SPEAKER_NUMBER.flac")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    options = parser.parse_args()
    readers = [
        reader for reader in material.readers(options.voices) if len(_long(reader)) >= 2 * LINES
    ]
    jobs = [
        (reader, number, rt60_s, index, room)
        for reader in readers
        for number in _long(reader)
        for rt60_s in RT60_S
        for index, room in enumerate(near(rt60_s), start=round(1000 * rt60_s) * 100)
    ]
    with ProcessPoolExecutor(options.workers) as pool:
        told = list(pool.map(partial(heard), jobs, chunksize=4))
    rng = np.random.default_rng(SEED)
    rows = []
    for before, after in _CHANGES:
        found = np.array([session(told, (before, after), rng) for _ in range(SESSIONS)])
        share, exact = found.mean(axis=0)
        rows.append(f"| {before} to {after} s | {SESSIONS} | {share:.3f} | {exact:.3f} |")
    for rt60_s in RT60_S:
        false = np.mean([_same_room(told, rt60_s, rng) for _ in range(SESSIONS)])
        rows.append(f"| {rt60_s} s throughout | {SESSIONS} | {false:.3f} | - |")
    nothing = np.mean([one.found is None for one in told])
    body = f"""
Readers {", ".join(reader.name for reader in readers)} (VCTK), one sentence a take, in
simulated rooms (shaped noise, `tests.material.simulated_rooms`, decays straight, within
{WITHIN:.0%} of the time named). A session is one reader: {LINES} sentences in one room,
then {LINES} others in another, or in the same. Mouth and microphone stand elsewhere in each room,
so that the clarity differs as well. {nothing:.0%} of the takes are too short or hold too few
decays and tell nothing. The rule (`[drift]` in booth.toml) was written before this was measured. A
session "is told" if any of its takes are called recorded elsewhere; "to the take": if exactly those
of one half are.

| reverberation time | sessions | told | to the take |
|---|---|---|---|
{chr(10).join(rows)}
"""
    write_section("session_rooms", "A session that changes its room", body)
    print(body)


def _long(reader: material.Reader) -> list[int]:
    """Return which sentences are long enough to tell a room."""
    least = SHORTEST_S * reader.rate
    return [i for i, x in enumerate(reader.sentences) if len(x) >= least]


if __name__ == "__main__":
    main()
