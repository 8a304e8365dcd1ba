"""Accuracy of the pickup match: known differences told back, and silence where there are none.

``python -m tests.accuracy.match`` tests on voices and lines that nothing was set up on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.signal import fftconvolve

from tests.accuracy.sections import write_section
from tests.material import readings, speech
from tests.material.readings import RATE, Reading
from vocheck.recording import Recording
from vocheck.session.take import TakeResult, check_recording
from vocheck.takes.match import EQ_BANDS_HZ, MatchResult, match_results

Samples = npt.NDArray[np.float32]

PAUSE_S = 0.6
FLOOR_DB = -60.0
"""Of the room noise, re the voice."""
BOOTH_S, ROOMS_S = 0.15, (0.25, 0.35, 0.5)
REVERBERANT_DB = {0.15: -18.0, 0.25: -10.0, 0.35: -7.0, 0.5: -4.0}
"""Energy of the decay re the direct sound, by reverberation time."""
CURVES_DB: dict[str, dict[float, float]] = {
    "4 dB less below 250 Hz": {63: -4, 125: -4, 250: -4},
    "4 dB more below 250 Hz": {63: 4, 125: 4, 250: 4},
    "5 dB more at 2 and 4 kHz": {2000: 5, 4000: 5},
    "6 dB less at 8 kHz": {8000: -6},
}
NAMES = ("level", "tone", "noise", "room", "reverberation", "pitch", "pace")


def joined(parts: Sequence[Reading]) -> Reading:
    """Return several readings by one voice as one, with pauses between them."""
    gap = np.zeros(round(PAUSE_S * parts[0].rate), np.float32)
    samples = np.concatenate([piece for part in parts for piece in (part.samples, gap)][:-1])
    text = " ".join(part.text for part in parts)
    return Reading(parts[0].voice, text, samples, parts[0].rate, ())


def response(rt60_s: float, seed: int = 0) -> npt.NDArray[np.float64]:
    """Return a room's response: the direct sound, and noise that decays from 2 ms on."""
    rng = np.random.default_rng(seed)
    frames = round(rt60_s * RATE)
    decay = rng.standard_normal(frames) * 10 ** (-3 * np.arange(frames) / frames)
    decay[: RATE // 500] = 0
    decay *= 10 ** (REVERBERANT_DB[rt60_s] / 20) / np.sqrt(np.sum(decay**2))
    decay[0] = 1.0
    return decay


def clarity_db(rir: npt.NDArray[np.float64]) -> float:
    """Return C50 of a response."""
    early = round(0.05 * RATE)
    return float(10 * np.log10(np.sum(rir[:early] ** 2) / np.sum(rir[early:] ** 2)))


def take(
    reading: Reading,
    *,
    line: str,
    rt60_s: float = BOOTH_S,
    noise_db: float = FLOOR_DB,
    change: Callable[[Samples], Samples] | None = None,
    seed: int = 0,
) -> TakeResult:
    """Return a reading as it is measured when recorded in a booth, and then changed."""
    dry = Reading(
        reading.voice, reading.text, speech.soxr.resample(reading.samples, reading.rate, RATE),
        RATE, (),
    )  # fmt: skip
    wet = fftconvolve(dry.samples, response(rt60_s, seed)).astype(np.float32)
    recording, _ = Reading(dry.voice, dry.text, wet, RATE, ()).take(noise_db=noise_db, seed=seed)
    samples = recording.voice if change is None else change(recording.voice)
    return check_recording(Recording(samples.astype(np.float32), RATE), line=line)


def gain(db: float) -> Callable[[Samples], Samples]:
    """Return what turns a take up."""
    return lambda x: x * np.float32(10 ** (db / 20))


def equalizer(curve_db: dict[float, float]) -> Callable[[Samples], Samples]:
    """Return what bends a take's spectrum: octaves by their gain, straight lines in between."""

    def apply(x: Samples) -> Samples:
        spectrum = np.fft.rfft(x)
        hz = np.maximum(np.fft.rfftfreq(len(x), 1 / RATE), 1.0)
        gains = np.interp(
            np.log2(hz), np.log2(EQ_BANDS_HZ), [curve_db.get(c, 0.0) for c in EQ_BANDS_HZ]
        )
        return np.fft.irfft(spectrum * 10 ** (gains / 20), len(x)).astype(np.float32)

    return apply


@dataclass(frozen=True)
class Pair:
    """Two readings by one voice: of one line, or of different ones."""

    voice: str
    same_line: bool
    first: Reading
    second: Reading

    def match(self, **changes: Any) -> MatchResult:
        """Return the match of the second, recorded otherwise, against the first."""
        return match_results(_reference(self), take(self.second, line="a", seed=1, **changes))


@cache
def _reference(pair: Pair) -> TakeResult:
    return take(pair.first, line="a" if pair.same_line else "b")


def pairs() -> list[Pair]:
    """Return faultless pairs: a line read twice by voices, other words by real readers."""
    made = []
    thirds = [speech.TEST_LINES[k : k + 3] for k in (0, 3, 6)]
    for voice in (readings.NEURAL, "slt"):
        for lines in thirds:
            # The neural voice times each reading anew; the other one is slowed down a little.
            takes = [
                joined([readings.read_aloud(line, voice, pace) for line in lines])
                for pace in (1.0, 1.04)
            ]
            made.append(Pair(voice, True, *takes))
    real = readings.real_readings()
    prompts = [r for r in real if r.voice == "prompts"]
    groups = [joined(prompts[k : k + 6]) for k in (0, 6, 12, 18)]
    book = next(r for r in real if r.voice == "book")
    length = len(book.samples) // 4
    parts = [
        Reading("book", "", book.samples[k * length : (k + 1) * length], book.rate, ())
        for k in range(4)
    ]
    for voice, takes in (("prompts (real)", groups), ("book (real)", parts)):
        made += [Pair(voice, False, a, b) for a, b in combinations(takes, 2)]
    return made


def told(result: MatchResult, name: str) -> float | None:
    """Return a difference by its name."""
    return next(
        d.difference for d in result.differences if d.name.removesuffix("_other_text") == name
    )


def faultless_table(everything: Sequence[Pair]) -> str:
    """Return how large the differences of faultless pairs are, and which passed their tolerance."""
    rows = [
        "| pairs | count | " + " | ".join(NAMES) + " | said to match |",
        "|---|---|" + "---|" * (len(NAMES) + 1),
    ]
    for voice in dict.fromkeys(pair.voice for pair in everything):
        mine = [pair for pair in everything if pair.voice == voice]
        results = [pair.match() for pair in mine]
        cells = []
        for name in NAMES:
            values = [abs(v) for r in results if (v := told(r, name)) is not None]
            over = sum(
                d.verdict not in (None, "matches")
                for r in results
                for d in r.differences
                if d.name.removesuffix("_other_text") == name
            )
            digits = 2 if name == "reverberation" else 1
            text = f"{np.median(values):.{digits}f} / {max(values):.{digits}f}" if values else "–"
            cells.append(text + (f" (**{over}**)" if over else ""))
        what = "one line" if mine[0].same_line else "other words"
        matches = sum(r.verdict == "matches" for r in results)
        rows.append(
            f"| {voice}, {what} | {len(mine)} | {' | '.join(cells)} | {matches} of {len(mine)} |"
        )
        print(rows[-1], flush=True)
    return "\n".join(rows)


def errors_row(what: str, unit: str, truth: str, errors: Sequence[float], said: int) -> str:
    """Return a row: median and greatest error, and how often a difference was told at all."""
    size = np.abs(errors)
    row = (
        f"| {what} | {truth} | {np.median(size):.2g} / {size.max():.2g} {unit} "
        f"| {said} of {len(errors)} |"
    )
    print(row, flush=True)
    return row


def known_table(everything: Sequence[Pair]) -> str:
    """Return how well known differences are told, over and above the pair's own."""
    rows = ["| made | by | error: median / greatest | told as a difference |", "|---|---|---|---|"]
    some = everything[::3]

    def row(what: str, name: str, unit: str, truth: float, label: str, changes: dict) -> None:
        errors, said = [], 0
        for pair in some:
            result = pair.match(**changes)
            value = told(result, name)
            if value is not None:
                errors.append(value - truth)
                said += next(
                    d.verdict != "matches"
                    for d in result.differences
                    if d.name.removesuffix("_other_text") == name
                )
        rows.append(errors_row(what, unit, label, errors, said))

    for db in (-6.0, 3.0):
        row("level", "level", "LU", db, f"{db:+.0f} dB", {"change": gain(db)})
    for db in (6.0, 15.0):
        row("noise", "noise", "dB", db, f"{db:+.0f} dB", {"noise_db": FLOOR_DB + db})
    booth = clarity_db(response(BOOTH_S))
    for rt60_s in ROOMS_S:
        truth = clarity_db(response(rt60_s)) - booth
        label = f"{truth:+.1f} dB ({rt60_s:g} s for {BOOTH_S:g} s)"
        row("room, C50", "room", "dB", truth, label, {"rt60_s": rt60_s})
        row("room, RT60", "reverberation", "s", rt60_s - BOOTH_S,
            f"{rt60_s - BOOTH_S:+.2f} s", {"rt60_s": rt60_s})  # fmt: skip
    rows += voice_rows()
    return "\n".join(rows)


def voice_rows() -> list[str]:
    """Return how well pitch and pace of a voice that can be set are told."""
    rows = []
    lines = speech.TEST_LINES[:3]
    for what, name, unit, how, truth in (
        ("pitch", "pitch", "st", (1.0, 2.0), 2.0),
        ("pitch", "pitch", "st", (1.0, -1.5), -1.5),
        ("pace", "pace", "%", (0.87, 0.0), 100 * (1 / 0.87 - 1)),
        ("pace", "pace", "%", (1.15, 0.0), 100 * (1 / 1.15 - 1)),
    ):
        errors, said = [], 0
        for voice in ("slt", "en-us", "en-gb-scotland+f4", "en-us+m7", "en-gb-x-rp+f3"):
            plain, other = (
                joined([readings.read_aloud(line, voice, *setting) for line in lines])
                for setting in ((1.0, 0.0), how)
            )
            result = Pair(voice, True, plain, other).match()
            value = told(result, name)
            if value is not None:
                errors.append(value - truth)
                said += next(d.verdict != "matches" for d in result.differences if d.name == name)
        rows.append(errors_row(what, unit, f"{truth:+.1f} {unit}", errors, said))
    return rows


def tone_table(everything: Sequence[Pair]) -> str:
    """Return how near the suggested equalizer comes to undoing a known one."""
    rows = [
        "| curve on the pickup | words | error of the suggestion, dB rms over octaves "
        "| same without the curve | told as a difference |",
        "|---|---|---|---|---|",
    ]
    for label, curve in CURVES_DB.items():
        for same_line in (True, False):
            mine = [pair for pair in everything if pair.same_line == same_line][::2]
            plain = [_eq_error(pair.match(), {}) for pair in mine]
            results = [pair.match(change=equalizer(curve)) for pair in mine]
            errors = [_eq_error(result, curve) for result in results]
            said = sum(
                d.verdict not in (None, "matches")
                for result in results
                for d in result.differences
                if d.name.startswith("tone")
            )
            rows.append(
                f"| {label} | {'one line' if same_line else 'other words'} "
                f"| {np.median(errors):.1f} | {np.median(plain):.1f} | {said} of {len(mine)} |"
            )
            print(rows[-1], flush=True)
    return "\n".join(rows)


def _eq_error(result: MatchResult, curve: dict[float, float]) -> float:
    """Return the rms of suggestion and curve together, their mean taken off: that is level."""
    suggested = {band.centre_hz: band.gain_db for band in result.eq}
    left = [suggested.get(hz, 0.0) + curve.get(hz, 0.0) for hz in EQ_BANDS_HZ[1:]]
    return float(np.std(left))


def main() -> None:
    """Test, and write the section."""
    everything = pairs()
    faultless = faultless_table(everything)
    known = known_table(everything)
    tone = tone_table(everything)
    body = f"""
Two readings by one voice, each as a booth records it: a room of {BOOTH_S:g} s (a direct sound and
a decay, C50 {clarity_db(response(BOOTH_S)):.0f} dB), noise {-FLOOR_DB:.0f} dB below the voice. A
line (three sentences, about 12 s) read twice by a neural and an HMM voice, and other words by two
real readers: prompts of a telephone exchange, and a book in four parts of 11 s. Nothing was set up
on them.

**Faultless pairs**: size of each difference, median / greatest; in brackets how many passed their
tolerance, which is a false alarm (level is a matter of the words here: all takes have the same
active speech level). Units as in [pickup match](../match.md).

{faultless}

**Known differences**, made on the second take. The error holds what the pair differs by itself.
Pitch and pace are set on voices that can be told to: an HMM voice and four formant ones.

{known}

**Tone**: a known curve on the second take, and what the suggested equalizer leaves of it. Without a
curve it should suggest nothing; what it suggests then is the difference of the readings. These
curves amount to 1 to 2 dB rms over third octaves. People vary that much from reading to reading, so
the tolerance is 3 dB (5 dB with other words), and none of them is told as a difference.

{tone}
"""
    write_section("match", "Pickup match", body)


if __name__ == "__main__":
    main()
