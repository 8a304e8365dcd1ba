"""Level: closed forms of ITU-T P.56, and its text carried out sample by sample on readers.

Run as ``python -m tests.accuracy.level``.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.signal import lfilter

from tests.accuracy.sections import write_section
from tests.conformance.test_p56 import bursts, level_of_bursts
from tests.material.carriers import carriers
from vocheck.measurements import level
from vocheck.recording import Recording
from vocheck.voice.level import active_level

RATE = 48_000
GAINS_DB = (-40.0, -17.3, 0.0, 6.0)


def by_the_text(x: np.ndarray, rate: int) -> float:
    """Return the active level as clause 6.4 of ITU-T P.56 (12/2011) has it, Method B.

    The envelope is taken at every sample, and activity is counted at thresholds of powers of two;
    between the two of them where the margin of 15.9 dB is passed, level and threshold are
    interpolated in decibels. Nothing of it is shared with the code that is measured here.
    """
    x = x.astype(np.float64)
    g = math.exp(-1.0 / (rate * 0.03))
    envelope = np.abs(x)
    for _ in range(2):
        envelope = lfilter([1.0 - g], [1.0, -g], envelope)
    energy, hang = float(np.sum(x**2)), round(0.2 * rate)
    above = None
    for power in range(-24, 1):
        threshold = 2.0**power
        index = np.flatnonzero(envelope >= threshold)
        if not len(index):
            break
        gaps = np.diff(index, append=len(x)) - 1
        active = len(index) + int(np.minimum(gaps, hang).sum())
        a, c = 10.0 * math.log10(energy / active), 20.0 * math.log10(threshold)
        excess = a - c - 15.9
        if excess <= 0.0 and above is not None:
            share = above[1] / (above[1] - excess)
            return above[0] + share * (a - above[0])
        above = (a, excess)
    return math.nan


def main() -> None:
    """Measure and write the section."""
    lines = ["| tone bursts, every 4 s | closed form, dBFS | greatest error, dB |", "|---|---|---|"]
    for on_s in (0.3, 1.0, 2.0, 3.2):
        asked = level_of_bursts(on_s, 4.0)
        errors = [
            active_level(bursts(on_s, 4.0, 15) * np.float32(10 ** (g / 20)), RATE).dbfs - g - asked
            for g in GAINS_DB
        ]
        lines.append(f"| {on_s:g} s | {asked:.2f} | {max(map(abs, errors)):.3f} |")
    apart, moved = [], []
    for carrier in carriers():
        x = carrier.samples.astype(np.float32)
        mine = active_level(x, carrier.rate).dbfs
        apart.append(mine - by_the_text(x, carrier.rate))
        moved += [
            active_level(x * np.float32(10 ** (g / 20)), carrier.rate).dbfs - g - mine
            for g in GAINS_DB
        ]
    t = np.arange(10 * RATE) / RATE
    sine = (0.5 * np.sin(2 * np.pi * 300 * t)).astype(np.float32)
    square = np.where(np.arange(10 * RATE) % 480 < 240, 1.0, -1.0).astype(np.float32)
    forms = []
    for name, x, rms, crest in (
        ("sine of half scale", sine, 20 * math.log10(0.5 / math.sqrt(2)), 20 * math.log10(2) / 2),
        ("square of full scale", square, 0.0, 0.0),
    ):
        found = level.measure(Recording(x, RATE))
        forms.append(f"| {name}: RMS | {rms:.2f} | {abs(found.rms_dbfs - rms):.3f} |")
        forms.append(f"| {name}: crest | {crest:.2f} | {abs(found.crest_db - crest):.3f} |")
    text = "\n".join(
        [
            "The active speech level of ITU-T P.56, Method B. Tone bursts have a closed form"
            f" (`tests/conformance/test_p56.py`); read at {len(GAINS_DB)} gains:",
            "",
            *lines,
            *forms,
            "",
            f"On {len(carriers())} readers of which nothing was tuned on, the text of the"
            " Recommendation was carried out a second time, at every sample and with its grid of"
            " thresholds of 6 dB; the script holds that code, which shares nothing with vocheck's."
            f" The two differ by {min(apart):+.2f} to {max(apart):+.2f} dB, in the mean by"
            f" {np.mean(apart):+.2f}: the grid interpolates between levels 6 dB apart, vocheck"
            f" seeks the threshold itself. A gain of {GAINS_DB[0]:g} to {GAINS_DB[-1]:+g} dB moves"
            f" vocheck's reading by itself to {max(map(abs, moved)):.3f} dB.",
        ]
    )
    write_section("level", "Level", text)


if __name__ == "__main__":
    main()
