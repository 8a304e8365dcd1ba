"""Copies at a target, as others read them: ``python -m tests.accuracy.limiter``."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyebur128
import soundfile
import soxr
from scipy import fft, signal

from tests.accuracy.sections import write_section
from tests.material import music
from tests.material.demo_session import FOLDER
from vocheck.mix import WrittenMix, check_mix, write_mix

Samples = npt.NDArray[np.float64]

CEILINGS = (-1.0, -2.0)
SEGMENT, GUARD, FINE = 16384, 2048, 64
SEED = 18


def material(rate: int) -> Iterator[tuple[str, Samples]]:
    """Yield 40 mixes at 48 kHz: music, voices over music, constructed ones; shape (frames, 2)."""
    rng = np.random.default_rng(SEED)
    pieces = music.excerpts(rate)
    for _, piece in pieces:
        yield "music", np.stack([piece, np.roll(piece, 24)], axis=1).astype(float)
    takes = sorted(FOLDER.glob("0*_t*.flac"))
    for (_, piece), take in zip(pieces, takes, strict=False):
        voice, own = soundfile.read(take)
        voice = soxr.resample(voice if voice.ndim == 1 else voice[:, 0], own, rate)
        voice = np.resize(np.append(voice, np.zeros(rate // 2)), len(piece))
        bed = piece / np.abs(piece).max() * np.abs(voice).max() * 10 ** (-rng.uniform(6, 18) / 20)
        yield "voice over music", np.stack([voice + bed, voice + np.roll(bed, 24)], axis=1)
    for _ in range(12):
        frames = 12 * rate
        swell = np.interp(np.linspace(0, 40, frames), np.arange(41), rng.uniform(size=41) ** 2)
        t = np.arange(frames) / rate
        low = np.sin(2 * np.pi * rng.uniform(25, 90) * t)
        tones = sum(np.sin(2 * np.pi * f * t) for f in rng.uniform(200, 16000, 5)) / 5
        hiss = signal.lfilter(
            signal.firwin(129, 0.8), 1.0, rng.standard_normal((frames, 2)), axis=0
        )
        clicks = np.zeros((frames, 1))
        clicks[rng.integers(0, frames, 40)] = rng.uniform(-3, 3, (40, 1))
        clicks = signal.lfilter(signal.firwin(33, 0.7), 1.0, clicks, axis=0)
        steps = np.repeat(rng.integers(0, 2, 48), frames // 48)[:frames, None]
        yield (
            "constructed",
            swell[:, None] * (low[:, None] + tones[:, None] + 0.3 * hiss * steps) + clicks,
        )


def read_by_others(path: Path) -> tuple[float, float, float]:
    """Return loudness and true peak by libebur128, and the peak of the 64-fold signal."""
    samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    modes = pyebur128.MeasurementMode
    state = pyebur128.R128State(samples.shape[1], rate, modes.MODE_I | modes.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
    peak = max(pyebur128.get_true_peak(state, c) for c in range(samples.shape[1]))
    return (
        pyebur128.get_loudness_global(state),
        20 * np.log10(peak),
        20 * np.log10(fine_peak(samples)),
    )


def fine_peak(samples: Samples) -> float:
    """Return the peak of a signal oversampled 64 times by the Fourier method, piece by piece.

    Pieces overlap, and what lies near their ends is left out: there the method repeats the piece.
    Pieces whose samples stay 6 dB below the highest one are passed over.
    """
    highest = float(np.abs(samples).max())
    best = highest
    padded = np.pad(samples, ((GUARD, GUARD + SEGMENT), (0, 0)))
    for start in range(0, len(samples), SEGMENT - 2 * GUARD):
        for channel in padded[start : start + SEGMENT].T:
            if np.abs(channel).max() < highest / 2:
                continue
            spectrum = fft.rfft(channel)
            spectrum[-1] /= 2  # at half the rate: shared by both sides of the longer spectrum
            fine = fft.irfft(spectrum, SEGMENT * FINE) * FINE
            best = max(best, float(np.abs(fine[GUARD * FINE : -GUARD * FINE]).max()))
    return best


def copy_of(
    folder: Path, samples: Samples, rate: int, subtype: str, number: int
) -> tuple[float, WrittenMix]:
    """Return a target that needs about 0.5 to 5.5 dB of limiting, and the copy at it."""
    rng = np.random.default_rng([SEED, number])
    source = folder / "mix.wav"
    soundfile.write(source, samples * 0.4 / np.abs(samples).max(), rate, subtype)
    lufs, dbtp, _ = read_by_others(source)
    ceiling = CEILINGS[number % len(CEILINGS)]
    target = lufs - dbtp + ceiling + rng.uniform(0.5, 5.5)
    (folder / "vocheck.toml").write_text(
        '[destinations.made]\ntitle = "Made"\nsource = "This script"\n'
        f"[destinations.made.rules.integrated_lufs]\ntarget = {target:.4f}\n"
        f"[destinations.made.rules.level_dbtp]\nmaximum = {ceiling}\n"
    )
    written = write_mix(check_mix(source, ["made"], encode=()), folder / "copy.wav", encode=())
    assert written.written is not None
    return target, written.written


def main() -> None:
    """Make the copies, and write the section."""
    forms = ((48000, "PCM_24"), (44100, "PCM_16"), (48000, "FLOAT"), (96000, "PCM_24"))
    rows: dict[str, list[tuple[float, ...]]] = {}
    refused: dict[str, int] = {}
    for number, (kind, samples) in enumerate(material(48000)):
        rate, subtype = forms[number % len(forms)]
        if rate != 48000:
            samples = soxr.resample(samples, 48000, rate)
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            target, copy = copy_of(folder, samples, rate, subtype, number)
            if copy.path is None:
                refused[kind] = refused.get(kind, 0) + 1
                continue
            lufs, theirs, fine = read_by_others(folder / "copy.wav")
        assert copy.limiting is not None
        ceiling = CEILINGS[number % len(CEILINGS)]
        row = (lufs - target, theirs - ceiling, fine - ceiling, copy.limiting.most_db)
        rows.setdefault(kind, []).append((*row, copy.attempts))
        print(kind, rate, subtype, *(f"{value:+.3f}" for value in row), copy.attempts, flush=True)
    lines = [
        "| mixes | copies | refused | limited by, dB | loudness off, LU | libebur128 over the "
        "ceiling, dB | 64-fold over the ceiling, dB | attempts |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for kind, found in rows.items():
        values = np.array(found)
        lines.append(
            f"| {kind} | {len(values)} | {refused.get(kind, 0)} "
            f"| {values[:, 3].min():.1f} .. {values[:, 3].max():.1f} "
            f"| {values[:, 0].min():+.3f} .. {values[:, 0].max():+.3f} "
            f"| {values[:, 1].max():+.3f} | {values[:, 2].max():+.3f} "
            f"| {int(values[:, 4].max())} at most |"
        )
    write_section(
        "limiter",
        "Copies at a target",
        "40 mixes (14 excerpts of music, 14 voices of the demo session over music, 12 constructed "
        "ones of swelling tones from 25 Hz to 16 kHz, noise and clicks), each brought to a target "
        "that asks for 0.5 to 5.5 dB of limiting, at 44.1, 48 and 96 kHz with 16, 24 bits and "
        "floats, ceiling -1 or -2 dBTP. Read by libebur128 (pyebur128), and the peak by the "
        "signal oversampled 64 times by the Fourier method. The largest difference of each kind. "
        "A copy that would need more than 6 dB is refused. Nothing was tuned on these mixes; above "
        "0.45 of the sample rate, where they hold nothing, a true peak depends on who reads it.\n\n"
        + "\n".join(lines),
    )


if __name__ == "__main__":
    main()
