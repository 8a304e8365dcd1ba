"""Hum and whine: tones that never stop.

What it is
    Hum is the mains in the recording: 50 or 60 Hz and their multiples, from a ground loop, an
    unbalanced cable, a dimmer or a transformer near the microphone. `mains_hz` tells which,
    `level_dbfs` how strong all its multiples together are, `level_re_speech_db` how far below the
    active speech level. `tones` are other steady tones: a fan's blade note, the whine of a monitor,
    a charger or a camera.

Method
    Words move in pitch, hum does not (the idea of Brandt & Bitzer, "Detection of Hum in Audio
    Signals"). Pauses are cut into pieces of up to 0.5 s; the power spectra of the pieces are
    averaged, without the pieces that stand out. A comb with its teeth on the multiples of 49.5 to
    50.5 Hz, and another of 59.5 to 60.5 Hz, is laid over the average; the noise beside a tooth is
    read midway between the teeth. Mains is reported where two teeth stand well above the noise
    beside them, or one of the first three very far, in the average and in most pieces. Tones are
    peaks of the spectrum of 0.17 s frames that stand out from the median of their neighborhood, in
    most frames.

Sources
    Brandt & Bitzer for the idea; comb, thresholds and tones are this project's own.

Units
    Hz; dBFS, RMS of a full-scale square wave = 0 dBFS; dB.

Limits of validity
    Needs 0.3 s of pause, in pieces of at least 0.15 s. In a room at -55 dB re speech, hum was found
    in every test take at -60 dB re speech, in two of five at -70; tones at -70, not at -80. A tone
    below 150 Hz that is no mains multiple is not looked for. A single multiple above the third, and
    one that both combs have (300 Hz), counts as a tone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import db, levels_db, power_ratio
from vocheck.measurements.noise import MIN_PAUSE_S, frame_spectra, frames_within
from vocheck.recording import Recording
from vocheck.results import Group, Result, Row
from vocheck.voice.activity import activity_of
from vocheck.voice.channel import voice_at
from vocheck.voice.level import active_level_of

_RATE_HZ = 4000  # holds the comb, with room for a filter
_MAINS_HZ = (50, 60)  # the two that the world has
_DEVIATION_HZ = np.arange(-0.5, 0.501, 0.05)  # of the mains frequency: grids hold it within 0.5 Hz
_TOP_HZ = 800.0  # of the comb
_PIECE_S = (0.15, 0.5)  # shorter ones do not part 50 from 60 Hz, in longer ones the mains wanders
_FFT_SIZE = 8192  # of a piece: teeth are read on a grid of 0.49 Hz
_OUTLIER_DB = 3.0  # a piece that much above the median piece holds a breath or the end of a word
# Over the noise beside it: a tooth that counts, one that must be among them, one that suffices.
_COUNT_DB, _SURE_DB, _ALONE_DB = 8.0, 10.0, 16.0
_ALONE_MULTIPLES = 3  # a single tooth higher up (300 Hz is one of both combs) is rather a whine
_SHARE_OF_PIECES = 0.6  # in which a tooth must stand out
_PIECE_DB = 3.0  # by this much

# Bins of 5.9 Hz: a tone stands 9 dB higher over noise than in the shared frames.
_TONE_FRAME_S = 8192 / 48000
_TONE_LOW_HZ = 150.0  # below lie the mains and their first multiples
_TONE_TOP_HZ = 20000.0  # the audio band
_NEIGHBORHOOD = 61  # bins of 5.9 Hz whose median is the noise around a tone
_TONE_DB = 10.0  # over it, and more where there are few frames
_TONE_SHARE = 0.7  # of the frames in which the tone must stand out
_MAINS_GUARD_HZ = 6.0  # a tone this near a multiple of the mains belongs to the hum


@dataclass(frozen=True, kw_only=True)
class Tone(Result):
    """A steady tone.

    Attributes
    ----------
    frequency_hz, level_dbfs : float
    level_re_speech_db : float or None
        Level less the active speech level; ``None`` without speech.
    """

    frequency_hz: float
    level_dbfs: float
    level_re_speech_db: float | None


@dataclass(frozen=True, kw_only=True)
class Hum(Group):
    """Hum and steady tones of a take.

    Attributes
    ----------
    mains_hz : int or None
        50 or 60; ``None`` where there is no hum, or where it could not be looked for.
    level_dbfs : float or None
        Level of all multiples of the mains together.
    level_re_speech_db : float or None
        The same, less the active speech level.
    tones : tuple of Tone or None
        Steady tones outside the mains family, strongest first.
    """

    mains_hz: int | None
    level_dbfs: float | None
    level_re_speech_db: float | None
    tones: tuple[Tone, ...] | None


@dataclass(frozen=True)
class _Comb:
    mains_hz: int
    fundamental_hz: float
    power: float
    score: float


ROWS: tuple[Row, ...] = (
    Row("mains_hz", "mains frequency", "Hz", digits=0),
    Row("level_dbfs", "hum", "dBFS"),
    Row("level_re_speech_db", "hum against the voice", "dB"),
)


def measure(recording: Recording) -> Hum:
    """Look for hum and steady tones in the pauses of the channel that carries the voice."""
    missing: dict[str, str] = {}
    pauses = activity_of(recording).usable_pauses
    pause_s = math.fsum(end - start for start, end in pauses)
    speech = active_level_of(recording).dbfs if activity_of(recording).phrases else None
    comb = None
    tones: tuple[Tone, ...] | None = None
    reason = f"only {pause_s:.2f} s of usable pause; {MIN_PAUSE_S:.1f} s are needed"
    pieces = _pieces(pauses)
    if math.fsum(end - start for start, end in pieces) >= MIN_PAUSE_S:
        comb = _find_comb(recording, pieces)
        reason = "no hum was found"
    if comb is None:
        missing = dict.fromkeys(("mains_hz", "level_dbfs", "level_re_speech_db"), reason)
    frames = frames_within(recording.voice, recording.rate, pauses, _TONE_FRAME_S)
    if len(frames):
        tones = _find_tones(frames, recording.rate, comb, speech)
    else:
        missing["tones"] = f"no pause is as long as {_TONE_FRAME_S:.2f} s"
    level = db(comb.power) if comb else None
    if comb and speech is None:
        missing["level_re_speech_db"] = "no speech was found"
    return Hum(
        mains_hz=comb.mains_hz if comb else None,
        level_dbfs=level,
        level_re_speech_db=level - speech if level is not None and speech is not None else None,
        tones=tones,
        not_measured=missing,
    )


def _pieces(pauses: tuple[tuple[float, float], ...]) -> list[tuple[float, float]]:
    shortest, longest = _PIECE_S
    pieces: list[tuple[float, float]] = []
    for start, end in pauses:
        if end - start >= shortest:
            edges = np.linspace(start, end, math.ceil((end - start) / longest) + 1).tolist()
            pieces += zip(edges, edges[1:], strict=False)
    return pieces


def _find_comb(recording: Recording, pieces: list[tuple[float, float]]) -> _Comb | None:
    lines, weights = _line_spectra(voice_at(recording, _RATE_HZ), pieces)
    if not len(lines):
        return None
    combs = [_comb(lines, weights, mains) for mains in _MAINS_HZ]
    found = [comb for comb in combs if comb is not None]
    return max(found, key=lambda comb: comb.score, default=None)


def _line_spectra(
    x: npt.NDArray[np.float32], pieces: list[tuple[float, float]]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the spectra of the quiet pieces, and their lengths.

    Scaled so that a steady tone reads its mean square at its frequency, whatever its length.
    """
    parts = [x[round(a * _RATE_HZ) : round(b * _RATE_HZ)] for a, b in pieces]
    parts = [part - part.mean() for part in parts if part.any()]
    if not parts:
        return np.zeros((0, _FFT_SIZE // 2 + 1)), np.zeros(0)
    level = np.array([db(float(np.square(part).mean()) + 1e-30) for part in parts])
    quiet = [p for p, ok in zip(parts, level <= np.median(level) + _OUTLIER_DB, strict=True) if ok]
    lines = np.empty((len(quiet), _FFT_SIZE // 2 + 1))
    for line, part in zip(lines, quiet, strict=True):
        window = np.hanning(len(part) + 2)[1:-1]
        spectrum = np.fft.rfft(part * window, _FFT_SIZE)
        line[:] = (spectrum.real**2 + spectrum.imag**2) * (2.0 / window.sum() ** 2)
    return lines, np.array([len(part) for part in quiet], np.float64)


def _comb(
    lines: npt.NDArray[np.float64], weights: npt.NDArray[np.float64], mains_hz: int
) -> _Comb | None:
    average = weights @ lines / weights.sum()
    harmonics = np.arange(1, int(_TOP_HZ / mains_hz) + 1)
    per_hz = _FFT_SIZE / _RATE_HZ
    # Noise beside each tooth: the median of the spectrum around the two middles between teeth.
    offsets = np.arange(-0.12, 0.121, 0.02)
    middles = harmonics[:, np.newaxis] + np.concatenate((offsets - 0.5, offsets + 0.5))
    beside = np.round(middles * mains_hz * per_hz).astype(int)
    noise = np.median(average[beside], axis=1) + 1e-30
    teeth = np.round(harmonics * (mains_hz + _DEVIATION_HZ)[:, np.newaxis] * per_hz).astype(int)
    ratios = average[teeth] / noise
    best = int(np.log(np.maximum(ratios, 1.0)).sum(axis=1).argmax())
    ratio, tooth = levels_db(ratios[best] + 1e-30), teeth[best]
    # A tooth is a peak: half-way to the edges of its main lobe the spectrum lies lower.
    half_lobe = int(per_hz * _RATE_HZ / weights.mean())
    peak = (average[tooth] > average[tooth - half_lobe]) & (
        average[tooth] > average[tooth + half_lobe]
    )
    each_noise = np.median(lines[:, beside], axis=2) + 1e-30
    stands = lines[:, tooth] > each_noise * power_ratio(_PIECE_DB)
    counts = (ratio > _COUNT_DB) & peak & (stands.mean(axis=0) >= _SHARE_OF_PIECES)
    several = counts.sum() >= 2 and (ratio[counts] > _SURE_DB).any()
    alone = bool((ratio[counts & (harmonics <= _ALONE_MULTIPLES)] > _ALONE_DB).any())
    if not several and not alone:
        return None
    power = float((average[tooth] - noise)[counts].sum())
    return _Comb(
        mains_hz=mains_hz,
        fundamental_hz=float(mains_hz + _DEVIATION_HZ[best]),
        power=power,
        score=float(ratio[counts].sum()),
    )


def _find_tones(
    frames: npt.NDArray[np.float32], rate_hz: int, comb: _Comb | None, speech_dbfs: float | None
) -> tuple[Tone, ...]:
    from scipy.ndimage import median_filter

    frequencies, power = frame_spectra(frames, rate_hz)
    total = power.sum(axis=1)
    power = power[total <= np.median(total) * power_ratio(_OUTLIER_DB)]
    average = power.mean(axis=0)
    around = median_filter(average, _NEIGHBORHOOD, mode="nearest") + 1e-30
    factor = power_ratio(_TONE_DB + 10.0 / math.sqrt(len(power)))
    peak = np.zeros(len(average), bool)
    peak[2:-2] = (average[2:-2] >= average[1:-3]) & (average[2:-2] >= average[3:-1])
    peak &= (average > around * factor) & (frequencies >= _TONE_LOW_HZ)
    peak &= frequencies <= min(_TONE_TOP_HZ, 0.45 * rate_hz)
    tones = []
    for k in np.flatnonzero(peak).tolist():
        if (power[:, k] > 2.0 * around[k]).mean() < _TONE_SHARE:
            continue
        a, b, c = np.log(average[k - 1 : k + 2] + 1e-30)
        shift = 0.5 * (a - c) / min(a - 2.0 * b + c, -1e-9)
        frequency = float((k + shift) * (frequencies[1] - frequencies[0]))
        if comb is not None:
            multiple = max(1, round(frequency / comb.fundamental_hz))
            if abs(frequency - multiple * comb.fundamental_hz) < _MAINS_GUARD_HZ:
                continue
        level = db(max(float((average[k - 2 : k + 3] - around[k]).sum()), 0.0))
        relative = None if speech_dbfs is None else level - speech_dbfs
        tones.append(Tone(frequency_hz=frequency, level_dbfs=level, level_re_speech_db=relative))
    return tuple(sorted(tones, key=lambda tone: -tone.level_dbfs))
