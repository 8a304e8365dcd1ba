"""Simulate, fit, export, and write the accuracy tables."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import vocheck.measurements
from tests.accuracy import reverberation as accuracy
from tests.material.dry_voices import voices
from tests.material.room_takes import random_takes
from tests.material.simulated_rooms import SHORTEST_S, rooms
from tests.training.reverberation.fit import fit
from vocheck.measurements.reverberation import COEFFICIENTS


def main() -> None:
    """Run the whole chain; every step is seeded."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.training.reverberation", description=__doc__
    )
    parser.add_argument("--voices", type=Path, help="anechoic recordings, SPEAKER_ANYTHING.flac")
    parser.add_argument("--cache", type=Path, default=accuracy.ROOMS, help="where rooms are kept")
    parser.add_argument("--shoeboxes", type=int, default=1200, help="rooms of that kind")
    parser.add_argument("--noises", type=int, default=1200, help="rooms of shaped noise")
    parser.add_argument("--takes", type=int, default=30_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--processes", type=int, help="as many as there are cores if not given")
    options = parser.parse_args()

    start = time.monotonic()
    simulated = [
        *rooms("shoebox", range(options.shoeboxes), options.cache, options.processes),
        *rooms("shaped_noise", range(options.noises), options.cache, options.processes),
    ]
    simulated = [room for room in simulated if room.rt60_s >= SHORTEST_S]
    _say(start, f"{len(simulated)} rooms")
    readers = voices(options.voices, testing=False)
    takes = random_takes(simulated, readers, options.takes, options.seed, options.processes)
    _say(start, f"{len(takes)} takes of {len(readers)} voices")
    coefficients = Path(vocheck.measurements.__path__[0]) / COEFFICIENTS
    fit(takes, options.seed, coefficients, options.processes)
    _say(start, "fitted")
    accuracy.main(options.voices, takes, options.processes)
    _say(start, "accuracy tables written")


def _say(start: float, message: str) -> None:
    print(f"{time.monotonic() - start:6.0f} s  {message}", flush=True)


if __name__ == "__main__":
    main()
