"""Reverberation of the recording room, estimated from the voice itself.

What it is
    The reverberation time (RT60) is the time in which sound in a room falls by 60 dB after its
    source stops. A booth has 0.1 to 0.2 s, a furnished living room 0.3 to 0.5 s. The value here is
    the *late* decay, the one that a listener hears as "room".
Method
    No clap is needed: each time the voice stops or steps down, the room goes on for a moment. The
    decays in eight bands from 250 Hz to 7.6 kHz are followed (`vocheck.dsp.speech_decays`), and the
    median slope in three windows of depth, 13-23, 18-28 and 23-33 dB below the peak where each
    decay begins, is taken over the bands from 400 Hz to 4 kHz. Deep in a decay the direct sound is
    gone: a voice can fall faster than its room, but never slower.
Units
    Seconds. `confidence` is a number from 0 (a guess) to 1.
Source
    The quantity: ISO 3382-2. The free-decay idea: Ratnam et al., J. Acoust. Soc. Am. 114, 2003;
    Löllmann et al., IWAENC 2010.
Limits of validity
    An estimate, with a 90 % interval. It needs 3 s of speech, a quiet room and an untouched take: a
    gate, noise reduction or music under the voice hides the decay, and then it says so. The voice
    itself takes about 0.1 s to die away, so a shorter reverberation is told as "<= 0.1 s"; a longer
    one than 1.2 s as "> 1.2 s".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from vocheck.dsp.speech_decays import RATE_HZ, WINDOWS_DB, Decays, find_decays, join
from vocheck.recording import Recording
from vocheck.results import Group, Result

AtLimit = Literal["", "<= 0.1 s", "> 1.2 s"]

DRY_S, LONG_S = 0.1, 1.2
_MIN_LENGTH_S = 3.0
_MIN_DECAYS = 40
_MIN_DEEP_DECAYS = 4  # in the window from 13 to 23 dB, bands of `_RULE_BANDS`
_MIN_SNR_DB = 20.0  # in the bands of `_RULE_BANDS`, loud frames over noise
_RULE_BANDS = range(1, 6)  # 400 Hz to 4 kHz
_RULE_WINDOWS = tuple(WINDOWS_DB.index(window) for window in ((13, 23), (18, 28), (23, 33)))
_RULE_FACTOR = 1.7  # 90 % of simulated takes lie within this factor of the truth
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
        ``"<= 0.1 s"`` or ``"> 1.2 s"`` where the value is outside what speech can tell; else empty.
    confidence : float
        From 0 (a guess) to 1: how narrow the interval is.
    decays : int
        How many decays the estimate rests on.
    snr_db : float or None
        Loud speech over noise, median of the bands from 400 Hz to 4 kHz.
    bands : tuple of BandTime
    """

    rt60_s: float | None
    rt60_low_s: float | None
    rt60_high_s: float | None
    at_limit: AtLimit
    confidence: float
    decays: int
    snr_db: float | None
    bands: tuple[BandTime, ...]


def measure(recording: Recording) -> Reverberation:
    """Estimate the reverberation of one take."""
    return pool([recording])


def pool(takes: Sequence[Recording | Decays]) -> Reverberation:
    """Estimate the reverberation from several takes of one session, as one better estimate.

    Parameters
    ----------
    takes : sequence of Recording or Decays
        Takes with one voice, one room and one microphone position, or what `decays` returned for
        them.

    Returns
    -------
    Reverberation
    """
    found = join([take if isinstance(take, Decays) else decays(take) for take in takes])
    return _estimate(found)


def decays(recording: Recording) -> Decays:
    """Return the decays of one take: small enough to keep for `pool` when the audio is not."""
    return find_decays(recording.voice_at(RATE_HZ), _cuts(recording))


def _estimate(found: Decays) -> Reverberation:
    main = np.isin(found.band, _RULE_BANDS)
    snr_db = float(np.median(found.snr_db[list(_RULE_BANDS)]))
    deep = np.isfinite(found.time_60_db_s[main, _RULE_WINDOWS[0]]).sum()
    reason = None
    if found.length_s < _MIN_LENGTH_S:
        reason = f"shorter than {_MIN_LENGTH_S:.0f} s"
    elif not len(found):
        reason = "no decays found: no speech, or no pause in it"
    elif snr_db < _MIN_SNR_DB:
        reason = f"too noisy: speech only {snr_db:.0f} dB over the noise in the bands that tell"
    elif len(found) < _MIN_DECAYS or deep < _MIN_DEEP_DECAYS:
        reason = f"too few decays to judge by ({len(found)})"
    rt60_s = None if reason else _rule(found)
    if rt60_s is None:
        reason = reason or "too few decays to judge by"
        names = ("rt60_s", "rt60_low_s", "rt60_high_s")
        return Reverberation(
            **dict.fromkeys(names),
            at_limit="",
            confidence=0.0,
            decays=len(found),
            snr_db=snr_db if len(found) else None,
            bands=(),
            not_measured=dict.fromkeys(names if len(found) else (*names, "snr_db"), reason),
        )
    return Reverberation(
        rt60_s=rt60_s,
        rt60_low_s=rt60_s / _RULE_FACTOR,
        rt60_high_s=rt60_s * _RULE_FACTOR,
        at_limit="<= 0.1 s" if rt60_s <= DRY_S else "> 1.2 s" if rt60_s > LONG_S else "",
        confidence=0.5,
        decays=len(found),
        snr_db=snr_db,
        bands=(),
    )


def _rule(found: Decays) -> float | None:
    """Return the geometric mean of the median slopes in the deep windows, as a time in seconds."""
    times = found.time_60_db_s[np.isin(found.band, _RULE_BANDS)][:, _RULE_WINDOWS]
    columns = [column[np.isfinite(column)] for column in times.T]
    medians = [math.log(float(np.median(column))) for column in columns if len(column) >= 3]
    return math.exp(sum(medians) / len(medians)) if medians else None


def _cuts(recording: Recording) -> npt.NDArray[np.float64]:
    """Return the times in seconds where digital silence begins or ends."""
    zero = np.concatenate(([False], recording.voice == 0.0, [False]))
    edges = np.flatnonzero(zero[1:] != zero[:-1]).reshape(-1, 2)
    runs = edges[edges[:, 1] - edges[:, 0] >= _ZERO_RUN_S * recording.rate]
    return np.asarray(runs.ravel() / recording.rate)
