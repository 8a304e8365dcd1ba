"""How near the reverberation estimated from speech comes to the room's own.

``python -m tests.accuracy.reverberation [--voices FOLDER]`` tests the coefficients that the package
ships on simulated rooms and on speakers that they were not fitted on. Needs the ``training`` extra,
for the simulation.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from tests.accuracy.sections import write_section
from tests.material import outside
from tests.material.dry_voices import Voice, voices
from tests.material.room_takes import Take, take
from tests.material.simulated_rooms import Room, rooms
from vocheck.measurements.reverberation import C50_RANGE_DB, Reverberation, pool

ROOMS = outside.CACHE / "simulated-rooms"
SEEDS = range(100_000, 100_120)  # training counts from 0
SNRS_DB = (25.0, 35.0, 45.0, 60.0)
LINES = 5
RANGE_S = (0.1, 0.8)

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """One estimate beside its truth."""

    found: Reverberation
    room: Room
    snr_db: float
    voice: str

    @property
    def held(self) -> bool:
        """Whether the interval holds the truth."""
        low_s, high_s = self.found.rt60_low_s, self.found.rt60_high_s
        return low_s is not None and high_s is not None and low_s <= self.room.rt60_s <= high_s


def main(folder: Path | None, training: Sequence[Take] = (), processes: int | None = None) -> None:
    """Measure, and write the section; with training takes, also fit across generators."""
    simulated = [
        room
        for kind in ("shoebox", "shaped_noise")
        for room in rooms(kind, SEEDS, ROOMS, processes)
        if room.straight and RANGE_S[0] <= room.rt60_s <= RANGE_S[1]
    ]
    readers = voices(folder, testing=True)
    rng = np.random.default_rng(5)
    chances = np.array([0.25 if voice.synthetic else 1.0 for voice in readers])
    chances /= chances.sum()

    def reader() -> Voice:
        return readers[rng.choice(len(readers), p=chances)]

    takes = [take(room, reader(), 12.0, snr_db, rng) for room in simulated for snr_db in SNRS_DB]
    long = [Case(pool([one.decays]), one.room, one.snr_db, one.voice) for one in takes]
    single, pooled = [], []
    for room in simulated:
        voice = reader()
        lines = [take(room, voice, 3.1, 45.0, rng).decays for _ in range(LINES)]
        single += [Case(pool([line]), room, 45.0, voice.name) for line in lines]
        pooled.append(Case(pool(lines), room, 45.0, voice.name))

    quiet = [case for case in long if case.snr_db >= 35.0]
    rows: list[tuple[str, list[Case]]] = [
        ("12 s, SNR 35 dB and more", quiet),
        *((f"12 s, SNR {snr:.0f} dB", [c for c in long if c.snr_db == snr]) for snr in SNRS_DB),
        ("same, shoebox rooms only", [c for c in quiet if c.room.kind == "shoebox"]),
        ("same, shaped noise only", [c for c in quiet if c.room.kind == "shaped_noise"]),
        ("one line of 3 s", single),
        ("five lines of 3 s pooled", pooled),
    ]
    fields = (
        *("takes", "refused", "bias s", "median error s", "RMSE s", "r", "rule: median error s"),
        *("90 % interval holds", "high / low, median", "C50 RMSE dB"),
    )
    table = [_row(("", *fields)), _row("---" for _ in range(len(fields) + 1))]
    table += [_row((name, *_scores(cases))) for name, cases in rows]
    held = {case.voice: [c.held for c in quiet if c.voice == case.voice] for case in quiet}
    by_voice = [float(np.mean(share)) for share in held.values()]
    real = sorted(voice.name for voice in readers if not voice.synthetic)
    text = f"""
Tested on {len(simulated)} simulated rooms (of two generators, {RANGE_S[0]} to {RANGE_S[1]} s)
and on {len(readers)} speakers ({", ".join(real)} and {len(readers) - len(real)} synthetic ones),
none of them in the training set. The truth is T30 of the noise-free response after its direct
sound, mean of the octaves 500 Hz to 2 kHz.

Earlier fits were scored here too. What this one looks at, its size and what it learned from were
chosen on rooms and voices held out of the training set. It was scored here twice: the first time
the interval was wider (97.9 % held), because it was fitted without the rule that widens it, too,
and for all takes alike; the networks are the same.

""" + "\n".join(table)
    text += f"""

In the first row the interval holds the truth in {min(by_voice):.0%} (the hardest speaker) to
{max(by_voice):.0%} of the takes; {np.mean(by_voice):.1%} where every speaker counts alike.
"""
    if training:
        text += _across(training, [one for one in takes if one.snr_db >= 35.0], processes)
    write_section("reverberation", "Reverberation time from speech", text)


def _row(cells: Iterable[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def _scores(cases: Sequence[Case]) -> list[str]:
    """Return the cells of one row."""
    answered = [case for case in cases if case.found.rt60_s is not None]
    if not answered:
        return [str(len(cases)), str(len(cases)), *["-"] * 8]

    def get(fact: Callable[[Case], float | None]) -> Array:
        return np.array([fact(case) for case in answered], float)

    truth, found = get(lambda c: c.room.rt60_s), get(lambda c: c.found.rt60_s)
    low, high = get(lambda c: c.found.rt60_low_s), get(lambda c: c.found.rt60_high_s)
    c50 = get(lambda c: c.found.c50_db) - np.clip(get(lambda c: c.room.c50_db), *C50_RANGE_DB)
    error, rule_error = found - truth, get(lambda c: c.found.rule_rt60_s) - truth
    return [
        str(len(cases)),
        str(len(cases) - len(answered)),
        f"{error.mean():+.3f}",
        f"{np.median(np.abs(error)):.3f}",
        f"{np.sqrt(np.mean(error**2)):.3f}",
        f"{np.corrcoef(truth, found)[0, 1]:.3f}",
        f"{np.median(np.abs(rule_error)):.3f}",
        f"{np.mean([case.held for case in answered]):.1%}",
        f"{np.median(high / low):.2f}",
        f"{np.sqrt(np.mean(c50**2)):.1f}",
    ]


def _across(training: Sequence[Take], tested: Sequence[Take], processes: int | None) -> str:
    """Fit on one kind of room and test on the other: how much a simulator flatters."""
    from tests.training.reverberation.fit import examples, networks, predict

    lines = [
        "",
        "",
        "Fitted on one generator and tested on the other (one network; 12 s, SNR 35 dB and more):",
        "",
        _row(("fitted on", "tested on", "bias s", "median error s", "RMSE s", "r")),
        _row("---" for _ in range(6)),
    ]
    pairs = (("shoebox", "shaped_noise"), ("shaped_noise", "shoebox"))
    jobs = [(examples([t for t in training if t.room.kind == kind]), 0) for kind, _ in pairs]
    for (kind, other), fitted in zip(pairs, networks(jobs, processes), strict=True):
        data = examples([one for one in tested if one.room.kind == other])
        truth, found = np.exp(data.truth[:, 0]), np.exp(predict(fitted, data)[:, 0])
        error = found - truth
        numbers = (
            f"{error.mean():+.3f}",
            f"{np.median(np.abs(error)):.3f}",
            f"{np.sqrt(np.mean(error**2)):.3f}",
            f"{np.corrcoef(truth, found)[0, 1]:.3f}",
        )
        lines.append(_row((kind, other, *numbers)))
    return "\n".join(lines)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.reverberation")
    parser.add_argument("--voices", type=Path, help="anechoic recordings, SPEAKER_ANYTHING.flac")
    main(parser.parse_args().voices)
