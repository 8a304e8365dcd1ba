"""Make the takes, leave one voice out after the other, fit, and write the coefficients."""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

import vocheck.measurements
from tests.training.sibilance.fit import Take, fit, leave_one_out, rates, threshold
from tests.training.sibilance.takes import takes
from tests.training.sibilance.voices import voices
from vocheck.measurements.sibilance import COEFFICIENTS


def main() -> None:
    """Run the whole chain; every step is seeded."""
    parser = argparse.ArgumentParser(prog="python -m tests.training.sibilance", description=__doc__)
    parser.add_argument("--voices", type=Path, help="recordings of VCTK, SPEAKER_NUMBER.flac")
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    known = voices(options.voices)
    weights = {voice.name: voice.weight for voice in known}
    made = [Take.of(voice, take) for voice in known for take in takes(voice, options.seed)]
    minutes = sum(len(take.frames.speech) for take in made) * 0.005 / 60
    print(f"{len(made)} takes of {len(known)} voices, {minutes:.0f} minutes", flush=True)
    scored = leave_one_out(made, weights, options.seed)
    least = threshold(scored, weights)
    found = rates(scored, least)
    for name, (recall, precision) in found.items():
        print(f"{name:24} recall {recall:.2f}  precision {precision:.2f}")
    share = np.array(list(weights.values())) / sum(weights.values())
    recall, precision = share @ np.array([found[name] for name in weights])
    print(f"mean by weight: recall {recall:.3f}, precision {precision:.3f} at {least:.2f}")
    coefficients = fit(made, weights, options.seed)
    coefficients["out_at"] -= least
    folder = Path(vocheck.measurements.__path__[0])
    np.savez_compressed(folder / COEFFICIENTS, **coefficients)  # type: ignore[arg-type]


if __name__ == "__main__":
    main()
