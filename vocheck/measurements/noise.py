"""Noise: what the room and the equipment put under the voice.

What it is
    `floor_dbfs` is the level of the recording where nobody speaks, from 0 Hz to 20 kHz.
    `floor_a_dbfs` weighs it as soft sounds are heard (IEC 61672-1, curve A); `floor_468_dbfs` as
    hiss and whine annoy (ITU-R BS.468-4, the curve with an RMS detector). `snr_db` is the active
    speech level less the noise floor. `floor_a_re_speech_db` is the A-weighted floor less the
    active speech level: what is heard of the room once the voice stands at its level, whatever the
    gain was. `rumble_dbfs` is the part from 10 to 60 Hz: traffic, steps,
    a stand that is not decoupled, air conditioning. `spread_db` tells how steady the noise is: the
    90th less the 10th percentile of its A-weighted level in frames of 50 ms. Steady noise has
    1 to 3 dB, movement in the booth 5 and more, a gate more than 20.

Method
    Only pauses count, each without the first 100 ms (the last word's release and the room's echo of
    it) and the last 50 ms. They are cut into frames of 50 ms; the power spectrum of each frame is
    weighed and summed. Frames that stand out above the others (a breath, a click, a page) are left
    out; the floor is the mean power of the rest. Digital silence, such as an editor pads with, is
    left out too, unless there is nothing else.

Sources
    IEC 61672-1:2013, Annex E (curve A); ITU-R BS.468-4, Table 1. Trimming, frames and bands are
    this project's choice; docs/accuracy.md shows what they reach.

Units
    dBFS, RMS of a full-scale square wave = 0 dBFS; dB; s.

Limits of validity
    `pause_s` tells how much pause the numbers rest on. Below 0.3 s there is no number: a recording
    without pauses never passes for a quiet one; the reason then holds what the noise is at most.
    Between 0.3 s and 1 s expect an error of 0.5 dB, of 1 dB where low frequencies prevail. A gate
    or noise reduction lowers the floor in the pauses without lowering it under the voice: see
    `processing`. Leave 1 to 2 s of silence before or after the words for the best reading.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import db, levels_db
from vocheck.dsp.frames import framed, hann
from vocheck.dsp.weighting import power_gain
from vocheck.recording import Recording
from vocheck.results import Group, Row
from vocheck.voice.activity import activity_of
from vocheck.voice.channel import voice_at
from vocheck.voice.level import active_level_of

MIN_PAUSE_S = 0.3  # 6 frames: an error of 0.5 dB for steady noise (docs/accuracy/noise.md)
_FRAME_S = 0.05  # bins of 20 Hz, and short enough to leave out a click without much noise
_BAND_TOP_HZ = 20000.0  # the audio band: above it a rate of 96 kHz would add what nobody hears
_RUMBLE_RATE_HZ = 1000  # holds the band of rumble, many times over
_RUMBLE_BAND_HZ = (10.0, 60.0)  # steps and traffic; the lowest voice lies above
_MAINS_FROM_HZ = 42.0  # from here on a Hann window of 0.25 s sees 50 Hz
_RUMBLE_FRAME_S = 0.25  # 4 Hz of resolution: one and a half periods of the lowest frequency
_SPREAD_PERCENTILES = (10, 90)  # the usual middle 80 %, unmoved by a single frame
_SILENCE = 1e-15  # of power (-150 dBFS): what rounding leaves of zeros, below the last of 24 bits
_SILENT = "the pauses are digital silence"
_NO_SPEECH = "no speech was found"
_RE_SPEECH = ("floor_a_re_speech_db", "snr_db", "rumble_re_speech_db")
_ALWAYS = ("not_measured", "pause_s")  # fields that never lack
# Frames are left out that exceed the median by this many times what the softer frames lie below it
# (their 16th percentile, which no breath or click reaches), within these bounds.
_TRIM_SPREADS, _TRIM_MIN_DB, _TRIM_MAX_DB = 2.5, 1.0, 6.0


@dataclass(frozen=True, kw_only=True)
class Noise(Group):
    """Noise in the pauses of a take.

    Attributes
    ----------
    floor_dbfs, floor_a_dbfs, floor_468_dbfs : float or None
        Noise floor, unweighted, A-weighted, and weighted to BS.468 (RMS).
    floor_a_re_speech_db : float or None
        `floor_a_dbfs` less the active speech level.
    snr_db : float or None
        Active speech level less `floor_dbfs`.
    pause_s : float
        How much usable pause there is.
    spread_db : float or None
        90th less 10th percentile of the A-weighted level in frames of 50 ms.
    rumble_dbfs, rumble_re_speech_db : float or None
        Level from 10 to 60 Hz, and the same less the active speech level.
    """

    floor_dbfs: float | None
    floor_a_dbfs: float | None
    floor_468_dbfs: float | None
    floor_a_re_speech_db: float | None
    snr_db: float | None
    pause_s: float
    spread_db: float | None
    rumble_dbfs: float | None
    rumble_re_speech_db: float | None


ROWS: tuple[Row, ...] = (
    Row("floor_dbfs", "noise floor", "dBFS", shown=True),
    Row("floor_a_dbfs", "noise floor, A-weighted", "dBFS"),
    Row("floor_468_dbfs", "noise floor, BS.468", "dBFS"),
    Row("floor_a_re_speech_db", "noise against the voice (A)", "dB", shown=True),
    Row("snr_db", "signal to noise", "dB"),
    Row("pause_s", "pause that noise was measured in", "s", digits=2),
    Row("spread_db", "spread of the noise", "dB"),
    Row("rumble_dbfs", "rumble", "dBFS"),
    Row("rumble_re_speech_db", "rumble re speech", "dB"),
)


def measure(recording: Recording) -> Noise:
    """Measure the noise in the pauses of the channel that carries the voice."""
    pauses = activity_of(recording).usable_pauses
    pause_s = math.fsum(end - start for start, end in pauses)
    if pause_s < MIN_PAUSE_S:
        return _refuse(pause_s, _too_little(recording, pause_s))
    frames = frames_within(recording.voice, recording.rate, pauses, _FRAME_S)
    if not len(frames):
        return _refuse(pause_s, f"no pause is as long as {_FRAME_S:.2f} s")
    heard = sounding(frames)
    if not heard.any():
        return _digital_silence(recording, pause_s)
    pause_s *= float(heard.mean())
    if pause_s < MIN_PAUSE_S:
        return _refuse(pause_s, f"all but {pause_s:.2f} s of the pauses is digital silence")
    z, a, ccir = _weighted_powers(frames[heard], recording.rate).T
    floor, floor_a = db(steady_power(z)), db(steady_power(a))
    rumble = _rumble_dbfs(recording)
    speech = active_level_of(recording).dbfs if activity_of(recording).phrases else None
    missing: dict[str, str] = {}
    if speech is None:
        missing.update(dict.fromkeys(_RE_SPEECH, _NO_SPEECH))
    if rumble is None:
        reason = f"no pause is as long as {_RUMBLE_FRAME_S:.2f} s"
        missing["rumble_dbfs"] = missing["rumble_re_speech_db"] = reason
    low, high = np.percentile(a, _SPREAD_PERCENTILES)
    return Noise(
        floor_dbfs=floor,
        floor_a_dbfs=floor_a,
        floor_468_dbfs=db(steady_power(ccir)),
        floor_a_re_speech_db=None if speech is None else floor_a - speech,
        snr_db=None if speech is None else speech - floor,
        pause_s=pause_s,
        spread_db=db(float(high / low)),
        rumble_dbfs=rumble,
        rumble_re_speech_db=None if speech is None or rumble is None else rumble - speech,
        not_measured=missing,
    )


def frames_within(
    x: npt.NDArray[np.float32],
    rate_hz: int,
    spans: tuple[tuple[float, float], ...],
    frame_s: float,
) -> npt.NDArray[np.float32]:
    """Return the half-overlapping frames of `x` that lie inside one of `spans`, shape (frames, n).

    The mean of each span is taken out, so that a DC offset is no noise; digital silence stays as
    it is, and has no part in that mean.
    """
    size = 2 * max(1, round(frame_s * rate_hz / 2))
    parts = [np.zeros((0, size), np.float32)]
    for start, end in spans:
        part = x[math.ceil(start * rate_hz) : int(end * rate_hz)]
        if len(part) >= size:
            frames = framed(part, size, size // 2)
            heard = sounding(frames)
            if heard.any():
                mean = frames[heard].mean(dtype=np.float64)
                frames = (frames - mean * heard[:, np.newaxis]).astype(np.float32)
            parts.append(frames)
    return np.concatenate(parts)


def sounding(frames: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """Return which frames, shape (frames, n), are more than digital silence."""
    power = np.einsum("ij,ij->i", frames, frames, dtype=np.float64) / frames.shape[1]
    heard: npt.NDArray[np.bool_] = power > _SILENCE
    return heard


def frame_spectra(
    frames: npt.NDArray[np.float32], rate_hz: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return frequencies, and mean-square power per bin of each frame under a Hann window."""
    size = frames.shape[1]
    window = hann(size, np.float32)
    spectrum = np.fft.rfft(frames * window, axis=1)
    power: npt.NDArray[np.float64] = np.square(spectrum.real, dtype=np.float64)
    power += np.square(spectrum.imag)
    power *= 2.0 / (size * float(np.square(window, dtype=np.float64).sum()))
    power[:, [0, -1]] *= 0.5
    frequencies = np.asarray(np.fft.rfftfreq(size, 1.0 / rate_hz), dtype=np.float64)
    return frequencies, power


def steady_power(power: npt.NDArray[np.float64]) -> float:
    """Return the mean of `power`, shape (frames,), without the frames that stand out above it."""
    level = levels_db(power, 1e-30)
    low, middle = np.percentile(level, (16, 50))
    allowance = min(max(_TRIM_SPREADS * (middle - low), _TRIM_MIN_DB), _TRIM_MAX_DB)
    return float(power[level <= middle + allowance].mean())


def _weighted_powers(frames: npt.NDArray[np.float32], rate_hz: int) -> npt.NDArray[np.float64]:
    """Return the power of each frame, shape (frames, 3): unweighted, A, 468."""
    frequencies, power = frame_spectra(frames, rate_hz)
    heard = frequencies <= _BAND_TOP_HZ
    weights = np.stack([power_gain(name, frequencies[heard]) for name in ("Z", "A", "468")], axis=1)
    return power[:, heard] @ weights


def _rumble_dbfs(recording: Recording) -> float | None:
    slow = voice_at(recording, _RUMBLE_RATE_HZ)
    frames = frames_within(
        slow, _RUMBLE_RATE_HZ, activity_of(recording).usable_pauses, _RUMBLE_FRAME_S
    )
    if not len(frames):
        return None
    frequencies, power = frame_spectra(frames, _RUMBLE_RATE_HZ)
    low, top = _RUMBLE_BAND_HZ
    below = (frequencies >= low) & (frequencies < _MAINS_FROM_HZ)
    around = (frequencies >= _MAINS_FROM_HZ) & (frequencies <= top)
    steady = steady_power(power[:, below].sum(axis=1))
    # Around 50 and 60 Hz no more is counted than the density below: the rest is hum, not rumble.
    ceiling = steady * float(around.sum() / below.sum())
    return db(steady + min(steady_power(power[:, around].sum(axis=1)), ceiling))


def _too_little(recording: Recording, pause_s: float) -> str:
    reason = f"only {pause_s:.2f} s of usable pause; {MIN_PAUSE_S:.1f} s are needed"
    frames = frames_within(
        recording.voice, recording.rate, ((0.0, recording.duration_s),), _FRAME_S
    )
    if not len(frames):
        return reason
    softest = db(float(np.einsum("ij,ij->i", frames, frames).min()) / frames.shape[1])
    return reason if softest == -math.inf else f"{reason} (it is at most {softest:.0f} dBFS)"


def _refuse(pause_s: float, reason: str) -> Noise:
    return Noise(
        floor_dbfs=None,
        floor_a_dbfs=None,
        floor_468_dbfs=None,
        floor_a_re_speech_db=None,
        snr_db=None,
        pause_s=pause_s,
        spread_db=None,
        rumble_dbfs=None,
        rumble_re_speech_db=None,
        not_measured={f.name: reason for f in fields(Noise) if f.name not in _ALWAYS},
    )


def _digital_silence(recording: Recording, pause_s: float) -> Noise:
    speech = _SILENT if activity_of(recording).phrases else _NO_SPEECH
    return Noise(
        floor_dbfs=-math.inf,
        floor_a_dbfs=-math.inf,
        floor_468_dbfs=-math.inf,
        floor_a_re_speech_db=None,
        snr_db=None,
        pause_s=pause_s,
        spread_db=None,
        rumble_dbfs=-math.inf,
        rumble_re_speech_db=None,
        not_measured={**dict.fromkeys(_RE_SPEECH, speech), "spread_db": _SILENT},
    )
