"""A recording room, measured: from a clap, a balloon, a starting gun, a sweep, or from its silence.

What it is
    The reverberation time of each octave (ISO 3382-2), with early decay time, clarity, definition
    and centre time (ISO 3382-1); and the background noise in octaves with its hum, its NC and NR
    class where the level is calibrated.
Method
    Each impulse in the recording is found and cut out with the noise around it; a recorded sweep
    is first deconvolved into one. The decay is measured in each band (`vocheck.dsp.decay`) and
    averaged over all impulses of all files (ISO 3382-2, clause 8: arithmetic mean of reverberation
    times). The noise is taken from the longest quiet stretch.
Units
    Seconds, decibels. Noise levels are relative to digital full scale (RMS of a square wave = 0
    dBFS), or sound pressure levels re 20 uPa where a calibration tone tells what full scale means.
Source
    ISO 3382-1:2009, ISO 3382-2:2008, IEC 61260-1:2014; NC: Beranek 1957; NR: ISO/R 1996:1971.
Limits of validity
    A number is given only where the decay stands far enough out of the noise, and where it is
    longer than the ringing of the band filter; otherwise the band says why not. A clap holds little
    below 500 Hz: use a balloon or a sweep for the low octaves. One impulse in a booth of 0.1 s
    scatters by about a tenth at 1 kHz, whatever is done: average three or more. Noise includes that
    of the microphone and the preamplifier.
"""

from __future__ import annotations

import math
import os
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt

from vocheck.audio import read
from vocheck.dsp.decay import (
    CURVATURE_PERCENT,
    ISO_MARGIN_DB,
    T20_RANGE_DB,
    T30_RANGE_DB,
    Decay,
    analyse_decay,
    find_onset,
)
from vocheck.dsp.impulses import (
    Excitation,
    Impulse,
    find_impulses,
    frozen_samples,
    is_steady,
    recognise,
    trim_silence,
)
from vocheck.dsp.level import db
from vocheck.dsp.octaves import Band, Fraction, bands, power_spectrum
from vocheck.dsp.sweep import PRE_S, deconvolve
from vocheck.dsp.weighting import power_gain
from vocheck.errors import AudioError
from vocheck.judge import Finding
from vocheck.recording import Recording
from vocheck.results import SILENCE, Result
from vocheck.targets.limits import SEVERITIES, Severity
from vocheck.targets.noise_curves import nc, nr

PathLike = str | os.PathLike[str]
Signal = npt.NDArray[np.float64]

EXCITATIONS: tuple[Excitation, ...] = get_args(Excitation)

_OCTAVES_HZ = (63.0, 8000.0)
_THIRDS_HZ = (100.0, 8000.0)
_NOISE_HZ = (31.5, 16000.0)
_NOISE_RESOLUTION_HZ = 2.0  # ten bins in the octave of 31.5 Hz
_MIN_QUIET_S = 0.5
_QUIET_GUARD_S = 0.1  # before an impulse: the hands already move
_FROZEN_SHARE = 0.05
_MIN_RATE_HZ = 8000
# ISO 3382-1, clause 9: mid-band single-number values are means over these
_MID_HZ: Mapping[Fraction, tuple[float, ...]] = {
    1: (500.0, 1000.0),
    3: (400.0, 500.0, 630.0, 800.0, 1000.0, 1250.0),
}
_VOICE_HZ = (500.0, 1000.0, 2000.0)
# ISO 3382-2:2008, clause 7.1 (from memory): relative standard deviation of T20 from one response,
# 0.88 sqrt((1 + 1.90/n) / (B T)); an integrated impulse response counts like n = 10 noise bursts
_SCATTER = 0.88 * math.sqrt(1.0 + 1.90 / 10.0)
_ALIAS_S = (0.03, 0.005)  # before the onset: where nothing but noise should be
_ALIAS_DB = 20.0  # over the noise after the decay
_RIPPLE_DB = -40.0  # re the response: a deconvolved sweep rings this much before its onset
_FLAT_SAMPLES = 4  # this many at the very peak: no sound does that, an overloaded input does
_CURVE_POINTS = 120
_STEADY_TONE = 0.9  # share of a calibration tone's power within a tenth of an octave of its peak


@dataclass(frozen=True, kw_only=True)
class RoomBand(Result):
    """One band of a room measurement, averaged over the responses.

    Attributes
    ----------
    centre_hz : float
        Nominal mid-band frequency.
    edt_s, t20_s, t30_s : float or None
        Early decay time and reverberation times, each stated for 60 dB.
    c50_db : float or None
        Clarity: energy of the first 50 ms over the rest.
    d50 : float or None
        Definition: share of the energy within the first 50 ms.
    ts_s : float or None
        Centre time.
    dynamic_range_db : float or None
        How far the decay can be followed before it meets the noise; the best response.
    valid : bool
        Whether the reverberation time of this band may be used.
    reason : str or None
        Why not.
    responses : int
        From how many responses the reverberation time is the mean.
    t20_spread_s : float or None
        Standard deviation between the responses; ``None`` for one.
    scatter_s : float or None
        Standard deviation to be expected of the mean T20, from bandwidth, reverberation time and
        number of responses (ISO 3382-2).
    nonlinearity_permille, curvature_percent : float or None
        How straight the decay is (ISO 3382-2, annex B): below 5 per mille and 5 % it is.
    remarks : tuple of str
        What to know about the numbers.
    not_measured : mapping of str to str
        Why a number is missing.
    decay_db : tuple of float
        The decay curve of the best response, from its onset in steps of `decay_step_s`.
    decay_step_s : float or None
    """

    centre_hz: float
    edt_s: float | None
    t20_s: float | None
    t30_s: float | None
    c50_db: float | None
    d50: float | None
    ts_s: float | None
    dynamic_range_db: float | None
    valid: bool
    reason: str | None
    responses: int
    t20_spread_s: float | None
    scatter_s: float | None
    nonlinearity_permille: float | None
    curvature_percent: float | None
    remarks: tuple[str, ...]
    not_measured: Mapping[str, str]
    decay_db: tuple[float, ...]
    decay_step_s: float | None


@dataclass(frozen=True, kw_only=True)
class NoiseBand(Result):
    """Background noise in one octave.

    Attributes
    ----------
    centre_hz : float
        Nominal mid-band frequency.
    level_dbfs : float
    level_db : float or None
        Sound pressure level re 20 uPa; ``None`` without calibration.
    """

    centre_hz: float
    level_dbfs: float
    level_db: float | None


@dataclass(frozen=True, kw_only=True)
class HumTone(Result):
    """One tone of mains hum."""

    frequency_hz: float
    level_dbfs: float


@dataclass(frozen=True, kw_only=True)
class RoomNoise(Result):
    """Background noise of a room.

    Attributes
    ----------
    duration_s, start_s : float
        The stretch it was measured on.
    floor_dbfs, floor_a_dbfs : float
        Level, unweighted and A-weighted (IEC 61672-1).
    bands : tuple of NoiseBand
        Octaves.
    mains_hz, hum_dbfs : float or None
        Mains frequency and level of the hum; ``None`` where there is none.
    hum_tones : tuple of HumTone
    level_a_db : float or None
        A-weighted sound pressure level, where calibrated.
    nc, nr : int or None
        Noise classes, where calibrated.
    nc_bound : str or None
        ``"at most"`` or ``"at least"`` where the noise lies outside the tabulated curves.
    nc_hz, nr_hz : float or None
        The octave that sets the class.
    full_scale_db : float or None
        Sound pressure level of 0 dBFS, from the calibration tone.
    """

    duration_s: float
    start_s: float
    floor_dbfs: float
    floor_a_dbfs: float
    bands: tuple[NoiseBand, ...]
    mains_hz: float | None
    hum_dbfs: float | None
    hum_tones: tuple[HumTone, ...]
    level_a_db: float | None
    nc: int | None
    nc_bound: str | None
    nc_hz: float | None
    nr: int | None
    nr_hz: float | None
    full_scale_db: float | None


@dataclass(frozen=True, kw_only=True)
class Response(Result):
    """One impulse response that was measured.

    Attributes
    ----------
    path : str or None
    onset_s : float
        Where it starts in the recording (for a sweep: when the sweep's start arrives).
    peak_to_noise_db : float
        Peak of the response over the RMS of the noise after it.
    overloaded : bool
        The peak is cut off flat.
    """

    path: str | None
    onset_s: float
    peak_to_noise_db: float
    overloaded: bool


@dataclass(frozen=True, kw_only=True)
class Comparison(Result):
    """The mid-band reverberation time beside a published value.

    Attributes
    ----------
    name : str
    low_s, high_s : float
    verdict : str
        ``"shorter"``, ``"within"`` or ``"longer"``.
    source, status : str
    """

    name: str
    low_s: float
    high_s: float
    verdict: Literal["shorter", "within", "longer"]
    source: str
    status: str


@dataclass(frozen=True, kw_only=True)
class RoomResult(Result):
    """A room measurement.

    Attributes
    ----------
    path : str or None
        The first recording; ``None`` for an array.
    paths : tuple of str
        All of them.
    excitation : {"impulse", "sweep", "room tone"}
    onset_s, peak_to_noise_db : float or None
        Of the first response, and the median of all.
    responses : tuple of Response
    bands : tuple of RoomBand
        Empty for room tone.
    mid_t_s : float or None
        Mean T20 of the octaves 500 and 1000 Hz, or of the third-octaves 400 to 1250 Hz.
    mid_spread_s : float or None
        Standard deviation of that mean between responses; ``None`` for one.
    mid_scatter_s : float or None
        Standard deviation to be expected of it.
    mid_c50_db : float or None
        Mean C50 of the same bands.
    voice_t_s : float or None
        Mean T20 of those of 500, 1000 and 2000 Hz that are valid.
    voice_bands_hz : tuple of float
        Which those are.
    noise : RoomNoise or None
    comparisons : tuple of Comparison
    findings : tuple of Finding
    remarks : tuple of str
        What to know about the measurement as a whole.
    not_measured : mapping of str to str
        Dotted name to reason.
    """

    path: str | None
    paths: tuple[str, ...]
    excitation: Excitation
    onset_s: float | None
    peak_to_noise_db: float | None
    responses: tuple[Response, ...] = ()
    bands: tuple[RoomBand, ...] = ()
    mid_t_s: float | None
    mid_spread_s: float | None
    mid_scatter_s: float | None
    mid_c50_db: float | None
    voice_t_s: float | None
    voice_bands_hz: tuple[float, ...]
    noise: RoomNoise | None
    comparisons: tuple[Comparison, ...] = ()
    findings: tuple[Finding, ...] = ()
    remarks: tuple[str, ...] = ()
    not_measured: Mapping[str, str] = field(default_factory=dict)


def measure_room(
    recordings: PathLike | Recording | Sequence[PathLike | Recording],
    sweep: PathLike | Recording | None = None,
    calibration: PathLike | Recording | None = None,
    *,
    spl_db: float = 94.0,
    excitation: Excitation | None = None,
    fraction: Fraction = 1,
    volume_m3: float | None = None,
) -> RoomResult:
    """Measure a room.

    Parameters
    ----------
    recordings : path, Recording, or sequence of them
        Claps, balloons or shots (any number per file), recorded sweeps, or room tone. Of several
        files the responses are averaged; a file of room tone among them gives the noise. Of several
        channels the loudest is used.
    sweep : path or Recording, optional
        The sweep that was played, as the file that was sent to the loudspeaker.
    calibration : path or Recording, optional
        A tone of known sound pressure level, recorded with the same microphone and gain.
    spl_db : float
        Its level in dB re 20 uPa: 94 or 114 for the usual calibrators.
    excitation : {"impulse", "sweep", "room tone"}, optional
        What the recordings hold; recognised where omitted.
    fraction : {1, 3}
        Octaves or third-octaves.
    volume_m3 : float, optional
        Of the room; adds the target that depends on it.

    Returns
    -------
    RoomResult

    Raises
    ------
    AudioError
        If a file cannot be read, is silent, or holds none of these; the message says which.
    """
    if isinstance(recordings, str | os.PathLike | Recording):
        recordings = [recordings]
    sources = [_Sound.of(item) for item in recordings]
    if not sources:
        raise AudioError("no recording to measure")
    full_scale_db = None if calibration is None else _full_scale(calibration, spl_db)
    reference = None if sweep is None else _Sound.of(sweep)
    kinds = [_kind(source, reference, excitation) for source in sources]
    responses: list[_Response] = []
    remarks: list[str] = []
    for source, kind in zip(sources, kinds, strict=True):
        responses += _responses(source, kind, reference, remarks)
    measured = (
        tuple(_measure_band(band, responses) for band in _bands(sources, fraction))
        if responses
        else ()
    )
    noise, reasons = _noise(sources, kinds, responses, full_scale_db)
    facts = _summary(measured, responses, fraction, reasons)
    result = RoomResult(
        path=sources[0].path,
        paths=tuple(source.path for source in sources if source.path),
        excitation=next((kind for kind in kinds if kind != "room tone"), "room tone"),
        onset_s=responses[0].facts.onset_s if responses else None,
        peak_to_noise_db=(
            float(np.median([response.facts.peak_to_noise_db for response in responses]))
            if responses
            else None
        ),
        responses=tuple(response.facts for response in responses),
        bands=measured,
        noise=noise,
        comparisons=_compare(facts["mid_t_s"] or facts["voice_t_s"], volume_m3),
        remarks=tuple(remarks + _general_remarks(responses, measured)),
        not_measured=reasons,
        **facts,
    )
    return _with_findings(result)


# -- Recordings and what they hold ----------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Sound:
    """One channel of one recording, without DC and without digital silence at its ends."""

    path: str | None
    x: Signal
    rate_hz: int
    offset: int

    @classmethod
    def of(cls, item: PathLike | Recording) -> _Sound:
        recording = item if isinstance(item, Recording) else read(item)
        name = recording.source.path or "the recording"
        if recording.rate < _MIN_RATE_HZ:
            raise AudioError(f"{name}: a sample rate of {recording.rate} Hz is too low for a room")
        first, last = trim_silence(recording.voice.astype(np.float64))
        x = recording.voice[first:last].astype(np.float64)
        x -= x.mean() if len(x) else 0.0
        if not x.any():
            raise AudioError(f"{name}: holds no sound, only digital silence or a constant")
        return cls(recording.source.path, x, recording.rate, first)

    @property
    def name(self) -> str:
        return self.path or "the recording"

    def at(self, rate_hz: int) -> Signal:
        """Return the samples at another sample rate."""
        from vocheck.dsp.resample import resample

        return resample(self.x.astype(np.float32), self.rate_hz, rate_hz).astype(np.float64)


def _kind(source: _Sound, reference: _Sound | None, asked: Excitation | None) -> Excitation:
    if asked is not None:
        kind = asked
    elif reference is not None:
        return "room tone" if is_steady(source.x, source.rate_hz) else "sweep"
    else:
        found = recognise(source.x, source.rate_hz)
        if found is None:
            raise AudioError(
                f"{source.name}: neither a clap, a sweep nor room tone is recognised in it; "
                "if it is one, say which"
            )
        kind = found
    if kind == "sweep" and reference is None:
        raise AudioError(
            f"{source.name}: holds a sweep; the sweep that was played is needed as the reference"
        )
    return kind


@dataclass(frozen=True, eq=False)
class _Response:
    """One impulse response cut out of a recording, ready for the band filters."""

    h: Signal
    rate_hz: int
    facts: Response
    stretch: tuple[int, int]  # in the recording it came from
    source: _Sound


def _responses(
    source: _Sound, kind: Excitation, reference: _Sound | None, remarks: list[str]
) -> list[_Response]:
    if kind == "room tone":
        return []
    x, shift = source.x, 0
    if kind == "sweep" and reference is not None:
        x = deconvolve(source.x, reference.at(source.rate_hz), source.rate_hz)
        shift = -round(PRE_S * source.rate_hz)
        # Only the strongest response: what else stands out is distortion or a second playing.
        impulses = find_impulses(x, source.rate_hz)
        impulses = impulses and (max(impulses, key=lambda i: _peak(x[i.start : i.end])),)
    else:
        impulses = find_impulses(x, source.rate_hz)
    if not impulses:
        raise AudioError(f"{source.name}: no impulse stands 20 dB out of its noise")
    found = [_cut(source, x, impulse, shift) for impulse in impulses]
    _note_faults(source, kind, impulses, found, remarks)
    return found


def _peak(x: Signal) -> float:
    return float(np.abs(x).max())


def _cut(source: _Sound, x: Signal, impulse: Impulse, shift: int) -> _Response:
    h = x[impulse.start : impulse.end]
    onset = find_onset(h)
    noise = float(np.mean(h[-max(1, len(h) // 10) :] ** 2))
    peak = float(np.max(h**2))
    flat = int(np.sum(h**2 >= 0.999 * peak))
    return _Response(
        h=h,
        rate_hz=source.rate_hz,
        facts=Response(
            path=source.path,
            onset_s=(source.offset + impulse.start + onset + shift) / source.rate_hz,
            peak_to_noise_db=db(peak / noise) if noise > 0.0 else 200.0,
            overloaded=shift == 0 and flat >= _FLAT_SAMPLES,
        ),
        stretch=(impulse.start, impulse.end),
        source=source,
    )


def _note_faults(
    source: _Sound,
    kind: Excitation,
    impulses: Iterable[Impulse],
    found: list[_Response],
    remarks: list[str],
) -> None:
    where = f"{os.path.basename(source.name)}: "
    for impulse, response in zip(impulses, found, strict=True):
        time = f"the response at {response.facts.onset_s:.2f} s"
        if impulse.interrupted:
            remarks.append(
                f"{where}the next sound comes before {time} has died away: "
                "wait two seconds between claps."
            )
        if impulse.gated:
            remarks.append(
                f"{where}{time} is cut off by digital silence: switch the recorder's gate off."
            )
        if response.facts.overloaded:
            remarks.append(
                f"{where}{time} overloads the input: lower the gain. EDT, C50, D50 and Ts of it "
                "are too long or too low."
            )
        if _starts_in_sound(response):
            cause = (
                "the recording or the reference does not hold the whole sweep"
                if kind == "sweep"
                else "something else sounds right before it"
            )
            remarks.append(f"{where}{time} does not begin out of silence: {cause}.")


def _starts_in_sound(response: _Response) -> bool:
    """Return whether right before the onset there is more than noise and the ripple of a sweep."""
    h, onset = response.h, find_onset(response.h)
    first, last = (max(0, onset - round(s * response.rate_hz)) for s in _ALIAS_S)
    if first == last:
        return False
    before = float(np.mean(h[first:last] ** 2))
    after = float(np.mean(h[onset : onset + last - first] ** 2))
    noise = float(np.mean(h[-max(1, len(h) // 10) :] ** 2))
    least = max(noise * 10.0 ** (_ALIAS_DB / 10.0), after * 10.0 ** (_RIPPLE_DB / 10.0))
    return bool(before > least)


# -- Bands ----------------------------------------------------------------------------------------


def _bands(sources: Sequence[_Sound], fraction: Fraction) -> tuple[Band, ...]:
    lowest, highest = _OCTAVES_HZ if fraction == 1 else _THIRDS_HZ
    nyquist = min(source.rate_hz for source in sources) / 2
    return tuple(band for band in bands(fraction, lowest, highest) if band.high_hz < 0.98 * nyquist)


def _measure_band(band: Band, responses: Sequence[_Response]) -> RoomBand:
    decays = [analyse_decay(response.h, response.rate_hz, band) for response in responses]
    used = [decay for decay in decays if decay.t20_s is not None]
    best = max(used or decays, key=lambda decay: decay.range_db or 0.0)
    values = {name: _mean(getattr(decay, name) for decay in decays) for name in _AVERAGED}
    # A missing number is explained by the response that came nearest to giving it.
    missing = {
        name: best.reasons.get(name, "no response carries it")
        for name in _AVERAGED[:6]
        if values[name] is None
    }
    t20 = [decay.t20_s for decay in used if decay.t20_s is not None]
    step, curve = _thinned(best)
    return RoomBand(
        centre_hz=band.nominal_hz,
        **values,
        dynamic_range_db=best.range_db,
        valid=bool(used),
        reason=None if used else missing["t20_s"],
        responses=len(used),
        t20_spread_s=float(np.std(t20, ddof=1)) if len(t20) > 1 else None,
        scatter_s=_scatter(values["t20_s"], band, len(t20)),
        remarks=_band_remarks(used, best),
        not_measured=missing,
        decay_db=curve,
        decay_step_s=step,
    )


_AVERAGED = (
    *("edt_s", "t20_s", "t30_s", "c50_db", "d50", "ts_s"),
    *("nonlinearity_permille", "curvature_percent"),
)


def _mean(values: Iterable[float | None]) -> float | None:
    numbers = [value for value in values if value is not None]
    return float(np.mean(numbers)) if numbers else None


def _scatter(t20_s: float | None, band: Band, count: int) -> float | None:
    if t20_s is None:
        return None
    return _SCATTER * t20_s / math.sqrt(band.width_hz * t20_s * count)


def _band_remarks(used: Sequence[Decay], best: Decay) -> tuple[str, ...]:
    if not used:
        return ()
    remarks = []
    needed = ISO_MARGIN_DB - (T20_RANGE_DB if best.t30_s is None else T30_RANGE_DB)[1]
    name = "T20" if best.t30_s is None else "T30"
    if best.range_db is not None and best.range_db < needed:
        remarks.append(
            f"range {best.range_db:.0f} dB; ISO 3382-2 asks for {needed:.0f} dB for {name}, "
            "given here because the noise is subtracted"
        )
    if any(decay.reversed_filter for decay in used):
        remarks.append("filtered backwards in time, the decay being as short as the filter's")
    if any(decay.direct_removed for decay in used):
        remarks.append("direct sound left out of T20 and T30: the microphone stood near the source")
    curvature = _mean(decay.curvature_percent for decay in used)
    if curvature is not None and abs(curvature) > CURVATURE_PERCENT:
        remarks.append(f"the decay is bent: T30 differs from T20 by {curvature:+.0f} %")
    return tuple(remarks)


def _thinned(decay: Decay) -> tuple[float | None, tuple[float, ...]]:
    """Return a decay curve at a hundred points or so, for pictures."""
    if decay.curve is None:
        return None, ()
    levels = decay.curve.levels_db
    # What lies below the range is noise, more or less subtracted.
    below = np.flatnonzero(levels < -decay.curve.range_db)
    levels = levels[: below[0]] if len(below) else levels
    step = max(1, len(levels) // _CURVE_POINTS)
    return step / decay.curve.rate_hz, tuple(round(float(level), 2) for level in levels[::step])


# -- Summary --------------------------------------------------------------------------------------


def _summary(
    measured: Sequence[RoomBand],
    responses: Sequence[_Response],
    fraction: Fraction,
    reasons: dict[str, str],
) -> dict[str, Any]:
    by_centre = {band.centre_hz: band for band in measured}
    mid = [by_centre[hz] for hz in _MID_HZ[fraction] if hz in by_centre]
    voice = [band for hz in _VOICE_HZ if (band := by_centre.get(hz)) is not None and band.valid]
    mid_t_s = mid_spread_s = mid_scatter_s = mid_c50_db = None
    if not measured:
        reasons["mid_t_s"] = reasons["bands"] = "room tone holds no decay: clap, or play a sweep"
    elif len(mid) < len(_MID_HZ[fraction]) or not all(band.valid for band in mid):
        failed = next((band for band in mid if not band.valid), None)
        reasons["mid_t_s"] = "the sample rate is too low"
        if failed:
            reasons["mid_t_s"] = f"at {failed.centre_hz:g} Hz {failed.reason}"
    else:
        mid_t_s = _mean(band.t20_s for band in mid)
        mid_c50_db = _mean(band.c50_db for band in mid)
        scatters = [band.scatter_s or 0.0 for band in mid]
        mid_scatter_s = math.hypot(*scatters) / len(scatters)
        spreads = [band.t20_spread_s for band in mid if band.t20_spread_s is not None]
        if len(spreads) == len(mid):
            mid_spread_s = math.hypot(*spreads) / len(spreads)
        elif len(responses) > 1:
            reasons["mid_spread_s"] = "only one response carries it"
    voice_t_s = _mean(band.t20_s for band in voice)
    if voice_t_s is None and measured:
        reasons["voice_t_s"] = "no band of the voice carries a reverberation time"
    return {
        "mid_t_s": mid_t_s,
        "mid_spread_s": mid_spread_s,
        "mid_scatter_s": mid_scatter_s,
        "mid_c50_db": mid_c50_db,
        "voice_t_s": voice_t_s,
        "voice_bands_hz": tuple(band.centre_hz for band in voice),
    }


def _general_remarks(responses: Sequence[_Response], measured: Sequence[RoomBand]) -> list[str]:
    remarks = []
    if 0 < len(responses) < 3 and any(band.valid for band in measured):
        few = "One response" if len(responses) == 1 else "Two responses"
        remarks.append(f"{few} only: the mean of three or more is worth more.")
    if any("direct sound" in remark for band in measured for remark in band.remarks):
        remarks.append(
            "The microphone stood nearer to the source than ISO 3382 allows: T20 and T30 are those "
            "of the decay after the direct sound; EDT, C50, D50 and Ts include it."
        )
    return remarks


def _compare(t_s: float | None, volume_m3: float | None) -> tuple[Comparison, ...]:
    if t_s is None:
        return ()
    compared = []
    for row in _rooms()["reverberation"]:
        if "formula" in row:
            if volume_m3 is None:
                continue
            middle = 0.25 * (volume_m3 / 100.0) ** (1.0 / 3.0)
            low, high = max(0.0, middle - row["tolerance_s"]), middle + row["tolerance_s"]
            name = f"listening room of {volume_m3:g} m3"
        else:
            low, high, name = row["low_s"], row["high_s"], row["name"]
        verdict: Literal["shorter", "within", "longer"] = (
            "shorter" if t_s < low else "longer" if t_s > high else "within"
        )
        compared.append(
            Comparison(
                name=name,
                low_s=low,
                high_s=high,
                verdict=verdict,
                source=row["source"],
                status=row["status"],
            )
        )
    return tuple(compared)


@cache
def _rooms() -> Mapping[str, Any]:
    text = files("vocheck.targets").joinpath("rooms.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _with_findings(result: RoomResult) -> RoomResult:
    """Return the result with what its facts say against the limits of rooms.toml."""
    from dataclasses import replace

    findings = []
    for name, limit in _rooms()["limits"].items():
        value: Any = result
        for part in limit["measurement"].split("."):
            value = getattr(value, part, None)
        passed = [s for s in SEVERITIES if s in limit and value is not None and value > limit[s]]
        if passed:
            findings.append(_finding(name, limit, value, passed[-1]))
    findings.sort(key=lambda finding: -SEVERITIES.index(finding.severity))
    return replace(result, findings=tuple(findings))


def _finding(name: str, limit: Mapping[str, Any], value: float, severity: Severity) -> Finding:
    return Finding(
        name=name,
        measurement=limit["measurement"],
        severity=severity,
        value=value,
        unit=limit["unit"],
        limit=limit[severity],
        limit_source=limit["source"],
        limit_status=limit["status"],
        count=None,
        times_s=(),
        message=limit["message"].format(value=value),
        now=limit["now"],
        later=limit["later"],
    )


# -- Noise ----------------------------------------------------------------------------------------


def _noise(
    sources: Sequence[_Sound],
    kinds: Sequence[Excitation],
    responses: Sequence[_Response],
    full_scale_db: float | None,
) -> tuple[RoomNoise | None, dict[str, str]]:
    stretches = [
        (kind, source, first, last)
        for source, kind in zip(sources, kinds, strict=True)
        for first, last in _quiet(source, kind, responses)
    ]
    # Room tone was recorded for the purpose; else the longest pause between the responses.
    longest = max(
        stretches,
        key=lambda s: (s[0] == "room tone", (s[3] - s[2]) / s[1].rate_hz),
        default=None,
    )
    if longest is None or longest[3] - longest[2] < _MIN_QUIET_S * longest[1].rate_hz:
        reason = f"no quiet stretch of {_MIN_QUIET_S:g} s: record some room tone"
        return None, {"noise": reason}
    _, source, first, last = longest
    x = source.x[first:last]
    if not x.any():
        return None, {"noise": SILENCE}
    if frozen_samples(x, source.rate_hz).mean() > _FROZEN_SHARE:
        return None, {
            "noise": "its pauses are digital silence: a gate or an edit took the noise out"
        }
    spectrum = power_spectrum(x, source.rate_hz, _NOISE_RESOLUTION_HZ)
    audible = spectrum.frequencies_hz >= _LOWEST_HZ
    wanted = [band for band in bands(1, *_NOISE_HZ) if band.high_hz < source.rate_hz / 2]
    levels = {band.nominal_hz: db(spectrum.band(band)) for band in wanted}
    weighted = spectrum.power * power_gain("A", spectrum.frequencies_hz)
    mains_hz, hum_dbfs, tones_found, reasons = _hum(x, source.rate_hz)
    facts: dict[str, Any] = dict.fromkeys(("level_a_db", "nc", "nc_bound", "nc_hz", "nr", "nr_hz"))
    floor_a = db(float(weighted.sum()))
    if full_scale_db is None:
        reason = "needs a calibration tone: without one the level in the room is not known"
        reasons |= dict.fromkeys(("noise.level_a_db", "noise.nc", "noise.nr"), reason)
    else:
        pressure = {hz: level + full_scale_db for hz, level in levels.items()}
        facts["level_a_db"] = floor_a + full_scale_db
        for name, rating in (("nc", nc(pressure)), ("nr", nr(pressure))):
            if rating is None:
                reasons[f"noise.{name}"] = "the sample rate is too low for the bands it needs"
                continue
            facts[name], facts[f"{name}_hz"] = rating.value, rating.decisive_hz
            if name == "nc":
                facts["nc_bound"] = rating.bound
    return (
        RoomNoise(
            duration_s=len(x) / source.rate_hz,
            start_s=(source.offset + first) / source.rate_hz,
            floor_dbfs=db(float(spectrum.power[audible].sum())),
            floor_a_dbfs=floor_a,
            bands=tuple(
                NoiseBand(
                    centre_hz=hz,
                    level_dbfs=level,
                    level_db=None if full_scale_db is None else level + full_scale_db,
                )
                for hz, level in levels.items()
            ),
            mains_hz=mains_hz,
            hum_dbfs=hum_dbfs,
            hum_tones=tones_found,
            full_scale_db=full_scale_db,
            **facts,
        ),
        reasons,
    )


_LOWEST_HZ = 20.0  # what lies below is no sound


def _quiet(
    source: _Sound, kind: Excitation, responses: Sequence[_Response]
) -> list[tuple[int, int]]:
    """Return the stretches of a recording between its responses."""
    if kind == "room tone":
        return [(0, len(source.x))]
    guard = round(_QUIET_GUARD_S * source.rate_hz)
    own = [response for response in responses if response.source is source]
    if kind == "sweep":
        onsets = [round(r.facts.onset_s * source.rate_hz) - source.offset for r in own]
        return [(0, max(0, min(onsets, default=0) - guard))]
    edges = [0]
    for response in own:
        first, last = response.stretch
        onset = first + find_onset(response.h)
        # The last third of the stretch lies well after the decay has sunk into the noise.
        edges += [max(0, onset - guard), last - (last - onset) // 3]
    edges.append(len(source.x))
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a]


def _hum(
    x: Signal, rate_hz: int
) -> tuple[float | None, float | None, tuple[HumTone, ...], dict[str, str]]:
    from vocheck.measurements import hum

    found = hum.measure(Recording(x, rate_hz))
    reasons = {
        f"noise.{new}": reason
        for old, new in (("mains_hz", "mains_hz"), ("level_dbfs", "hum_dbfs"))
        if (reason := found.reasons().get(old)) is not None
    }
    tones = tuple(
        HumTone(frequency_hz=tone.frequency_hz, level_dbfs=tone.level_dbfs)
        for tone in found.tones or ()
    )
    return found.mains_hz, found.level_dbfs, tones, reasons


def _full_scale(item: PathLike | Recording, spl_db: float) -> float:
    """Return the sound pressure level of 0 dBFS from a calibrator's tone."""
    sound = _Sound.of(item)
    spectrum = power_spectrum(sound.x, sound.rate_hz, _NOISE_RESOLUTION_HZ)
    peak = float(spectrum.frequencies_hz[int(np.argmax(spectrum.power))])
    near = np.abs(spectrum.frequencies_hz - peak) <= max(0.07 * peak, 3 * spectrum.bin_hz)
    tone = float(spectrum.power[near].sum())
    if tone < _STEADY_TONE * float(spectrum.power.sum()):
        raise AudioError(f"{sound.name}: is not a steady tone: cannot calibrate by it")
    return spl_db - db(tone)
