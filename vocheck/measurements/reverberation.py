"""Reverberation: how long the recording room rings, estimated from the voice itself.

What it is
    The reverberation time (RT60) is the time in which sound in a room falls by 60 dB after its
    source stops. A booth has 0.1 to 0.2 s, a furnished living room 0.3 to 0.5 s. `rt60_s` is the
    *late* decay, after the direct sound, from 500 Hz to 2 kHz. How loud it stands beside the voice
    is another matter, and depends on how near the microphone is: `c50_db` (clarity) is the energy
    of the first 50 ms over the rest. Above 20 dB or so a long decay is there and yet hardly heard.
    Read both together.
Method
    No clap is needed: each time the voice stops or steps down, the room goes on for a moment. The
    decays in eight bands from 250 Hz to 7.6 kHz are followed (`vocheck.voice.speech_decays`). Every
    decay (its fall along the time, its slopes in windows of depth, its level, what went before it)
    goes into a few small neural networks that judge it beside the others and were fitted on
    simulated rooms and dry voices; their mean is the estimate. A rule without any training checks
    it: the median slope 13 to 33 dB below the peak where each decay begins. (Deep in a decay the
    direct sound is gone, and a voice can fall faster than its room but never slower.) Where the two
    disagree by more than the rule's own error, the interval is widened to hold both. The networks
    tell an interval too; how far it has to be stretched to hold the truth 9 times out of 10 comes
    from rooms and voices that a fit had not seen, for long and quiet takes (5 s, 35 dB) and for
    others.
Units
    Seconds; C50 in decibels, told from -5 to 40. `confidence` is a number from 0 (a guess) to 1.
Source
    The quantities: ISO 3382-1 and ISO 3382-2. The free-decay idea: Ratnam et al., J. Acoust. Soc.
    Am. 114, 2003; Löllmann et al., IWAENC 2010. Networks over sets: Zaheer et al., NeurIPS
    2017. Rooms altered while fitting: Bryan, ICASSP 2020. The interval: conformalized quantile
    regression, Romano et al., NeurIPS 2019.
Limits of validity
    An estimate. It needs 3 s of speech in a quiet room. Noise reduction hides the decay: where
    `processing` finds it, no number is given. A gate shortens it by up to a fifth, a deep one by
    more; where one is found, the confidence is halved. Music under the voice lengthens it: where
    `processing` finds it, no number is given. Heavy compression bends it unnoticed. The voice
    itself takes about 0.1 s to die away, so a shorter reverberation is told as "<= 0.1 s"; a longer
    one than 1.2 s as "> 1.2 s". Where the decay is bent (its late part slower than its early one)
    the number lies between T20 and T30, nearer to T20, and the interval holds T30 in two of three
    such rooms only. Fitted on simulated rooms; what that is worth elsewhere stands in the accuracy
    page.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import Literal

import numpy as np
import numpy.typing as npt

from vocheck.dsp.comb import find_comb
from vocheck.dsp.regression import SetNetworks
from vocheck.dsp.runs import runs_of
from vocheck.measurements import processing
from vocheck.recording import Recording
from vocheck.results import Group, Result, Row
from vocheck.voice.channel import voice_at
from vocheck.voice.decay_features import features
from vocheck.voice.speech_decays import RATE_HZ, WINDOWS_DB, Decays, find_decays, join

AtLimit = Literal["", "<= 0.1 s", "> 1.2 s"]
Values = npt.NDArray[np.float64]

# A voice takes the first to die away; the interval is fitted to times between the two.
DRY_S, LONG_S = 0.1, 1.2
C50_RANGE_DB = (-5.0, 40.0)  # the fit held its targets within
OCTAVES_HZ = (500.0, 1000.0, 2000.0, 4000.0)  # the octaves of ISO 3382-2 that speech fills
COEFFICIENTS = "reverberation.npz"

_MIN_LENGTH_S = 3.0  # shorter takes seldom hold _MIN_DECAYS; our choice
_MIN_DECAYS = 40  # our choice: with fewer, one odd decay moves the estimate
_MIN_DEEP_DECAYS = 4  # in the window from 13 to 23 dB, bands of `_RULE_BANDS`
_MIN_SNR_DB = 20.0  # in the bands of `_RULE_BANDS`, loud frames over noise
_RULE_BANDS = range(1, 6)  # 400 Hz to 4 kHz
# Deep: the direct sound is gone.
_RULE_WINDOWS = tuple(WINDOWS_DB.index(window) for window in ((13, 23), (18, 28), (23, 33)))
RULE_FACTOR = 1.8  # 9 of 10 simulated takes at 45 dB SNR: the rule lies within this of the truth
_LONG_TAKE_S, _QUIET_DB = 5.0, 35.0  # our choice: held-out takes fall into halves there
_MIN_ARM = 0.03  # in log RT60: no interval is narrower than 3 % to either side
_SURE, _UNSURE = 1.2, 4.0  # high / low of the interval at which the confidence is 1, and 0
_COMB_SCORE = 8.0  # 19 of 20 simulated rooms without an added reflection stay below
# Of the spectrum in pauses. The regressors know untouched takes only, which have 5.4 to 5.9 dB.
# This is no limit: a studio that moves the limit of noise reduction does not move it.
_MOST_SPREAD_DB = 6.2
_ZERO_RUN_S = 0.005  # digital silence this long was put there by an edit or a gate


@dataclass(frozen=True, kw_only=True)
class BandTime(Result):
    """Reverberation time in one octave band.

    Attributes
    ----------
    centre_hz : float
    rt60_s : float
    """

    centre_hz: float
    rt60_s: float


@dataclass(frozen=True, kw_only=True)
class Reverberation(Group):
    """Reverberation estimated from speech.

    Attributes
    ----------
    rt60_s : float or None
        Late reverberation time, 500 Hz to 2 kHz.
    rt60_low_s, rt60_high_s : float or None
        Interval that holds the true value 9 times out of 10.
    at_limit : str
        ``"<= 0.1 s"`` or ``"> 1.2 s"`` where the value is beyond what speech can tell; else empty.
    confidence : float
        From 0 (the interval spans a factor of 4 or more: a guess) to 1 (a factor of 1.2 or less).
    decays : int
        How many decays the estimate rests on.
    deep_share : float or None
        The share of them that fall by 23 dB before the next sound; known also where the estimate is
        not. Where hardly any does in a quiet take, the room is very live.
    bands : tuple of BandTime
        Octaves from 500 Hz to 4 kHz.
    c50_db : float or None
        Clarity: energy of the first 50 ms over the rest.
    edt_s : float or None
        Early decay time: of the first 10 dB, the direct sound included; near 0 for a close voice.
    rule_rt60_s : float or None
        What the rule without training says.
    snr_db : float or None
        Loud speech over noise, median of the bands from 400 Hz to 4 kHz.
    reflection_ms : float or None
        A hint: the delay of one reflection so strong that it combs the spectrum of the voice.
    left_out : int
        Takes that `pool` left out, because a gate, noise reduction or music had bent their decays.
    """

    rt60_s: float | None
    rt60_low_s: float | None
    rt60_high_s: float | None
    at_limit: AtLimit
    confidence: float
    decays: int
    deep_share: float | None
    bands: tuple[BandTime, ...]
    c50_db: float | None
    edt_s: float | None
    rule_rt60_s: float | None
    snr_db: float | None
    reflection_ms: float | None
    left_out: int = 0


ROWS: tuple[Row, ...] = (
    Row(
        "rt60_s", "RT60", "s", digits=2, shown=True, beside="{rt60_low_s:.2f} to {rt60_high_s:.2f}"
    ),
    Row("c50_db", "C50", "dB"),
    Row("edt_s", "early decay time", "s", digits=2),
    Row("confidence", "confidence in RT60", "", digits=2),
    Row("reflection_ms", "delay of the strongest reflection", "ms"),
)


def measure(recording: Recording) -> Reverberation:
    """Estimate the reverberation of one take."""
    processed = processing.measure(recording)
    if _is_denoised(processed):
        return _refused("noise reduction was run over this take and took the room's decay with it")
    if processed.music_bed:
        return _refused("music lies under the voice and hides the room; measure the raw take")
    found = _told(_decays(recording))
    if found.rt60_s is None:
        return found
    comb = find_comb(voice_at(recording, RATE_HZ))
    if comb is not None and comb.score > _COMB_SCORE:
        others = {name: why for name, why in found.not_measured.items() if name != "reflection_ms"}
        found = replace(found, reflection_ms=1000.0 * comb.delay_s, not_measured=others)
    return replace(found, confidence=found.confidence / 2) if processed.gated else found


def pool(takes: Sequence[Recording | Decays]) -> Reverberation:
    """Estimate the reverberation from several takes of one session, as one better estimate.

    Parameters
    ----------
    takes : sequence of Recording or Decays
        One or more takes with one voice, one room and one microphone position, or what `decays`
        returned for them. Those with gated pauses, noise reduction or music are left out, and
        counted in `left_out`.

    Returns
    -------
    Reverberation
    """
    parts = [take if isinstance(take, Decays) else decays(take) for take in takes]
    whole = [part for part in parts if not part.processed]
    if parts and not whole:
        found = _refused("a gate, noise reduction or music bent the decays of every take")
    else:
        found = _told(join(whole))
    return replace(found, left_out=len(parts) - len(whole))


def _told(found: Decays) -> Reverberation:
    """Return what the decays tell, or why they tell nothing."""
    snr_db = loud_over_noise_db(found)
    reason = refusal(found)
    rule_s = None if reason else rule(found)
    if rule_s is None:
        return _known(_refused(reason or "too few decays to judge by"), found)
    estimate = _estimate(found)
    low_s, high_s = estimate.interval_s
    if max(rule_s / estimate.rt60_s, estimate.rt60_s / rule_s) > RULE_FACTOR:
        low_s, high_s = min(low_s, rule_s), max(high_s, rule_s)
    width = math.log(_UNSURE * low_s / high_s) / math.log(_UNSURE / _SURE)
    return Reverberation(
        rt60_s=estimate.rt60_s,
        rt60_low_s=low_s,
        rt60_high_s=high_s,
        at_limit=(
            "<= 0.1 s"
            if estimate.rt60_s <= DRY_S
            else "> 1.2 s"
            if estimate.rt60_s > LONG_S
            else ""
        ),
        confidence=min(1.0, max(0.0, width)),
        decays=len(found),
        deep_share=_deep(found) / len(found),
        bands=tuple(
            BandTime(centre_hz=centre_hz, rt60_s=time_s)
            for centre_hz, time_s in zip(OCTAVES_HZ, estimate.octaves_s, strict=True)
        ),
        c50_db=estimate.c50_db,
        edt_s=estimate.edt_s,
        rule_rt60_s=rule_s,
        snr_db=snr_db,
        reflection_ms=None,
        not_measured={"reflection_ms": "no single reflection stands out"},
    )


def decays(recording: Recording) -> Decays:
    """Return the decays of one take: small enough to keep for `pool` when the audio is not."""
    how = processing.measure(recording)
    processed = bool(_is_denoised(how) or how.gated or how.music_bed)
    return replace(_decays(recording), processed=processed)


def _is_denoised(how: processing.Processing) -> bool:
    """Return whether noise reduction has bent the decays so that none can be trusted."""
    return how.log_spectral_std_db is not None and how.log_spectral_std_db > _MOST_SPREAD_DB


def _decays(recording: Recording) -> Decays:
    return find_decays(voice_at(recording, RATE_HZ), _cuts(recording))


def loud_over_noise_db(found: Decays) -> float:
    """Return the level of loud speech over the noise, median of the bands from 400 Hz to 4 kHz."""
    return float(np.median(found.snr_db[list(_RULE_BANDS)]))


def well_heard(found: Decays) -> bool:
    """Return whether these decays come from long and quiet takes, whose interval is narrower."""
    return found.length_s >= _LONG_TAKE_S and loud_over_noise_db(found) >= _QUIET_DB


def refusal(found: Decays) -> str | None:
    """Return why these decays carry no estimate, or ``None`` where they do."""
    snr_db = loud_over_noise_db(found)
    deep = _deep(found)
    if found.length_s < _MIN_LENGTH_S:
        return f"shorter than {_MIN_LENGTH_S:.0f} s"
    if not len(found):
        return "no decays found: no speech, or no pause in it"
    if snr_db < _MIN_SNR_DB:
        return (
            f"too noisy: loud speech only {snr_db:.0f} dB over the noise, {_MIN_SNR_DB:.0f} needed"
        )
    if len(found) < _MIN_DECAYS or deep < _MIN_DEEP_DECAYS:
        return f"too few decays to judge by ({len(found)}, {deep} of them deep)"
    return None


def _deep(found: Decays) -> int:
    """Return how many decays of the main bands fall through 13 to 23 dB."""
    main = np.isin(found.band, _RULE_BANDS)
    return int(np.isfinite(found.time_60_db_s[main, _RULE_WINDOWS[0]]).sum())


def _known(refused: Reverberation, found: Decays) -> Reverberation:
    """Return a refusal with what the decays tell all the same."""
    if not len(found):
        return refused
    names = ("deep_share", "snr_db")
    missing = {name: why for name, why in refused.not_measured.items() if name not in names}
    return replace(
        refused,
        decays=len(found),
        deep_share=_deep(found) / len(found),
        snr_db=loud_over_noise_db(found),
        not_measured=missing,
    )


def _refused(reason: str) -> Reverberation:
    names = (
        *("rt60_s", "rt60_low_s", "rt60_high_s", "c50_db", "edt_s", "rule_rt60_s", "snr_db"),
        *("deep_share", "reflection_ms"),
    )
    return Reverberation(
        rt60_s=None,
        rt60_low_s=None,
        rt60_high_s=None,
        at_limit="",
        confidence=0.0,
        decays=0,
        deep_share=None,
        bands=(),
        c50_db=None,
        edt_s=None,
        rule_rt60_s=None,
        snr_db=None,
        reflection_ms=None,
        not_measured=dict.fromkeys(names, reason),
    )


def rule(found: Decays) -> float | None:
    """Return the geometric mean of the median slopes in the deep windows, as a time in seconds."""
    times = found.time_60_db_s[np.isin(found.band, _RULE_BANDS)][:, _RULE_WINDOWS]
    columns = [column[np.isfinite(column)] for column in times.T]
    medians = [math.log(float(np.median(column))) for column in columns if len(column) >= 3]
    return math.exp(sum(medians) / len(medians)) if medians else None


@dataclass(frozen=True)
class _Estimate:
    rt60_s: float
    interval_s: tuple[float, float]
    c50_db: float
    edt_s: float
    octaves_s: tuple[float, ...]


@cache
def _model() -> tuple[SetNetworks, tuple[float, float]]:
    """Return the networks, and how far to stretch their interval for takes heard well or badly."""
    with resources.files(__package__).joinpath(COEFFICIENTS).open("rb") as file:
        arrays = dict(np.load(file))
    well, less = arrays["interval.stretch"].tolist()
    return SetNetworks.load(arrays, "networks"), (well, less)


def _estimate(found: Decays) -> _Estimate:
    networks, stretches = _model()
    stretch = stretches[0 if well_heard(found) else 1]
    outputs = networks.predict(features(found)).tolist()
    log_rt60, low, high, c50_db, log_edt, *octaves = outputs
    below, above = arms(log_rt60, low, high)
    return _Estimate(
        rt60_s=math.exp(log_rt60),
        interval_s=(math.exp(log_rt60 - stretch * below), math.exp(log_rt60 + stretch * above)),
        c50_db=min(max(c50_db, C50_RANGE_DB[0]), C50_RANGE_DB[1]),
        edt_s=math.exp(log_edt),
        octaves_s=tuple(math.exp(log_rt60 + ratio) for ratio in octaves),
    )


def arms(log_rt60: float, low: float, high: float) -> tuple[float, float]:
    """Return how far the interval reaches below and above the estimate, before it is stretched."""
    return max(log_rt60 - low, _MIN_ARM), max(high - log_rt60, _MIN_ARM)


def _cuts(recording: Recording) -> Values:
    """Return the times in seconds where digital silence begins or ends."""
    runs = runs_of(recording.voice == 0.0)
    runs = runs[runs[:, 1] - runs[:, 0] >= _ZERO_RUN_S * recording.rate]
    return np.asarray(runs.ravel() / recording.rate)
