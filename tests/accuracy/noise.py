"""Accuracy of the noise floor, its weightings and the signal-to-noise ratio."""

from __future__ import annotations

import numpy as np

from tests.accuracy.sections import write_section
from tests.material.takes import RATE, SPEECH_DBFS, WHAT, clean, colored, in_room, scaled
from vocheck.dsp.weighting import power_gain
from vocheck.measurements import noise
from vocheck.recording import Recording

KINDS = ("white", "pink", "room")
RATIOS_DB = (15.0, 25.0, 35.0, 45.0)
RUMBLES_DB = (-20.0, -30.0, -40.0, -50.0)
WEIGHTINGS = ("Z", "A", "468")


def floors(samples: np.ndarray) -> np.ndarray:
    """Return the level of `samples` up to 20 kHz under each of `WEIGHTINGS`, from its spectrum."""
    power = np.abs(np.fft.rfft(samples)) ** 2 * (2.0 / len(samples) ** 2)
    hz = np.fft.rfftfreq(len(samples), 1 / RATE)
    power[hz > 20_000.0] = 0.0
    return np.array([10.0 * np.log10(power @ power_gain(w, hz)) for w in WEIGHTINGS])


def errors(kind: str) -> tuple[dict[float, np.ndarray], dict[float, int]]:
    """Return, for each ratio, the errors, shape (takes, 4): Z, A, 468, SNR; and the refusals."""
    rows: dict[float, list[list[float]]] = {ratio: [] for ratio in RATIOS_DB}
    refused = dict.fromkeys(RATIOS_DB, 0)
    for seed, take in enumerate(clean()):
        rng = np.random.default_rng(seed)
        added = scaled(colored(kind, len(take.samples), rng), SPEECH_DBFS)
        loudest = floors(added)
        for ratio in RATIOS_DB:
            x = take.samples + added * np.float32(10.0 ** (-ratio / 20.0))
            found = noise.measure(Recording(x, RATE))
            if found.floor_dbfs is None:
                refused[ratio] += 1
                continue
            truth = loudest - ratio
            measured = (found.floor_dbfs, found.floor_a_dbfs, found.floor_468_dbfs)
            rows[ratio].append([*(measured - truth), found.snr_db - (SPEECH_DBFS - truth[0])])
    return {ratio: np.array(found) for ratio, found in rows.items()}, refused


def rms(x: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(x))))


def floor_table() -> str:
    lines = [
        "| noise | SNR | unweighted | A | 468 | SNR error | no number |",
        "|---|---|---|---|---|---|---|",
    ]
    for kind in KINDS:
        found, refused = errors(kind)
        for ratio in RATIOS_DB:
            cells = " | ".join(
                f"{column.mean():+.2f} / {rms(column):.2f} / {np.abs(column).max():.2f}"
                for column in found[ratio].T
            )
            lines.append(f"| {kind} | {ratio:.0f} dB | {cells} | {refused[ratio]}/{len(clean())} |")
    return "\n".join(lines)


def rumble_table() -> str:
    found: dict[float, list[float]] = {level: [] for level in RUMBLES_DB}
    for seed, take in enumerate(clean()):
        rng = np.random.default_rng(seed)
        spectrum = np.fft.rfft(rng.standard_normal(len(take.samples)))
        hz = np.fft.rfftfreq(len(take.samples), 1 / RATE)
        low = np.fft.irfft(spectrum * ((hz >= 12) & (hz <= 55)), len(take.samples))
        quiet = in_room(take, -60.0, rng)
        for level in RUMBLES_DB:
            x = quiet + scaled(low, SPEECH_DBFS + level)
            measured = noise.measure(Recording(x, RATE)).rumble_dbfs
            if measured is not None:
                found[level].append(measured - (SPEECH_DBFS + level))
    lines = ["| rumble re speech | mean error | rms error |", "|---|---|---|"]
    for level, differences in found.items():
        errors_db = np.array(differences)
        lines.append(f"| {level:.0f} dB | {errors_db.mean():+.2f} | {rms(errors_db):.2f} |")
    return "\n".join(lines)


def without_pauses() -> str:
    """Count how many takes without usable pause are given a number."""
    numbers = 0
    for seed, take in enumerate(clean()):
        first, last = take.phones[0].start_s, take.phones[0].end_s
        # The first line alone, cut at its first and last sound: nothing to measure noise in.
        for before, after in zip(take.phones, take.phones[1:], strict=False):
            if after.start_s - before.end_s > 0.3:
                break
            last = after.end_s
        x = in_room(take, -40.0, np.random.default_rng(seed))
        x = x[round((first + 0.1) * RATE) : round((last - 0.1) * RATE)]
        numbers += noise.measure(Recording(x, RATE)).floor_dbfs is not None
    return f"{numbers} of {len(clean())}"


def main() -> None:
    body = f"""
{WHAT}

Stationary noise at a known level is added to takes whose own pauses are digital silence. Errors in
dB: mean / rms / largest.

{floor_table()}

Rumble (noise from 12 to 55 Hz) on top of a room at -60 dB re speech:

{rumble_table()}

Takes cut to the words of one line, with noise at -40 dB: a number was given in {without_pauses()};
where there is less than {noise.MIN_PAUSE_S} s of usable pause, there is none.
"""
    write_section("noise", "Noise floor", body)


if __name__ == "__main__":
    main()
