"""Sibilance: how sharp the esses are.

What it is
    The sibilants s, z, sh, zh, ch and j carry most of their energy between 2.5 and 12 kHz. A bright
    microphone, a close position or a dental voice makes them stand out of the voice like needles.

Method
    The power spectrum of the voice (21 ms windows every 5 ms) is summed into six bands from 100 Hz
    to 7.8 kHz, averaged over 25 ms, and set against the mean level of the voiced frames. A linear
    discriminant of the six levels says how much a frame looks like a sibilant. A run of such frames
    is an event if a second discriminant agrees: how long it is, how clearly its frames look like a
    sibilant, and how far its onset rises out of what was before (a t bursts out of a closure, an s
    grows out of a vowel). The level of an event is that of its loudest 25 ms above 2.5 kHz.

Source
    Judging the hiss against the talker's own voiced level: common practice in de-essing, no source.
    Spectra, levels and durations of fricatives: Jongman, Wayland and Wong, "Acoustic
    characteristics of English fricatives", J. Acoust. Soc. Am. 108 (2000), 1252-1263: /s/ lies
    11 dB below the vowels, /f/ 21 dB. The discriminants were fitted by logistic regression to nine
    real readers of English (VCTK corpus, force-aligned) and three synthetic voices, with changes of
    tone of up to 8 dB added.

Units
    ``ratio_db``: energy of all sibilants above 2.5 kHz relative to the energy of all speech.
    ``p90_db``: level that one sibilant in ten exceeds, relative to the mean level of the voiced
    sounds. ``level_re_voiced_db``: the same of one sibilant. ``peak_hz``: where its spectrum is
    strongest.

Limits of validity
    The scale differs between voices and texts by more than most repairs change it: compare takes of
    the same line, where a change of 2 dB is told reliably. Some strong t and f count as sibilants,
    some weak z do not. Below a sample rate of 16 kHz the hiss is not recorded and nothing is
    measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.level import db
from vocheck.recording import Recording
from vocheck.results import Group, Result

HISS_HZ = (2500.0, 12000.0)
_MIN_RATE_HZ = 16000
_EDGES_HZ = (100.0, 500.0, 1500.0, 2500.0, 3500.0, 5000.0, 7800.0)
_AVERAGE = 5  # frames: 25 ms
_VOICED_DB = 6.0  # by which the bands below 2.5 kHz exceed those above 3.5 kHz in a voiced frame
_FLOOR = 1e-5  # -50 dB re voiced: what is softer is the room
_BEFORE = 8  # frames before an event (40 ms) that may hold the closure of a stop

# Fitted: frame score = weights . band levels (dB re voiced) + offset. Positive is a sibilant's.
_FRAME_WEIGHTS = np.array([0.014, -0.123, -0.075, 0.044, 0.050, 0.160])
_FRAME_OFFSET = 1.97
# Fitted: event score of log2(duration / 60 ms), mean frame score, and rise at the onset in dB.
_EVENT_WEIGHTS = np.array([1.85, 1.95, -0.046])
_EVENT_OFFSET = -3.0
_EVENT_THRESHOLD = -0.2
_SHORTEST_S = 0.02


@dataclass(frozen=True)
class Sibilant(Result):
    """One sibilant sound."""

    start_s: float
    end_s: float
    level_re_voiced_db: float
    peak_hz: float


@dataclass(frozen=True, kw_only=True)
class Sibilance(Group):
    """Sibilance of a take.

    Attributes
    ----------
    ratio_db : float or None
        Energy of all sibilants relative to the energy of all speech, in dB.
    p90_db : float or None
        90th percentile of the sibilants' levels relative to the voiced level, in dB.
    events : tuple of Sibilant or None
        In order of time.
    """

    ratio_db: float | None
    p90_db: float | None
    events: tuple[Sibilant, ...] | None


def measure(recording: Recording) -> Sibilance:
    """Find the sibilants of `recording`."""
    if recording.rate < _MIN_RATE_HZ:
        return _nothing(f"a sample rate of {recording.rate} Hz leaves no room for sibilants")
    spectrogram, activity = recording.spectrogram, recording.activity
    speech = activity.mask(activity.phrases, spectrogram.times_s)
    if not speech.any():
        return _nothing("no speech found")
    bands = np.stack(
        [spectrogram.band(a, b) for a, b in zip(_EDGES_HZ, _EDGES_HZ[1:], strict=False)]
    ).astype(np.float64)
    voiced = speech & (bands[:3].sum(axis=0) > 10 ** (_VOICED_DB / 10) * bands[4:].sum(axis=0))
    voiced_power = float(bands[:, voiced].sum(axis=0).mean()) if voiced.any() else 0.0
    if voiced_power == 0.0:
        return _nothing("no voiced speech found")
    levels = 10.0 * np.log10(_averaged(bands / voiced_power) + _FLOOR)
    score = _FRAME_WEIGHTS @ levels + _FRAME_OFFSET
    runs = _events(score, levels, speech, spectrogram.hop_s)
    if not runs:
        return Sibilance(
            ratio_db=-math.inf,
            p90_db=None,
            events=(),
            not_measured=dict.fromkeys(("ratio_db", "p90_db"), "no sibilant found"),
        )
    hiss = spectrogram.band(*HISS_HZ).astype(np.float64)
    hiss_level = 10.0 * np.log10(_averaged(hiss / voiced_power) + _FLOOR)
    events = tuple(
        Sibilant(
            start_s=float(spectrogram.times_s[start]),
            end_s=float(spectrogram.times_s[end - 1] + spectrogram.hop_s),
            level_re_voiced_db=float(hiss_level[start:end].max()),
            peak_hz=_peak_hz(spectrogram.power[start:end], spectrogram.frequencies_hz),
        )
        for start, end in runs
    )
    everything = float(spectrogram.band(_EDGES_HZ[0], HISS_HZ[1])[speech].sum(dtype=np.float64))
    return Sibilance(
        ratio_db=db(sum(float(hiss[start:end].sum()) for start, end in runs) / everything),
        p90_db=float(np.percentile([event.level_re_voiced_db for event in events], 90.0)),
        events=events,
    )


def _nothing(reason: str) -> Sibilance:
    return Sibilance(
        ratio_db=None,
        p90_db=None,
        events=None,
        not_measured=dict.fromkeys(("ratio_db", "p90_db", "events"), reason),
    )


def _averaged(power: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return the running mean over `_AVERAGE` frames along the last axis."""
    from scipy.ndimage import uniform_filter1d

    mean: npt.NDArray[np.float64] = uniform_filter1d(power, _AVERAGE, axis=-1, mode="constant")
    return np.maximum(mean, 0.0)  # the running sum may leave a negative rounding error


def _events(
    score: npt.NDArray[np.float64],
    levels: npt.NDArray[np.float64],
    speech: npt.NDArray[np.bool_],
    hop_s: float,
) -> list[tuple[int, int]]:
    """Return first and last-plus-one frame of every run that is a sibilant."""
    change = np.diff(((score > 0.0) & speech).astype(np.int8), prepend=0, append=0)
    starts, ends = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    keep = (ends - starts) * hop_s >= _SHORTEST_S
    power = 10.0 ** (levels / 10.0)
    total = 10.0 * np.log10(power.sum(axis=0))
    high = 10.0 * np.log10(power[3:].sum(axis=0))
    runs = []
    for start, end in zip(starts[keep].tolist(), ends[keep].tolist(), strict=True):
        before = total[max(0, start - _BEFORE) : start]
        rise = high[start:end].max() - (before.min() if len(before) else 10 * np.log10(_FLOOR))
        duration = np.log2((end - start) * hop_s / 0.06)
        features = np.array([duration, score[start:end].mean(), rise])
        if _EVENT_WEIGHTS @ features + _EVENT_OFFSET > _EVENT_THRESHOLD:
            runs.append((start, end))
    return runs


def _peak_hz(power: npt.NDArray[np.float32], frequencies_hz: npt.NDArray[np.float64]) -> float:
    """Return where the mean spectrum, smoothed over nine bins (0.4 kHz), is highest."""
    first, last = np.searchsorted(frequencies_hz, (2000.0, HISS_HZ[1]))
    spectrum = np.convolve(power[:, first:last].mean(axis=0), np.ones(9) / 9, mode="same")
    return float(frequencies_hz[first + int(spectrum.argmax())])
