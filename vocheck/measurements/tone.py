"""Tone: the long-term spectrum of the voice, and the frequency above which there is none.

Long-term average spectrum
    ``ltas`` is the level of the speech in third-octave bands (IEC 61260-1 mid-band frequencies,
    base ten) relative to all bands together: as powers they add up to 1, whatever the gain.
    Method: the mean power spectrum of the frames that hold speech, of 21 ms above 1 kHz and 128
    ms below, where the bands are narrow. Compare whole spectra and leave single bands alone: two
    texts of a few seconds read by one talker into one microphone differ by some 3 dB from band to
    band.
Bandwidth
    A recording made at 16 kHz, or passed through a telephone or a lossy codec, ends abruptly:
    nothing lies above some frequency, whatever the file's sample rate says. ``bandwidth_hz`` is
    that frequency and ``bandwidth_drop_db`` how far the spectrum falls there within 800 Hz. The
    spectrum is the 98th percentile over time in each bin, so that it shows the strongest hiss of
    the talker and not a single click, smoothed over 250 Hz. The edge is the steepest fall above 3
    kHz, if it is 18 dB or more and the spectrum does not come back above it. Without an edge the
    bandwidth is half the sample rate, and the drop is that of the steepest fall all the same.

Sources
-------
IEC 61260-1:2014 (mid-band frequencies and band edges); D'Alessandro and Shi, "MP3 bit rate quality
detection through frequency spectrum analysis", ACM MM&Sec 2009, for the spectrum between 16 and
20 kHz as the trace of a codec. The 18 dB is our choice.

Limits of validity
------------------
Where the noise of the room or of the microphone covers the top of the voice there is no edge to
be seen. A gentle roll-off, as of a ribbon microphone, is tone and not an edge. A codec at a high
bit rate cuts at 20 kHz, as some converters do: an edge there proves nothing. Bandwidth needs 0.2
s of sound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import db, levels_db, power_ratio
from vocheck.dsp.frames import framed, hann
from vocheck.recording import Recording
from vocheck.results import SILENCE, Group, Result, Row
from vocheck.voice.activity import activity_of
from vocheck.voice.channel import spectrogram_of, voice_at

# IEC 61260-1:2014, clause 5: G = 10**(3/10), f_m = 1000 G**(x/3), edges at f_m G**(+-1/6)
_BAND_NUMBERS = range(-12, 14)  # 63 Hz to 20 kHz
_NOMINAL_HZ = (
    *(63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0, 1000.0),
    *(1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10000.0, 12500.0),
    *(16000.0, 20000.0),
)
_LOW_RATE_HZ = 4000  # below 1 kHz the bands are narrower than the shared spectrogram's bins
_LOW_WINDOW = 512  # 128 ms: bins of 7.8 Hz
_LOW_HIGHEST_HZ = 1000.0  # from there on the shared spectrogram's bins are narrow enough

_PERCENTILE = 98.0  # the strongest hiss, and no single click (see above)
_LOWEST_EDGE_HZ = 3000.0  # a telephone ends at 3.4 kHz; formants fall below
_SMOOTH_HZ = 250.0  # takes the harmonics away, not the edge
_FALL_HZ = 800.0  # filters of codecs and converters fall within
_EDGE_DB = 18.0  # our choice: gentle roll-offs of microphones have less
_RETURN_DB = 6.0  # above the edge the spectrum stays within this of the foot of the fall
_MIN_FRAMES = 40  # 0.2 s: a percentile of fewer is a single frame
_FLOOR = 1e-16  # full-scale squared per bin: below the noise of any 24-bit file


@dataclass(frozen=True, kw_only=True)
class Band(Result):
    """One third-octave band.

    Attributes
    ----------
    centre_hz : float
        Nominal mid-band frequency.
    level_db : float
        Level of the speech in the band, relative to its level in all bands.
    """

    centre_hz: float
    level_db: float


@dataclass(frozen=True, kw_only=True)
class Tone(Group):
    """Long-term spectrum and bandwidth of a voice.

    Attributes
    ----------
    ltas : tuple of Band, or None
        Third-octave bands from 63 Hz up to half the sample rate.
    bandwidth_hz : float or None
        The frequency above which the recording holds no sound.
    bandwidth_drop_db : float or None
        How far the spectrum falls within 800 Hz, where it falls most.
    """

    ltas: tuple[Band, ...] | None
    bandwidth_hz: float | None
    bandwidth_drop_db: float | None


ROWS: tuple[Row, ...] = (
    Row("bandwidth_hz", "bandwidth", "Hz", digits=0),
    Row("bandwidth_drop_db", "drop at the edge of the band", "dB"),
)


def measure(recording: Recording) -> Tone:
    """Measure the long-term average spectrum of the speech and the bandwidth."""
    reasons: dict[str, str] = {}
    ltas = _ltas(recording)
    if ltas is None:
        reasons["ltas"] = "no speech was found"
    edge_hz, drop_db = _edge(recording)
    if edge_hz is None:
        silent = not recording.voice.any()
        reason = SILENCE if silent else "too short, or sampled at less than 12 kHz"
        reasons["bandwidth_hz"] = reasons["bandwidth_drop_db"] = reason
    return Tone(ltas=ltas, bandwidth_hz=edge_hz, bandwidth_drop_db=drop_db, not_measured=reasons)


def _ltas(recording: Recording) -> tuple[Band, ...] | None:
    spectrogram, activity = spectrogram_of(recording), activity_of(recording)
    speech = activity.mask(activity.phrases, spectrogram.times_s)
    if not speech.any():
        return None
    high = speech.astype(np.float32) @ spectrogram.power / np.float32(speech.sum())
    low = _low_spectrum(recording)
    nyquist = recording.rate / 2
    powers = []
    for number, nominal in zip(_BAND_NUMBERS, _NOMINAL_HZ, strict=True):
        centre = 1000.0 * power_ratio(number)
        edges = centre * 10.0**-0.05, centre * 10.0**0.05
        if edges[1] > nyquist:
            break
        if nominal <= _LOW_HIGHEST_HZ and low is not None:
            powers.append(_between(low, _LOW_RATE_HZ / _LOW_WINDOW, *edges))
        else:
            powers.append(_between(high, float(spectrogram.frequencies_hz[1]), *edges))
    total = sum(powers)
    if total <= 0.0:
        return None
    return tuple(
        Band(centre_hz=nominal, level_db=db(power / total))
        for nominal, power in zip(_NOMINAL_HZ, powers, strict=False)  # up to half the rate
    )


def _low_spectrum(recording: Recording) -> npt.NDArray[np.float64] | None:
    """Return the mean power per bin of 7.8 Hz in speech, of the 4 kHz copy of the voice."""
    x = voice_at(recording, _LOW_RATE_HZ)
    if len(x) < _LOW_WINDOW:
        return None
    frames = framed(x, _LOW_WINDOW, _LOW_WINDOW // 4)
    centres = (np.arange(len(frames)) * (_LOW_WINDOW // 4) + _LOW_WINDOW / 2) / _LOW_RATE_HZ
    frames = frames[activity_of(recording).mask(activity_of(recording).phrases, centres)]
    if not len(frames):
        return None
    window = hann(_LOW_WINDOW)
    spectrum = np.fft.rfft(frames * window)
    power = np.mean(spectrum.real**2 + spectrum.imag**2, axis=0)
    power *= 2.0 / (_LOW_WINDOW * np.square(window).sum())
    return np.asarray(power)


def _between(power: npt.NDArray[np.floating], bin_hz: float, low: float, high: float) -> float:
    """Return the power between two frequencies; a bin that an edge cuts counts by its share."""
    edges = np.concatenate(([0.0], np.cumsum(power, dtype=np.float64)))
    places = (np.arange(len(edges)) - 0.5) * bin_hz
    bottom, top = np.interp((low, high), places, edges)
    return float(top - bottom)


def _edge(recording: Recording) -> tuple[float | None, float | None]:
    """Return the frequency of the steepest fall (half the rate if it is no edge) and its depth."""
    spectrogram = spectrogram_of(recording)
    bin_hz = float(spectrogram.frequencies_hz[1])
    first = int((_LOWEST_EDGE_HZ - _FALL_HZ) / bin_hz)
    # Neighbouring frames overlap by three quarters: every other one tells the same.
    power = spectrogram.power[::2, first:]
    width = max(1, round(_SMOOTH_HZ / bin_hz))
    fall = max(1, round(_FALL_HZ / bin_hz))
    if len(power) < _MIN_FRAMES / 2 or power.shape[1] < 4 * fall or not power.any():
        return None, None
    rank = min(len(power) - 1, int(len(power) * _PERCENTILE / 100.0))
    top = np.partition(power, rank, axis=0)[rank].astype(np.float64)
    level = levels_db(top + _FLOOR)
    padded = np.pad(level, (width // 2, width - 1 - width // 2), mode="edge")
    level = np.convolve(padded, np.full(width, 1.0 / width), "valid")
    drop = level[:-fall] - level[fall:]
    # Only a fall from which the spectrum does not come back is an edge.
    after = np.maximum.accumulate(level[::-1])[::-1][fall:]
    final = level[fall:] + _RETURN_DB >= after
    candidates = np.where(final, drop, -np.inf)
    best = int(np.argmax(candidates))
    depth = float(max(candidates[best], 0.0))
    if depth < _EDGE_DB:
        return recording.rate / 2, depth
    middle = 0.5 * (level[best] + level[best + fall])
    below = np.flatnonzero(level[best : best + fall + 1] <= middle)[0]
    return float((first + best + below) * bin_hz), depth
