"""How many takes are called emptied: untouched ones, and takes that went through a denoiser."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soundfile

from tests.accuracy.sections import write_section
from tests.material import demo_session, readings, speech
from tests.material.dry_voices import studio
from tests.material.treatments import LEFT_OUT, TRAINED_ON
from tests.training import takes
from tests.training.denoising.takes import take
from vocheck.measurements import noise, processing
from vocheck.policy.limits import load_limits
from vocheck.recording import Recording
from vocheck.voice.activity import activity_of

MAKERS = {**TRAINED_ON, **LEFT_OUT}
TOLD = ("RNNoise", "DeepFilterNet", "noisereduce, stationary", "WebRTC", "subtraction", "gate")
TAKES = 2  # of each reader, for each treatment
LOWERED_DB = 4.0  # takes whose noise was lowered by less are hardly treated
SEED = 40_000
LIMITS = {name: load_limits()[name] for name in ("emptied_pauses", "gate", "noise_reduction")}


class Seen(NamedTuple):
    """What is said of one take.

    Attributes
    ----------
    re_speech_db : float or None
        A-weighted noise of the pauses; None where it was not measured.
    emptied, told : bool
        Whether the pauses are called emptied, and whether any of `LIMITS` tells a treatment.
    silent : bool
        Whether the noise was not measured because of digital silence.
    """

    re_speech_db: float | None
    emptied: bool
    told: bool
    silent: bool


def seen(samples: np.ndarray, rate: int) -> Seen:
    """Judge one take by `LIMITS` alone."""
    recording = Recording(np.asarray(samples, np.float32), rate)
    floor = noise.measure(recording)
    treated = processing.measure(recording)
    level, spread, gate = (
        floor.floor_a_re_speech_db,
        treated.log_spectral_std_db,
        treated.gate_score,
    )
    values = dict(zip(LIMITS, (level, gate, spread), strict=True))
    told = {n for n, v in values.items() if LIMITS[n].severity_of(v) is not None}
    reason = floor.reasons().get("floor_a_re_speech_db", "")
    return Seen(level, "emptied_pauses" in told, bool(told), "digital silence" in reason)


@cache
def readers() -> tuple[takes.Reader, ...]:
    """Return real readers of the registries' packages."""
    spoken: dict[str, tuple[int, list[np.ndarray]]] = {}
    for reading in readings.real_readings():
        rate, own = spoken.setdefault(reading.voice, (reading.rate, []))
        own += _sentences(reading.samples, rate)
    for one in (*speech.labelled()[1:], speech.unlabelled()[0]):
        spoken[one.name] = (one.rate, [one.samples])
    found = [takes.reader(name, own, rate) for name, (rate, own) in sorted(spoken.items())]
    found += [takes.reader(voice.name, list(voice.clips[:12]), 16_000) for voice in studio()]
    return tuple(found)


def _sentences(x: np.ndarray, rate: int) -> list[np.ndarray]:
    """Return a long reading in parts of two phrases; a short one as it is."""
    if len(x) < 12 * rate:
        return [x]
    phrases = activity_of(Recording(x, rate)).phrases
    pairs = zip(phrases[::2], phrases[1::2], strict=False)
    return [x[max(0, int((a - 0.1) * rate)) : int((b + 0.1) * rate)] for (a, _), (_, b) in pairs]


def as_they_are() -> dict[str, list[Seen]]:
    """Return what is said of recordings nothing was done to here, by reader."""
    found: dict[str, list[Seen]] = {}
    for one in (*readings.real_readings(), *speech.unlabelled()):
        name = getattr(one, "voice", None) or one.name
        found.setdefault(name, []).append(seen(one.samples, one.rate))
    for voice in studio():
        found[voice.name] = [seen(clip, 16_000) for clip in voice.clips]
    found["the demo session"] = [
        seen(*soundfile.read(file, dtype="float32"))
        for file in sorted(demo_session.FOLDER.glob("*_t[0-9]*.flac"))
    ]
    return found


def of_folder(file: Path) -> Seen:
    """Judge one file."""
    x, rate = soundfile.read(file, dtype="float32", always_2d=True)
    return seen(x[:, 0], rate)


def treated(job: tuple[int, str, int]) -> tuple[str, Seen | None]:
    """Return treatment and what is said of a take; None where the noise was hardly lowered."""
    index, name, seed = job
    made = take(readers()[index], MAKERS[name], seed)
    return name, seen(made.samples, made.rate) if made.lowered_db >= LOWERED_DB else None


def table(results: Iterable[tuple[str, Seen | None]]) -> str:
    """Return how many takes are told, treatment by treatment."""
    kept: dict[str, list[Seen]] = {}
    for name, one in results:
        if one is not None:
            kept.setdefault(name, []).append(one)
    lines = [
        "| treatment | takes | emptied pauses | digital silence | any finding | median |",
        "|---|---|---|---|---|---|",
    ]
    rows = [*kept.items(), ("**all**", [one for own in kept.values() for one in own])]
    for name, own in rows:
        levels = [one.re_speech_db for one in own if one.re_speech_db is not None]
        middle = f"{np.median(levels):.0f} dB" if levels else "-"
        counts = [
            sum(getattr(one, field) for one in own) for field in ("emptied", "silent", "told")
        ]
        lines.append(f"| {name} | {len(own)} | {' | '.join(map(str, counts))} | {middle} |")
    return "\n".join(lines)


def sentence(own: Sequence[Seen]) -> str:
    """Return how many recordings there are, with a number and below the limit; and the lowest."""
    levels = [one.re_speech_db for one in own if one.re_speech_db is not None]
    lowest = f", lowest {min(levels):.0f} dB" if levels else ""
    return (
        f"{len(own)} recordings, {len(levels)} with enough pause for a number, "
        f"{sum(one.emptied for one in own)} called emptied{lowest}"
    )


def main() -> None:
    """Measure, and write the section; with a folder of readers, of these as well."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--voices", type=Path, help="SPEAKER_NUMBER.flac")
    folder = parser.parse_args().voices
    files = [] if folder is None else sorted(folder.glob("*_*.flac"))
    jobs = [
        (index, name, SEED + TAKES * index + i)
        for index in range(len(readers()))
        for name in TOLD
        for i in range(TAKES)
    ]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        results = pool.map(treated, jobs, chunksize=2)
        of_files = pool.map(of_folder, files, chunksize=8)
        untouched = as_they_are()
        found = table(results)
        if folder is not None:
            untouched["VCTK, a hemi-anechoic room"] = list(of_files)
    limit = LIMITS["emptied_pauses"].thresholds[0].value
    body = f"""
Below {limit:g} dB(A) re speech the pauses are called emptied. The limit is a round number, set with
real recordings at hand: what is said here of untouched ones is no independent test.

Recordings as they are (some of the packages' makers gated or edited theirs):

{"".join(f"- {name}: {sentence(own)}" + chr(10) for name, own in untouched.items())}
Takes of real readers in noise that lies 15 to 48 dB below the voice, each through a treatment that
lowers it by {LOWERED_DB:g} dB or more (`tests.material.treatments`), some of them coded and in 16
bits afterwards. "Digital silence": the pauses, or all but a rest, hold nothing, and there is no
number to judge. "Any finding": `emptied_pauses`, `gate` or `noise_reduction`. "Median": of the
noise re speech. The readers are those of the registries' packages
({", ".join(reader.name for reader in readers())}):

{found}
"""
    write_section("emptied_pauses", "emptied pauses", body)


if __name__ == "__main__":
    main()
