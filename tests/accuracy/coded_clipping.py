"""What is told of clipping behind codecs, low cuts and more, of readers that nothing was fitted on.

Run as ``python -m tests.accuracy.coded_clipping``.
"""

from __future__ import annotations

import argparse
import io
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
import soundfile

from tests.accuracy.emptied_pauses import readers
from tests.accuracy.sections import write_section
from tests.material import demo_session, readings, speech
from tests.material.dry_voices import studio
from tests.material.treatments import ffmpeg
from tests.training import takes
from tests.training.clipping.takes import as_recorded, processed
from tests.training.takes import Samples
from vocheck.measurements import clipping
from vocheck.policy.limits import load_limits
from vocheck.recording import Recording

SHARES = (0.003, 0.01, 0.03)
LIMITED_DB = (6.0,)
RATE = 48_000
SECONDS = (3.0, 6.0, 12.0)
SEED = 80_000
_LIMITS = load_limits()
_CUT = next(
    condition.value
    for condition in _LIMITS["ceiling_cut"].only_if
    if condition.fact == "clipping.ceiling_cut_score"
)


@dataclass(frozen=True)
class Seen:
    """What is said of one take.

    Attributes
    ----------
    told : bool
        Whether any finding says that it was clipped or limited.
    cut : bool
        Whether it says that it was clipped.
    severe : bool
        Whether it is at least to be mended.
    fraction : float
        The share that is told; NaN where there is none.
    """

    told: bool
    cut: bool
    severe: bool
    fraction: float


def vorbis(x: Samples, rate: int) -> Samples:
    """Return what Ogg Vorbis leaves, at the quality that libsndfile takes unasked."""
    file = io.BytesIO()
    with soundfile.SoundFile(file, "w", rate, 1, format="OGG", subtype="VORBIS") as sound:
        for start in range(0, len(x), 4096):  # libsndfile overruns its stack with more at once
            sound.write(x[start : start + 4096])
    file.seek(0)
    return soundfile.read(file, dtype="float32")[0][: len(x)]


def _vorbis(x: Samples, rate: int, _: np.random.Generator) -> tuple[Samples, int]:
    x = x * np.float32(0.7 / np.abs(x).max())
    return vorbis(x, rate), rate


def _as(chain: str) -> Callable[[Samples, int, np.random.Generator], tuple[Samples, int]]:
    return lambda x, rate, rng: processed(x, rate, chain, rng)


CHAINS = {
    "AAC, MP3 or Opus": _as("codec"),
    "Vorbis, not trained on": _vorbis,
    "low cut of 40 to 130 Hz": _as("low cut"),
    "low cut, then AAC, MP3 or Opus": _as("low cut, codec"),
    "another rate": _as("resampled"),
}


def seen(samples: Samples, rate: int) -> Seen:
    """Judge one take by the limits on clipping alone."""
    found = clipping.measure(Recording(samples, rate))
    flat = bool(found.runs)
    score, cut_score = found.ceiling_score, found.ceiling_cut_score
    told = _LIMITS["ceiling"].severity_of(score) is not None
    cut = told and cut_score is not None and cut_score > _CUT
    severity = _LIMITS["ceiling_cut"].severity_of(found.ceiling_fraction) if cut else None
    fraction = found.fraction if flat else found.ceiling_fraction
    return Seen(
        told=flat or told,
        cut=flat or cut,
        severe=flat or severity in ("fixable", "retake"),
        fraction=np.nan if fraction is None else fraction,
    )


@dataclass(frozen=True)
class Job:
    """One take: the reader's place, what is done to it, and how much."""

    reader: int
    what: str
    amount: float
    chain: str
    seed: int


def judged(job: Job) -> Seen:
    """Make a take and judge it."""
    rng = np.random.default_rng(job.seed)
    longest = float(rng.choice(SECONDS))
    reading = takes.read(readers()[job.reader], rng, (longest, longest))
    x = takes.resampled(reading.samples, reading.rate, RATE)
    x = as_recorded(x[: len(x) // 4800 * 4800], RATE, rng)
    if job.what == "clipped":
        top = np.quantile(np.abs(x), 1.0 - job.amount)
        x = np.clip(x, -top, top)
    elif job.what == "limited":
        top = 10.0 ** (-job.amount / 20.0)
        x = x / np.abs(x).max()
        x = ffmpeg("alimiter", f"limit={top}:level=0:attack=5:release=50")(x, RATE)
    return seen(*CHAINS[job.chain](x, RATE, rng))


def jobs() -> list[Job]:
    """Return all takes of the tables."""
    wanted = [("clean", 0.0), ("clean", 0.0)]
    wanted += [("clipped", share) for share in SHARES] + [("limited", db) for db in LIMITED_DB]
    every = [
        (reader, what, amount, chain)
        for chain in CHAINS
        for what, amount in wanted
        for reader in range(len(readers()))
    ]
    return [Job(*one, seed) for seed, one in enumerate(every, start=SEED)]


def as_they_are() -> dict[str, list[Seen]]:
    """Return what is said of recordings nothing was done to here, by source."""
    spoken = [*speech.unlabelled()[:2], *speech.labelled()]
    found = {"sentences and a book": [seen(one.samples, one.rate) for one in spoken]}
    for reading in readings.real_readings():
        found.setdefault(f"reader {reading.voice}", []).append(seen(reading.samples, reading.rate))
    for voice in studio():
        name = f"prompts of a telephone exchange, {voice.name}"
        found[name] = [seen(clip, 16_000) for clip in voice.clips]
    files = sorted(demo_session.FOLDER.glob("*_t[0-9]*.flac"))
    takes_ = [soundfile.read(file, dtype="float32", always_2d=True) for file in files]
    found["the demo session"] = [seen(x[:, 0], rate) for x, rate in takes_]
    return found


def _cell(own: Sequence[Seen]) -> str:
    told, cut, severe = (np.mean([getattr(o, f) for o in own]) for f in ("told", "cut", "severe"))
    return f"{told:.2f} / {cut:.2f} / {severe:.2f}"


def table(all_jobs: Sequence[Job], results: Sequence[Seen]) -> str:
    """Return what is told, chain by chain."""
    columns = [("clean", 0.0, "clean")]
    columns += [("clipped", share, f"{share:.1%} clipped") for share in SHARES]
    columns += [("limited", db, f"limited by {db:.0f} dB") for db in LIMITED_DB]
    lines = [
        f"| afterwards | {' | '.join(title for _, _, title in columns)} |",
        "|---|" + "---|" * len(columns),
    ]
    pairs = list(zip(all_jobs, results, strict=True))
    for title in (*CHAINS, "**all**"):
        cells = []
        for what, amount, _ in columns:
            own = [
                one
                for job, one in pairs
                if (job.what, job.amount) == (what, amount) and title in (job.chain, "**all**")
            ]
            cells.append(_cell(own))
        lines.append(f"| {title} | {' | '.join(cells)} |")
    return "\n".join(lines)


def factors(all_jobs: Sequence[Job], results: Sequence[Seen]) -> str:
    """Return how far the told share is off."""
    off = [
        abs(np.log(one.fraction / job.amount))
        for job, one in zip(all_jobs, results, strict=True)
        if job.what == "clipped" and one.told and one.fraction > 0
    ]
    half, nine = np.exp(np.quantile(off, (0.5, 0.9)))
    return f"within a factor of {half:.1f} in half of the takes that are told, {nine:.1f} in 90 %"


def main() -> None:
    """Measure, and write the section."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    options = parser.parse_args()
    wanted = jobs()
    with ProcessPoolExecutor(options.workers) as pool:
        results = list(pool.map(judged, wanted, chunksize=4))
    rest = "\n".join(
        f"- {name}: {len(own)} recordings, {sum(o.told for o in own)} told, "
        f"{sum(o.cut for o in own)} called clipped, {sum(o.severe for o in own)} to be mended"
        for name, own in as_they_are().items()
    )
    names = ", ".join(reader.name for reader in readers())
    body = f"""
Fitted to 53 readers of one corpus (VCTK), whose takes were clipped, limited, driven or left as they
were (`python -m tests.training.clipping`). The limits were set on readers of that corpus that the
fit had not seen. Tested here on {len(readers())} readers of other sources ({names}),
who were never looked at in fitting or setting. Takes of {SECONDS[0]:.0f} to {SECONDS[-1]:.0f} s in
noise and small rooms, some compressed, are clipped or limited (FFmpeg's limiter, which was not
trained on), and then go through one chain each. A cell: share of the takes that are
**told** clipped or limited / **called clipped** / called clipped and **to be mended or retaken**.

{table(wanted, results)}

The share of the samples that is told lies {factors(wanted, results)}.

This was measured while 1 s of speech was enough to judge by. Two untouched words of 1.2 and 1.3 s
(the first row below) were called clipped, so that 2 s are asked for since: the fit knows no shorter
takes. It misses its aim of 0.8 found at 1 % false: 5 % of the untouched takes are told (a note),
1 % are called clipped. Behind a low cut a limiter and a clipper can seldom be told apart.

Recordings as they are, with what their makers did to them:

{rest}
"""
    write_section("coded_clipping", "Clipping before a codec or a low cut", body)
    print(body)


if __name__ == "__main__":
    main()
