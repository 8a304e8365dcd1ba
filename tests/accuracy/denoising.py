"""How often takes are called denoised, with and without treatment."""

from __future__ import annotations

import os
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from functools import cache

import numpy as np

from tests.accuracy.sections import write_section
from tests.material import readings, speech
from tests.material.dry_voices import studio
from tests.material.treatments import LEFT_OUT, TRAINED_ON, Maker
from tests.training import takes
from tests.training.denoising.takes import take
from vocheck.measurements import denoising
from vocheck.policy.limits import load_limits
from vocheck.recording import Recording
from vocheck.voice.activity import activity_of

UNTOUCHED = 14  # takes of each reader
LOWERED_DB = (4.0, 10.0, 20.0)  # by at least so much the treatment lowered the noise
SEED = 40_000
_MAKERS: dict[str, Maker | None] = {"none": None, **TRAINED_ON, **LEFT_OUT}


@cache
def readers() -> tuple[takes.Reader, ...]:
    """Return real readers of the registries' packages; none was trained or chosen on."""
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


def measured(job: tuple[int, str, int]) -> tuple[str, str, float | None, float]:
    """Return reader, treatment, score, and by how much the noise was lowered."""
    index, name, seed = job
    reader = readers()[index]
    made = take(reader, _MAKERS[name], seed)
    score = denoising.measure(Recording(made.samples, made.rate)).score
    return reader.name, name, score, made.lowered_db


def table(results: list[tuple[str, str, float | None, float]], limits: Mapping[str, float]) -> str:
    """Return the share found, treatment by treatment."""
    head = " | ".join(f"{db:.0f} dB and more" for db in LOWERED_DB)
    rows = [f"| treatment | takes | {head} |", "|---|---|" + "---|" * len(LOWERED_DB)]
    groups = {
        **{name: [name] for name in (*TRAINED_ON, *LEFT_OUT)},
        "**all that were trained on**": list(TRAINED_ON),
        "**all that were left out**": list(LEFT_OUT),
    }
    for title, names in groups.items():
        cells = []
        for least in LOWERED_DB:
            scores = [s for _, n, s, db in results if n in names and db >= least and s is not None]
            cells.append(
                " / ".join(f"{np.mean(np.array(scores) > limit):.2f}" for limit in limits.values())
                if scores
                else "-"
            )
        count = sum(n in names and db >= LOWERED_DB[0] for _, n, _, db in results)
        title += " (left out)" if title in LEFT_OUT else ""
        rows.append(f"| {title} | {count} | {' | '.join(cells)} |")
    return "\n".join(rows)


def false_alarms(
    results: list[tuple[str, str, float | None, float]], limits: Mapping[str, float]
) -> str:
    """Return how many untouched takes are called denoised, and of which readers."""
    lines = []
    for severity, limit in limits.items():
        scores = [(r, s) for r, n, s, _ in results if n == "none" and s is not None]
        wrong = [r for r, s in scores if s > limit]
        who = ", ".join(f"{name} ({wrong.count(name)})" for name in sorted(set(wrong))) or "-"
        share = len(wrong) / len(scores)
        lines.append(f"- {severity} (above {limit:g}): {len(wrong)} of {len(scores)}, {share:.1%}; "
                     f"readers: {who}")  # fmt: skip
    return "\n".join(lines)


def as_they_are() -> str:
    """Return the scores of the readers' recordings, nothing added."""
    cells = []
    for reader in readers():
        reading = takes.read(reader, np.random.default_rng(1), (8.0, 12.0))
        found = denoising.measure(Recording(reading.samples, reading.rate))
        score = "-" if found.score is None else f"{found.score:.2f}"
        level = found.pauses_re_speech_dba
        cells.append(f"{reader.name} {score}" + ("" if level is None else f" ({level:.0f} dB(A))"))
    return ", ".join(cells)


def main() -> None:
    """Measure, and write the section."""
    limits = {t.severity: float(t.value) for t in load_limits()["denoised"].thresholds}
    jobs = [
        (index, name, SEED + 100 * index + i)
        for index in range(len(readers()))
        for i, name in enumerate([*["none"] * UNTOUCHED, *TRAINED_ON, *LEFT_OUT])
    ]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        results = list(pool.map(measured, jobs, chunksize=4))
    body = f"""
Trained on 53 real readers of VCTK (16 kHz) in rooms and noises made by `tests.training.takes`, with
the treatments of `tests.material.treatments` that are not marked "left out"; the limits were chosen
by leaving out a quarter of these readers after the other. Only tested on: the {len(readers())} real
readers here ({", ".join(reader.name for reader in readers())}), and the treatments marked "left
out". The noises and rooms are made by the same recipe, with other draws.

Share found, over by how much the treatment lowered the noise ({" / ".join(limits)}):

{table(results, limits)}

Untouched takes that are called denoised:

{false_alarms(results, limits)}

The readers' recordings as they are, nothing added (score, and the level of the pauses re speech):
{as_they_are()}. Some of these were gated, edited or coded by their makers.
"""
    write_section("denoising", "Takes that went through a denoiser", body)


if __name__ == "__main__":
    main()
