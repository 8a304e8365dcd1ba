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
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal

import numpy as np

from vocheck.dsp.impulses import Excitation
from vocheck.dsp.octaves import Fraction
from vocheck.errors import AudioError
from vocheck.policy.every import Policy, policy_for
from vocheck.policy.judge import judge
from vocheck.policy.tolerances import Character, RoomLike
from vocheck.recording import Recording
from vocheck.room.bands import mean, measure_band, wanted_bands
from vocheck.room.noise import full_scale_db_of, measure_noise
from vocheck.room.responses import CutResponse, PathLike, Sound, cut_responses, kind_of
from vocheck.room.results import (
    Comparison,
    HumTone,
    NoiseBand,
    Notice,
    Response,
    RoomBand,
    RoomNoise,
    RoomResult,
)

__all__ = [
    "Comparison",
    "HumTone",
    "NoiseBand",
    "Notice",
    "PathLike",
    "Response",
    "RoomBand",
    "RoomNoise",
    "RoomResult",
    "measure_room",
]

# ISO 3382-1, clause 9: mid-band single-number values are means over these
_MID_HZ: Mapping[Fraction, tuple[float, ...]] = {
    1: (500.0, 1000.0),
    3: (400.0, 500.0, 630.0, 800.0, 1000.0, 1250.0),
}
_VOICE_HZ = (500.0, 1000.0, 2000.0)  # the octaves with most of a voice's energy and words
_ENOUGH = 3  # responses: their mean scatters by 0.58 of one; the third is the last to help much


def measure_room(
    recordings: PathLike | Recording | Sequence[PathLike | Recording],
    sweep: PathLike | Recording | None = None,
    calibration: PathLike | Recording | None = None,
    *,
    spl_db: float = 94.0,
    excitation: Excitation | None = None,
    fraction: Fraction = 1,
    volume_m3: float | None = None,
    policy: Policy | None = None,
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
    policy : Policy, optional
        What the room is held to; where omitted: as shipped, with the overrides of the
        ``vocheck.toml`` nearest to the first file.

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
    sources = [Sound.of(item) for item in recordings]
    if not sources:
        raise AudioError("no recording to measure")
    if policy is None:
        policy = policy_for(sources[0].path) if sources[0].path else Policy()
    full_scale_db = None if calibration is None else full_scale_db_of(calibration, spl_db)
    reference = None if sweep is None else Sound.of(sweep)
    kinds = [kind_of(source, reference, excitation) for source in sources]
    if reference is not None and "sweep" not in kinds and excitation is None:
        raise AudioError(
            f"{sources[0].name}: no sweep stands out of its noise; play it louder, or leave the "
            "reference out to measure the noise alone"
        )
    responses: list[CutResponse] = []
    notices: list[Notice] = []
    for source, kind in zip(sources, kinds, strict=True):
        responses += cut_responses(source, kind, reference, notices)
    wanted = wanted_bands(sources, fraction) if responses else ()
    measured = tuple(measure_band(band, responses) for band in wanted)
    noise, reasons = measure_noise(sources, kinds, responses, full_scale_db)
    facts = _summary(measured, responses, fraction, reasons)
    result = RoomResult(
        path=sources[0].path,
        paths=tuple(source.path for source in sources if source.path),
        excitation=next((kind for kind in kinds if kind != "room tone"), "room tone"),
        fraction=fraction,
        onset_s=responses[0].facts.onset_s if responses else None,
        peak_to_noise_db=(
            float(np.median([response.facts.peak_to_noise_db for response in responses]))
            if responses
            else None
        ),
        responses=tuple(response.facts for response in responses),
        bands=measured,
        noise=noise,
        character=_character(facts["mid_t_s"] or facts["voice_t_s"], policy.character),
        comparisons=_compare(facts["mid_t_s"] or facts["voice_t_s"], volume_m3, policy.compare),
        notices=(*notices, *_notices(responses, measured)),
        not_measured=reasons,
        **facts,
    )
    return replace(result, findings=judge(result, policy.room))


def _summary(
    measured: Sequence[RoomBand],
    responses: Sequence[CutResponse],
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
        mid_t_s = mean(band.t20_s for band in mid)
        mid_c50_db = mean(band.c50_db for band in mid)
        scatters = [band.scatter_s or 0.0 for band in mid]
        mid_scatter_s = math.hypot(*scatters) / len(scatters)
        spreads = [band.t20_spread_s for band in mid if band.t20_spread_s is not None]
        if len(spreads) == len(mid):
            mid_spread_s = math.hypot(*spreads) / len(spreads)
        elif len(responses) > 1:
            reasons["mid_spread_s"] = "only one response carries it"
    voice_t_s = mean(band.t20_s for band in voice)
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


def _notices(responses: Sequence[CutResponse], measured: Sequence[RoomBand]) -> Iterator[Notice]:
    """Yield what to know about the measurement as a whole."""
    if 0 < len(responses) < _ENOUGH and any(band.valid for band in measured):
        yield Notice(kind="few responses", value=len(responses), limit=_ENOUGH)
    found = {notice.kind for band in measured for notice in band.notices}
    if "direct sound removed" in found:
        yield Notice(kind="near source")


def _character(t_s: float | None, rows: Mapping[str, Character]) -> str | None:
    if t_s is None:
        return None
    return next((row.words for row in rows.values() if t_s <= row.up_to_s), None)


def _compare(
    t_s: float | None, volume_m3: float | None, rows: Mapping[str, RoomLike]
) -> tuple[Comparison, ...]:
    if t_s is None:
        return ()
    compared = []
    for row in rows.values():
        found = row.range_s(volume_m3)
        if found is None:
            continue
        low, high = found
        verdict: Literal["shorter", "within", "longer"] = (
            "shorter" if t_s < low else "longer" if t_s > high else "within"
        )
        compared.append(
            Comparison(
                title=row.title,
                volume_m3=None if row.formula is None else volume_m3,
                low_s=low,
                high_s=high,
                verdict=verdict,
                source=row.source,
                status=row.status,
            )
        )
    return tuple(compared)
