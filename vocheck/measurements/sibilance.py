"""Sibilance: how sharp the esses are.

What it is
    The sibilants s, z, sh, zh, ch and j carry most of their energy between 3.5 and 12 kHz. A bright
    microphone, a close position or a dental voice makes them stand out of the voice like needles.

Method
    In the short-time spectrum (21 ms windows every 5 ms), a frame is sibilant where the hiss band
    exceeds the voice band, the centre of gravity of the spectrum is high, and the level is no more
    than 35 dB below that of the voiced frames and 10 dB above the noise floor. Runs of such frames
    are the sibilants; their level is set against the mean level of the voiced frames.

Source
    Hiss band and the judgement against the talker's own voiced level: common practice in
    de-essing, no source. Spectra and levels of fricatives: Jongman, Wayland and Wong, "Acoustic
    characteristics of English fricatives", J. Acoust. Soc. Am. 108 (2000), 1252-1263. The constants
    are our choice.

Units
    ``ratio_db``: energy of all sibilants in the hiss band relative to the energy of all speech.
    ``p90_db``: level that one sibilant in ten exceeds, relative to the voiced level.
    ``level_re_voiced_db``: greatest level of one sibilant relative to the voiced level.
    ``peak_hz``: where its spectrum is strongest.

Limits of validity
    The scale differs between voices and texts by more than most repairs change it: compare takes of
    the same line. A strong t, f, th or k resembles a short s. Below a sample rate of 16 kHz the
    hiss band is not recorded and nothing is measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.level import db
from vocheck.recording import Recording
from vocheck.results import Group, Result

HISS_HZ = (3500.0, 12000.0)
VOICE_HZ = (100.0, 2500.0)
_MIN_RATE_HZ = 16000
_RATIO_DB = 0.0  # hiss band over voice band in a sibilant frame
_CENTROID_HZ = 3000.0
_BELOW_VOICED_DB = 35.0
_ABOVE_FLOOR_DB = 10.0
_VOICED_RATIO_DB = -6.0
_MIN_S = 0.040


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
    events : tuple of Sibilant
        In order of time.
    """

    ratio_db: float | None
    p90_db: float | None
    events: tuple[Sibilant, ...] | None


def measure(recording: Recording) -> Sibilance:
    """Find the sibilants of `recording`."""
    if recording.rate < _MIN_RATE_HZ:
        return _nothing(f"the sample rate of {recording.rate} Hz leaves no room for sibilants")
    spectrogram = recording.spectrogram
    if not len(spectrogram.power) or not recording.activity.phrases:
        return _nothing("no speech found")
    voice, hiss = spectrogram.band(*VOICE_HZ), spectrogram.band(*HISS_HZ)
    total = voice + hiss
    tiny = np.float32(1e-15)
    ratio = 10.0 * np.log10((hiss + tiny) / (voice + tiny))
    level = 10.0 * np.log10(total + tiny)
    speech = recording.activity.mask(recording.activity.phrases, spectrogram.times_s)
    voiced = speech & (ratio < _VOICED_RATIO_DB)
    voiced_db = db(float(total[voiced].mean())) if voiced.any() else -math.inf
    if voiced_db == -math.inf:
        return _nothing("no voiced speech found")
    floor_db = float(np.percentile(level, 5.0))
    sibilant = (
        (ratio > _RATIO_DB)
        & (level > max(voiced_db - _BELOW_VOICED_DB, floor_db + _ABOVE_FLOOR_DB))
        & speech
    )
    runs = _runs(sibilant, round(_MIN_S / spectrogram.hop_s))
    events = tuple(
        Sibilant(
            float(spectrogram.times_s[start]),
            float(spectrogram.times_s[end - 1] + spectrogram.hop_s),
            float(level[start:end].max()) - voiced_db,
            _peak_hz(spectrogram.power[start:end], spectrogram.frequencies_hz),
        )
        for start, end in runs
    )
    if not events:
        return Sibilance(
            ratio_db=-math.inf, p90_db=None, events=(),
            not_measured=dict.fromkeys(("ratio_db", "p90_db"), "no sibilant found"),
        )  # fmt: skip
    energy = sum(float(hiss[start:end].sum()) for start, end in runs)
    return Sibilance(
        ratio_db=db(energy / float(total[speech].sum())),
        p90_db=float(np.percentile([event.level_re_voiced_db for event in events], 90.0)),
        events=events,
    )


def _nothing(reason: str) -> Sibilance:
    return Sibilance(
        ratio_db=None, p90_db=None, events=None,
        not_measured=dict.fromkeys(("ratio_db", "p90_db", "events"), reason),
    )  # fmt: skip


def _runs(mask: npt.NDArray[np.bool_], shortest: int) -> list[tuple[int, int]]:
    change = np.diff(mask.astype(np.int8), prepend=0, append=0)
    starts, ends = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    keep = ends - starts >= shortest
    return list(zip(starts[keep].tolist(), ends[keep].tolist(), strict=True))


def _peak_hz(power: npt.NDArray[np.float32], frequencies_hz: npt.NDArray[np.float64]) -> float:
    first, last = np.searchsorted(frequencies_hz, (2000.0, HISS_HZ[1]))
    spectrum = np.convolve(power[:, first:last].mean(axis=0), np.ones(9) / 9, mode="same")
    return float(frequencies_hz[first + int(spectrum.argmax())])
