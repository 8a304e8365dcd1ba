"""How well clipping of known share is found, through what may happen to a take afterwards.

Run as ``python -m tests.accuracy.clipping``.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
import soxr

from tests.accuracy.sections import write_section
from tests.material import outside, packages, speech
from tests.material.planted import clip
from vocheck.measurements import clipping
from vocheck.measurements.clipping import Clipping
from vocheck.recording import Recording

RATE = 48000
SECONDS = 30
SHARES = (5e-5, 1e-4, 3e-4, 1e-3, 3e-3, 1e-2)
EVIDENCE = 0.09  # the limit of the crests in limits.toml

Samples = npt.NDArray[np.float32]


def material() -> list[tuple[str, Samples]]:
    """Return test voices: five synthetic ones and two real readers, 16 bit, peak at -3 dBFS."""
    sentence, *_ = speech.unlabelled()
    found = [*(speech.take(v) for v in speech.TEST_VOICES), speech.aligned(), sentence]
    return [(v.name, _peaking(v.at(RATE).samples[: SECONDS * RATE], 0.7)) for v in found]


def clean_files() -> list[tuple[str, Samples, int]]:
    """Return clean files, each as it was made: synthetic lines and single recorded words."""
    lines = [speech.synthesise(text, v) for v in speech.TEST_VOICES for text in speech.TEST_LINES]
    folders = (
        outside.fetch(packages.ALSA) / "usr/share/sounds/alsa",
        outside.fetch(packages.KTUBERLING) / "usr/share/ktuberling/sounds/ro",
    )
    words = [_read(path) for folder in folders for path in sorted(folder.glob("*.wav"))]
    readers = [(v.name, v.samples, v.rate) for v in (*speech.labelled(), *speech.unlabelled()[:2])]
    return [*((v.name, v.samples, v.rate) for v in lines), *words, *readers]


def _peaking(x: Samples, peak: float) -> Samples:
    return (x * (peak / np.abs(x).max())).astype(np.float32)


def _read(path: Path) -> tuple[str, Samples, int]:
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    return path.stem, samples[:, 0], rate


def _as_16_bits(x: Samples) -> Samples:
    return (np.round(x * 32768) / 32768).astype(np.float32)


def _noisy(x: Samples) -> Samples:
    noise = np.random.default_rng(3).standard_normal(len(x)).astype(np.float32)
    return x + noise * np.float32(np.sqrt(np.mean(x**2)) * 10 ** (-60 / 20))


def _mp3(x: Samples) -> Samples:
    file = io.BytesIO()
    soundfile.write(file, x, RATE, format="MP3", subtype="MPEG_LAYER_III")
    file.seek(0)
    return soundfile.read(file, dtype="float32")[0]


def _high_passed(x: Samples) -> Samples:
    from scipy.signal import butter, sosfilt

    return sosfilt(butter(1, 30, "high", fs=RATE, output="sos"), x).astype(np.float32)


CHAINS: dict[str, tuple[Callable[[Samples], Samples], int]] = {
    "16 bits, as clipped": (_as_16_bits, RATE),
    "turned down 6 dB, 16 bits": (lambda x: _as_16_bits(0.5 * x), RATE),
    "turned down 20 dB, 24 bits": (lambda x: 0.1 * x, RATE),
    "noise 60 dB below the voice": (lambda x: _as_16_bits(_noisy(x)), RATE),
    "resampled to 44.1 kHz": (lambda x: soxr.resample(x, RATE, 44100, "HQ"), 44100),
    "resampled to 96 kHz": (lambda x: soxr.resample(x, RATE, 96000, "HQ"), 96000),
    "to 44.1 kHz and back": (
        lambda x: soxr.resample(soxr.resample(x, RATE, 44100, "HQ"), 44100, RATE, "HQ"),
        RATE,
    ),
    "MP3 and back": (_mp3, RATE),
    "first-order high-pass 30 Hz": (_high_passed, RATE),
}
"""What happens after the clipping, and the sample rate it leaves."""


def measure(x: Samples, rate: int) -> Clipping:
    return clipping.measure(Recording(x, rate))


def by_crests(result: Clipping) -> bool:
    return result.crest_evidence is not None and result.crest_evidence > EVIDENCE


def chain_table(voices: list[tuple[str, Samples]]) -> str:
    head = " | ".join(f"{share:.3%}" for share in SHARES)
    rows = [f"| after the clipping | clean | {head} |", "|---|---|" + "---|" * len(SHARES)]
    for title, (chain, rate) in CHAINS.items():
        cells = []
        for share in (0.0, *SHARES):
            results = [measure(chain(clip(x, share)[0] if share else x), rate) for _, x in voices]
            flat = [bool(r.runs) for r in results]
            crests = [by_crests(r) for r in results]
            either = np.mean([a or b for a, b in zip(flat, crests, strict=True)])
            cells.append(f"{np.mean(flat):.2f} / {np.mean(crests):.2f} / **{either:.2f}**")
        rows.append(f"| {title} | {' | '.join(cells)} |")
    return "\n".join(rows)


def count_table(voices: list[tuple[str, Samples]]) -> str:
    rows = ["| share clipped | counted / true, least | median | greatest |", "|---|---|---|---|"]
    for share in SHARES:
        ratios = []
        for _, x in voices:
            clipped, count = clip(x, share)
            ratios.append(measure(_as_16_bits(clipped), RATE).samples / count)
        rows.append(
            f"| {share:.3%} | {min(ratios):.3f} | {np.median(ratios):.3f} | {max(ratios):.3f} |"
        )
    return "\n".join(rows)


def other_table(voices: list[tuple[str, Samples]]) -> str:
    rows = ["| treatment | flat tops | crests |", "|---|---|---|"]
    for title, treat in (
        *((f"soft clipping, tanh drive {d}", _driven(d)) for d in (1.5, 2, 3, 5)),
        *((f"look-ahead limiting by {d} dB", _limited(d)) for d in (3, 6, 12)),
    ):
        results = [measure(_as_16_bits(treat(x)), RATE) for _, x in voices]
        flat = np.mean([bool(r.runs) for r in results])
        rows.append(f"| {title} | {flat:.2f} | {np.mean([by_crests(r) for r in results]):.2f} |")
    return "\n".join(rows)


def _driven(drive: float) -> Callable[[Samples], Samples]:
    return lambda x: (0.7 * np.tanh(drive * x / np.abs(x).max())).astype(np.float32)


def _limited(depth_db: float) -> Callable[[Samples], Samples]:
    """Return a limiter with 5 ms of look-ahead and smoothing, which leaves the crests round."""
    from scipy.ndimage import minimum_filter1d, uniform_filter1d

    def limit(x: Samples) -> Samples:
        ceiling = np.abs(x).max() * 10 ** (-depth_db / 20)
        gain = np.minimum(1.0, ceiling / np.maximum(np.abs(x), 1e-9))
        width = RATE // 200
        return (x * uniform_filter1d(minimum_filter1d(gain, 2 * width + 1), width)).astype(
            np.float32
        )

    return limit


def clean_table() -> str:
    files = [(name, measure(x, rate)) for name, x, rate in clean_files()]
    flat = [name for name, r in files if r.runs]
    crests = [name for name, r in files if not r.runs and by_crests(r)]
    evidence = np.array([r.crest_evidence for _, r in files if r.crest_evidence is not None])
    return "\n".join(
        [
            f"- {len(files)} files; flagged by flat tops: {len(flat)} ({', '.join(flat) or '-'}); "
            f"by crests above {EVIDENCE}: {len(crests)} ({', '.join(crests) or '-'}).",
            f"- Crest evidence of the {len(evidence)} files that have enough half waves: median "
            f"{np.median(evidence):.2f}, 95th percentile {np.percentile(evidence, 95):.2f}, "
            f"greatest {evidence.max():.2f}.",
        ]
    )


def real_table() -> str:
    folder = outside.fetch(packages.KTUBERLING) / "usr/share/ktuberling/sounds/fr"
    results = [measure(x, rate) for _, x, rate in map(_read, sorted(folder.glob("*.wav")))]
    full = sum(r.overs > 0 for r in results)
    flat = sum(bool(r.runs) for r in results)
    both = sum(bool(r.runs) and r.overs > 0 for r in results)
    return (
        f"{len(results)} French words, some recorded too hot: {full} hold samples at full scale, "
        f"{flat} are flagged for flat tops, {both} are both."
    )


if __name__ == "__main__":
    voices = material()
    markdown = f"""
Tuned on: nine real readers (VCTK), the voices kal, en+f2, en-us+m3 reading other lines, and single
words (ktuberling-data in German, Greek, Galician). Tested on
{len(voices)} voices, none of which was used in tuning: {", ".join(name for name, _ in voices)}.
Each cell: share of takes flagged by flat tops / by the crests / **by either**. The column "clean"
holds the false alarms.

{chain_table(voices)}

Samples counted against samples clipped (16 bits, as clipped):

{count_table(voices)}

What is no hard clipping:

{other_table(voices)}

Clean files as they are:

{clean_table()}

Real clipping: {real_table()}
"""
    write_section("clipping", "Clipping", markdown)
    print(markdown)
