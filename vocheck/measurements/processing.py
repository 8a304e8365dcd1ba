"""Processing: what a gate, an expander or noise reduction has already done to the take.

What it is
    `gated` tells that the pauses were turned down; `gate_depth_db` by how much. The noise under the
    words stays, so a gated take pumps, and its noise floor flatters it. `noise_reduction` tells
    that the noise in the pauses has the pattern which spectral noise reduction leaves (musical
    noise); `log_spectral_std_db` is the number that it rests on.

Method
    Gate: exact zeros in runs of 5 ms or more inside the pauses; or noise that is lower in the
    pauses than under the speech. For that, the softest moments within phrases are compared with the
    pauses in each of several bands; where no gate is, at least one band shows the same noise in
    both. Noise reduction: the standard deviation, over time, of the level in each bin of the
    spectrum of the pauses. The power of Gaussian noise in a bin follows an exponential
    distribution, whose logarithm has a standard deviation of 10 / ln 10 * pi / sqrt 6 = 5.57 dB,
    whatever the noise's colour and level. Noise reduction that opens and closes bins raises it.

Sources
    The value of 5.57 dB is theory; that musical noise raises the spread of the spectrum is the
    ground of Uemura, Saruwatari and others' work on it (EURASIP JASP 2010, 431347). Thresholds are
    this project's own.

Units
    dB.

Limits of validity
    Needs 0.3 s of pause (a gate that closes for less is not seen) and some speech. Mild noise
    reduction with a smoothed gain (6 dB, decision-directed) leaves no trace that this finds. A
    lossy codec that drops bins raises the standard deviation too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vocheck.measurements.noise import MIN_PAUSE_S
from vocheck.recording import Recording
from vocheck.results import Group

_ZERO_RUN_S = 0.005
_ZERO_SHARE = 0.02  # of the pauses
_GATE_DB = 8.0
_BAND_EDGES_HZ = (
    100.0, 200.0, 400.0, 800.0, 1600.0, 3200.0, 5000.0, 7000.0, 9000.0, 12000.0, 16000.0, 20000.0
)  # fmt: skip
_SOFT_PERCENTILE = 5  # of a band's level within phrases: where the voice leaves the noise bare
_LATTICE_HZ = (200.0, 8000.0)
_NR_DB = 6.5
_MIN_FRAMES = 12


@dataclass(frozen=True, kw_only=True)
class Processing(Group):
    """Traces of gating and noise reduction.

    Attributes
    ----------
    gated : bool or None
    gate_depth_db : float or None
        How much lower the noise is in the pauses than under the words; ``None`` without a gate,
        and where the gate closes to digital silence.
    noise_reduction : bool or None
    log_spectral_std_db : float or None
        Standard deviation over time of the spectrum's level in the pauses; 5.57 dB for steady
        noise.
    """

    gated: bool | None
    gate_depth_db: float | None
    noise_reduction: bool | None
    log_spectral_std_db: float | None


def measure(recording: Recording) -> Processing:
    """Look for gating and noise reduction in the channel that carries the voice."""
    missing: dict[str, str] = {}
    activity = recording.activity
    pause_s = math.fsum(end - start for start, end in activity.usable_pauses)
    gated: bool | None = None
    depth: float | None = None
    deviation: float | None = None
    reason = f"only {pause_s:.2f} s of usable pause; {MIN_PAUSE_S:.1f} s are needed"
    if pause_s >= MIN_PAUSE_S and activity.phrases:
        zeros = _zero_share(recording)
        depth = _depth_db(recording)
        gated = zeros > _ZERO_SHARE or (depth is not None and depth > _GATE_DB)
        if not gated:
            depth = None
            missing["gate_depth_db"] = "no gate was found"
        elif depth is None:
            missing["gate_depth_db"] = "the gate closes to digital silence"
    else:
        if pause_s >= MIN_PAUSE_S:
            reason = "no speech was found"
        missing["gated"] = missing["gate_depth_db"] = reason
    deviation = _log_spectral_std(recording)
    if deviation is None:
        missing["noise_reduction"] = missing["log_spectral_std_db"] = (
            "too little pause that is neither digital silence nor disturbed"
        )
    return Processing(
        gated=gated,
        gate_depth_db=depth,
        noise_reduction=None if deviation is None else deviation > _NR_DB,
        log_spectral_std_db=deviation,
        not_measured=missing,
    )


def _zero_share(recording: Recording) -> float:
    """Return the share of the pauses that lies in runs of zeros; padding at the ends left out."""
    voice = recording.voice
    sounding = np.flatnonzero(voice)
    if not len(sounding):
        return 0.0
    first, last = int(sounding[0]), int(sounding[-1])
    change = np.diff((voice[first : last + 1] == 0).astype(np.int8), prepend=0, append=0)
    starts, ends = np.flatnonzero(change == 1) + first, np.flatnonzero(change == -1) + first
    long = ends - starts >= _ZERO_RUN_S * recording.rate
    zero = np.zeros(len(voice) + 1, np.int8)
    zero[starts[long]] = 1
    zero[ends[long]] -= 1
    held = np.concatenate(([0], np.cumsum(np.cumsum(zero[:-1], dtype=np.int64))))
    total = inside = 0
    for start_s, end_s in recording.activity.usable_pauses:
        a = min(max(round(start_s * recording.rate), first), last)
        b = min(max(round(end_s * recording.rate), first), last)
        total += b - a
        inside += int(held[b] - held[a])
    return inside / total if total else 0.0


def _depth_db(recording: Recording) -> float | None:
    """Return by how much the pauses lie below the softest moments of the speech, in any band."""
    spectrogram, activity = recording.spectrogram, recording.activity
    within = activity.mask(activity.phrases, spectrogram.times_s)
    pause = activity.mask(activity.usable_pauses, spectrogram.times_s)
    if within.sum() < _MIN_FRAMES or pause.sum() < _MIN_FRAMES:
        return None
    depths = []
    for low, high in zip(_BAND_EDGES_HZ, _BAND_EDGES_HZ[1:], strict=False):
        if high > 0.45 * recording.rate:
            break
        power = spectrogram.band(low, high)
        closed = float(np.median(power[pause]))
        if closed <= 0.0:
            return None
        soft = float(np.percentile(power[within], _SOFT_PERCENTILE))
        depths.append(10.0 * math.log10(max(soft, 1e-30) / closed))
    return min(depths) if depths else None


def _log_spectral_std(recording: Recording) -> float | None:
    """Return the standard deviation over time of the level in the bins of the pauses, in dB.

    Pooled over bins and pauses; each pause about its own mean, so that noise which changes between
    pauses does not count.
    """
    spectrogram = recording.spectrogram
    bins = (spectrogram.frequencies_hz >= _LATTICE_HZ[0]) & (
        spectrogram.frequencies_hz <= min(_LATTICE_HZ[1], 0.45 * recording.rate)
    )
    if not bins.any():
        return None
    squares = 0.0
    freedom = 0
    for start, end in recording.activity.usable_pauses:
        first, last = np.searchsorted(spectrogram.times_s, (start + 0.011, end - 0.011))
        power = spectrogram.power[first:last:2, bins]  # every second frame: half a window apart
        total = power.sum(axis=1)
        power = power[(total > 0.0) & (total <= 2.0 * np.median(total))] if len(total) else power
        if len(power) < 4:
            continue
        level = 10.0 * np.log10(np.maximum(power, 1e-20, dtype=np.float64))
        squares += float(np.square(level - level.mean(axis=0)).sum())
        freedom += (len(level) - 1) * level.shape[1]
    if freedom < _MIN_FRAMES * int(bins.sum()):
        return None
    return math.sqrt(squares / freedom)
