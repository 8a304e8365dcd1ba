"""Processing: what a gate, an expander or noise reduction has already done to the take.

What it is
    `gated` tells that the pauses were turned down; `gate_depth_db` by how much. The noise under the
    words stays, so a gated take pumps, and its noise floor flatters it. `noise_reduction` tells
    that the noise in the pauses has the pattern which spectral noise reduction leaves (musical
    noise); `log_spectral_std_db` is the number that it rests on.

Method
    Gate: exact zeros in runs of 5 ms or more inside the pauses; or noise that is lower in the
    pauses than under the speech. For that, the softest twentieth of the frames within phrases is
    compared with the softest twentieth of the pauses in each of several bands; where no gate is, at
    least one band shows the same noise in both. Noise reduction: the standard deviation, over time,
    of the level in each bin of the spectrum of the pauses. The power of Gaussian noise in a bin
    follows an exponential distribution, whose logarithm has a standard deviation of
    10 / ln 10 * pi / sqrt 6 = 5.57 dB, whatever the noise's color and level. Noise reduction that
    opens and closes bins raises it.

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
from itertools import pairwise

import numpy as np

from vocheck.measurements.noise import MIN_PAUSE_S
from vocheck.recording import Recording
from vocheck.results import Group

_ZERO_RUN_S = 0.005
_ZERO_SHARE = 0.02  # of the pauses
_GATE_DB = 6.0
_SILENCE = 1e-15  # of power: below the last bit of any recording
_TOP_SHARE = 0.45  # of the rate: a band above may hold the slope of a converter's filter
_BAND_EDGES_HZ = (
    100.0, 200.0, 400.0, 800.0, 1600.0, 3200.0, 5000.0, 7000.0, 9000.0, 12000.0, 16000.0, 20000.0
)  # fmt: skip
_SOFT_PERCENTILE = 5  # of a band's power within phrases: where the voice leaves the noise bare
_LATTICE_HZ = (200.0, 8000.0)
_NR_DB = 6.2
_MARGINS_S = (0.06, 0.12)  # of a phrase: the activity's pads, in which a gate may be closed already
_MIN_FRAMES = 12
_EDGE_S = 0.011  # half a window: frames that reach out of the pause are left out
_DISTURBED = 2.0  # of the median power of all pauses: louder frames hold a breath or a click


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
        if _zero_share(recording) > _ZERO_SHARE:
            gated = True
            missing["gate_depth_db"] = "the gate closes to digital silence"
        else:
            depth = _depth_db(recording)
            gated = depth is not None and depth > _GATE_DB
            if not gated:
                depth = None
                missing["gate_depth_db"] = "no gate was found"
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
    heard = recording.voice != 0
    if not heard.any():
        return 0.0
    first, last = int(heard.argmax()), len(heard) - int(heard[::-1].argmax())
    shortest = _ZERO_RUN_S * recording.rate
    total = zeros = 0
    for start_s, end_s in recording.activity.usable_pauses:
        pause = heard[
            max(round(start_s * recording.rate), first) : min(round(end_s * recording.rate), last)
        ]
        total += len(pause)
        # Between two samples that are heard lies a run of zeros as long as their distance less one.
        places = np.flatnonzero(np.concatenate(([True], pause, [True])))
        runs = np.diff(places) - 1
        zeros += int(runs[runs >= shortest].sum())
    return zeros / total if total else 0.0


def _depth_db(recording: Recording) -> float | None:
    """Return by how much the pauses lie below the softest moments of the speech, in any band.

    ``None`` where the bare noise cannot be seen: hardly any speech, or hardly any pause that is
    more than digital silence.
    """
    spectrogram, activity = recording.spectrogram, recording.activity
    hz = spectrogram.frequencies_hz
    edges = [edge for edge in _BAND_EDGES_HZ if edge <= _TOP_SHARE * recording.rate]
    bands = np.stack([(hz >= low) & (hz < high) for low, high in pairwise(edges)], axis=1)
    power = spectrogram.power @ bands.astype(np.float32)
    before, after = _MARGINS_S
    words = tuple((a + before, b - after) for a, b in activity.phrases if b - a > before + after)
    within = power[activity.mask(words, spectrogram.times_s)]
    pause = power[activity.mask(activity.usable_pauses, spectrogram.times_s)]
    pause = pause[pause.sum(axis=1) > _SILENCE]
    if min(len(within), len(pause)) < _MIN_FRAMES:
        return None
    # The same percentile of both: where no gate is, what is left of a band is the same noise.
    open_, closed = (
        np.percentile(part, _SOFT_PERCENTILE, axis=0) + _SILENCE for part in (within, pause)
    )
    return float(10.0 * np.log10(open_ / closed).min())


def _log_spectral_std(recording: Recording) -> float | None:
    """Return the standard deviation over time of the level in the bins of the pauses, in dB.

    Pooled over bins and pauses; each pause about its own mean and each frame about its own level,
    so that noise which swells or changes between pauses does not count.
    """
    spectrogram = recording.spectrogram
    hz = spectrogram.frequencies_hz
    top = min(_LATTICE_HZ[1], _TOP_SHARE * recording.rate)
    bins = slice(*np.searchsorted(hz, (_LATTICE_HZ[0], top)))
    pauses = []
    for start, end in recording.activity.usable_pauses:
        first, last = np.searchsorted(spectrogram.times_s, (start + _EDGE_S, end - _EDGE_S))
        # Every second frame: half a window apart, so that neighbors hardly depend on each other.
        pauses.append(spectrogram.power[first:last:2, bins].astype(np.float64))
    totals = [power.sum(axis=1) for power in pauses]
    heard = np.concatenate([total[total > _SILENCE] for total in totals] or [np.zeros(0)])
    if not len(heard):
        return None
    loudest = _DISTURBED * float(np.median(heard))
    squares, freedom = 0.0, 0
    for power, total in zip(pauses, totals, strict=True):
        quiet = power[(total > _SILENCE) & (total <= loudest)]
        if len(quiet) < 2:
            continue
        level = 10.0 * np.log10(quiet + _SILENCE * 1e-6)
        level -= level.mean(axis=1, keepdims=True)
        level -= level.mean(axis=0)
        squares += float(np.square(level).sum())
        freedom += (level.shape[0] - 1) * (level.shape[1] - 1)
    enough = freedom >= _MIN_FRAMES * (hz[bins].size - 1) > 0
    return math.sqrt(squares / freedom) if enough else None
