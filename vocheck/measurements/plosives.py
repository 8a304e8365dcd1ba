"""Plosive pops: blasts of breath on p and b that hit the microphone.

What it is
    The closed lips of a p or b let go a puff of air. If it meets the microphone's diaphragm, the
    recording holds a low thump of 10-80 ms, far below the voice itself. A pop screen, or a
    microphone beside the stream of air, prevents it.

Method
    The voice at 1 kHz is band-limited to 18 Hz and up, and to below the talker's *own* fundamental
    frequency (the 5th percentile of the pitch), so that the voice is out of the band and what
    remains is air, handling noise and rumble. A plosive is a peak of the 30 ms mean power of that
    band which stands out of its surroundings, rises fast, is short, and lies where the talker
    speaks. The same peak away from speech is a thump (a knock on the stand or the table) and is
    listed apart. A thump in the middle of a word cannot be told from a pop.

Source
    The band below the voice: Elko, Meyer, Backer and Peissig, "Electronic pop protection for
    microphones", IEEE WASPAA 2007. The rise rather than the level as the mark of a pop: common
    practice in de-popping, no source. The constants are our choice.

Units
    ``level_re_speech_db``: level of the blast in its loudest 30 ms, in decibels relative to the
    active speech level (ITU-T P.56). ``energy_db``: energy of all blasts relative to the energy of
    all speech. ``per_minute``: per minute of recording.

Limits of validity
    Blasts from -9 dB re speech on are found almost without exception, those at -12 dB every second
    time; softer ones are not told from the voice and not listed. The level read is right to 1-2 dB;
    blasts louder than the voice raise the speech level itself and read up to 2 dB low. A high-pass
    filter in the microphone or preamplifier lowers a pop and its reading alike. Creaky voice may
    be taken for a blast, less than once a minute. Below 1 s of recording nothing is measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import db, levels_db, power_ratio
from vocheck.dsp.frames import framed
from vocheck.recording import Recording
from vocheck.results import Group, Result, Row
from vocheck.voice.activity import activity_of
from vocheck.voice.channel import spectrogram_of, voice_at
from vocheck.voice.level import active_level_of
from vocheck.voice.pitch import pitch_of

RATE_HZ = 1000  # holds all that lies below the voice
_LOW_HZ = 18.0  # below: DC offset, traffic, air conditioning
_DEFAULT_PITCH_HZ = 85.0  # low end of men's voices (Baken), where no pitch was found
_PITCH_PERCENTILE = 5.0  # the low end of what the talker does, without errors of the pitch
_MIN_VOICED = 20  # frames of pitch below which the percentile means nothing
_THRESHOLD_DB = -12.0  # re active speech level: below, voices set off more than one a minute
_WINDOW_S = 0.030  # about as long as a blast; our choice
_HOP_S = 0.005  # a sixth of the window: the loudest place is met within 0.1 dB
_PROMINENCE_DB = 10.0  # over the median of the second around it
_RISE_DB, _RISE_S = 8.0, 0.120  # a blast rises faster; creaky voice and rumble do not
_WIDTH_DB, _MAX_WIDTH_S = 10.0, 0.250  # a blast is over within; rumble is not
_MERGE_S = 0.120  # nearer peaks are one blast
_NEAR_SPEECH_S = 0.15  # a blast comes with the vowel that it opens
_SPEECH_HZ = (500.0, 4000.0)  # vowels, without the blast itself
_SPEECH_DB = -20.0  # re the mean of that band over all phrases
_MIN_DURATION_S = 1.0  # the surroundings that a peak stands out of are as long


@dataclass(frozen=True)
class Plosive(Result):
    """One blast of breath: when, and how loud against the voice."""

    time_s: float
    level_re_speech_db: float


@dataclass(frozen=True, kw_only=True)
class Plosives(Group):
    """Plosive pops of a take.

    Attributes
    ----------
    events : tuple of Plosive
        In order of time.
    per_minute : float or None
        Number of events per minute of recording.
    energy_db : float or None
        Energy of all events relative to the energy of all speech, in dB; ``-inf`` without events.
    thumps : tuple of Plosive
        The same kind of sound where nobody speaks: knocks and handling, not breath.
    """

    events: tuple[Plosive, ...] | None
    per_minute: float | None
    energy_db: float | None
    thumps: tuple[Plosive, ...] | None


ROWS: tuple[Row, ...] = (
    Row("per_minute", "plosive pops per minute", ""),
    Row("energy_db", "energy of the pops against the voice", "dB"),
)


def measure(recording: Recording) -> Plosives:
    """Find the plosive pops of `recording`."""
    speech_db = active_level_of(recording).dbfs
    if recording.duration_s < _MIN_DURATION_S or speech_db == -math.inf:
        reason = "shorter than 1 s" if speech_db > -math.inf else "silence"
        return Plosives(
            events=None, per_minute=None, energy_db=None, thumps=None,
            not_measured=dict.fromkeys(("events", "per_minute", "energy_db", "thumps"), reason),
        )  # fmt: skip
    power = _low_band_power(voice_at(recording, RATE_HZ), _cutoff_hz(pitch_of(recording).voiced_hz))
    level = levels_db(power, 1e-15) - speech_db
    peaks, widths = _peaks(level)
    times = (peaks * _HOP_S).astype(np.float64)
    spoken = _near_speech(recording, times)
    found = [
        Plosive(float(time), float(level[peak])) for time, peak in zip(times, peaks, strict=True)
    ]
    energy = float(np.sum(power[peaks[spoken]] * widths[spoken])) * _HOP_S
    voice = power_ratio(speech_db) * active_level_of(recording).activity * recording.duration_s
    events = tuple(event for event, yes in zip(found, spoken, strict=True) if yes)
    return Plosives(
        events=events,
        per_minute=len(events) * 60.0 / recording.duration_s,
        energy_db=db(energy / voice),
        thumps=tuple(event for event, yes in zip(found, spoken, strict=True) if not yes),
        not_measured={} if events else {"energy_db": "no plosive found"},
    )


def _cutoff_hz(voiced_hz: npt.NDArray[np.float64]) -> float:
    if len(voiced_hz) < _MIN_VOICED:
        return _DEFAULT_PITCH_HZ
    return float(np.percentile(voiced_hz, _PITCH_PERCENTILE))


def _low_band_power(x: npt.NDArray[np.float32], pitch_hz: float) -> npt.NDArray[np.float64]:
    """Return the mean power of 30 ms of the band below `pitch_hz` every 5 ms."""
    # One transform over the whole take: a filter without phase shift, so times stay true.
    padding = RATE_HZ  # keeps the filter's ringing from wrapping around
    spectrum = np.fft.rfft(x, len(x) + padding)
    hz = np.fft.rfftfreq(len(x) + padding, 1 / RATE_HZ)
    low = _smooth_step((hz - 0.7 * _LOW_HZ) / (0.6 * _LOW_HZ))
    high = _smooth_step((0.95 * pitch_hz - hz) / (0.25 * pitch_hz))
    band = np.fft.irfft(spectrum * (low * high), len(x) + padding)[: len(x)]
    total = np.concatenate(([0.0], np.cumsum(np.square(band))))
    half = round(_WINDOW_S / 2 * RATE_HZ)
    centre = np.arange(0, len(x), round(_HOP_S * RATE_HZ))
    upper, lower = np.minimum(centre + half, len(x)), np.maximum(centre - half, 0)
    power: npt.NDArray[np.float64] = (total[upper] - total[lower]) / (2 * half)
    return power


def _smooth_step(x: npt.NDArray[np.floating]) -> npt.NDArray[np.float64]:
    step: npt.NDArray[np.float64] = 0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0.0, 1.0))
    return step


def _peaks(level: npt.NDArray[np.float64]) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Return the places of the peaks that look like a blast, and their widths, both in hops."""
    from scipy.ndimage import maximum_filter1d, median_filter

    merge = round(_MERGE_S / _HOP_S)
    highest = maximum_filter1d(level, 2 * merge + 1, mode="constant", cval=-math.inf)
    peaks = np.flatnonzero((level == highest) & (level > _THRESHOLD_DB))
    if not len(peaks):
        return peaks, peaks
    surroundings = median_filter(level, round(1.0 / _HOP_S) + 1, mode="nearest")
    rise = round(_RISE_S / _HOP_S)
    padded = np.pad(level, (rise, 0), constant_values=math.inf)
    before = framed(padded, rise)[peaks].min(axis=1)
    starts, ends = _extent(level, peaks)
    widths = ends - starts
    good = (
        (level[peaks] - surroundings[peaks] >= _PROMINENCE_DB)
        & (level[peaks] - before >= _RISE_DB)
        & (widths <= round(_MAX_WIDTH_S / _HOP_S))
    )
    return peaks[good], widths[good]


def _extent(
    level: npt.NDArray[np.float64], peaks: npt.NDArray[np.intp]
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Return where the level has fallen by `_WIDTH_DB` on either side of each peak."""
    reach = round(_MAX_WIDTH_S / _HOP_S) + 1
    around = np.pad(level, reach, constant_values=-math.inf)
    windows = framed(around, 2 * reach + 1)[peaks]
    below = windows < (level[peaks] - _WIDTH_DB)[:, np.newaxis]
    left = np.argmax(below[:, reach::-1], axis=1)
    right = np.argmax(below[:, reach:], axis=1)
    left = np.where(below[:, : reach + 1].any(axis=1), left, reach)
    right = np.where(below[:, reach:].any(axis=1), right, reach)
    return peaks - left + 1, peaks + right


def _near_speech(recording: Recording, times_s: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Return which of `times_s` lie within 0.15 s of a speech sound.

    Speech is judged by the band above 500 Hz, which a thump hardly reaches: the shared speech
    activity would take the thump itself for a word.
    """
    from scipy.ndimage import maximum_filter1d

    spectrogram, activity = spectrogram_of(recording), activity_of(recording)
    power = spectrogram.band(*_SPEECH_HZ)
    speech = activity.mask(activity.phrases, spectrogram.times_s)
    if not speech.any():
        return np.zeros(len(times_s), bool)
    threshold = float(power[speech].mean()) * power_ratio(_SPEECH_DB)
    loudest = maximum_filter1d(power, 2 * round(_NEAR_SPEECH_S / spectrogram.hop_s) + 1)
    frames = np.minimum(np.round(times_s / spectrogram.hop_s).astype(int), len(power) - 1)
    near: npt.NDArray[np.bool_] = loudest[frames] > threshold
    return near
