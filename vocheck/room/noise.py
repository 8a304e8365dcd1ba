"""The background noise of a room: octaves, hum, and its class where the level is calibrated."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from vocheck.dsp.decay import find_onset
from vocheck.dsp.decibels import db
from vocheck.dsp.impulses import Excitation, frozen_samples
from vocheck.dsp.octaves import bands, power_spectrum
from vocheck.dsp.weighting import power_gain
from vocheck.errors import AudioError
from vocheck.policy.noise_curves import nc, nr
from vocheck.recording import Recording
from vocheck.results import SILENCE
from vocheck.room.responses import CutResponse, PathLike, Signal, Sound
from vocheck.room.results import HumTone, NoiseBand, RoomNoise

_BANDS_HZ = (31.5, 16000.0)  # the octaves of the NC and NR curves, and one above
_LOWEST_HZ = 20.0  # what lies below is no sound
_RESOLUTION_HZ = 2.0  # ten bins in the octave of 31.5 Hz
_MIN_QUIET_S = 0.5  # 15 periods of the lowest octave
_QUIET_GUARD_S = 0.1  # before an impulse: the hands already move
_FROZEN_SHARE = 0.05  # of a quiet stretch: more digital silence than that is no room
_STEADY_TONE = 0.9  # share of a calibration tone's power within a tenth of an octave of its peak


def measure_noise(
    sources: Sequence[Sound],
    kinds: Sequence[Excitation],
    responses: Sequence[CutResponse],
    full_scale_db: float | None,
) -> tuple[RoomNoise | None, dict[str, str]]:
    """Measure the longest quiet stretch; the second value says why numbers are missing."""
    longest = _longest_quiet(sources, kinds, responses)
    if longest is None:
        reason = f"no quiet stretch of {_MIN_QUIET_S:g} s: record some room tone"
        return None, {"noise": reason}
    source, first, last = longest
    x = source.x[first:last]
    if not x.any():
        return None, {"noise": SILENCE}
    if frozen_samples(x, source.rate_hz).mean() > _FROZEN_SHARE:
        return None, {
            "noise": "its pauses are digital silence: a gate or an edit took the noise out"
        }
    spectrum = power_spectrum(x, source.rate_hz, _RESOLUTION_HZ)
    audible = spectrum.frequencies_hz >= _LOWEST_HZ
    wanted = [band for band in bands(1, *_BANDS_HZ) if band.high_hz < source.rate_hz / 2]
    levels = {band.nominal_hz: db(spectrum.band(band)) for band in wanted}
    weighted = spectrum.power * power_gain("A", spectrum.frequencies_hz)
    floor_a = db(float(weighted.sum()))
    mains_hz, hum_dbfs, tones_found, reasons = _hum(x, source.rate_hz)
    in_room, not_rated = _in_the_room(levels, floor_a, full_scale_db)
    noise = RoomNoise(
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
        **in_room,
    )
    return noise, reasons | not_rated


def _longest_quiet(
    sources: Sequence[Sound], kinds: Sequence[Excitation], responses: Sequence[CutResponse]
) -> tuple[Sound, int, int] | None:
    """Return the stretch to measure; ``None`` if all are too short.

    Room tone was recorded for the purpose. Without it, the longest pause between the responses.
    """
    stretches = [
        (kind == "room tone", (last - first) / source.rate_hz, (source, first, last))
        for source, kind in zip(sources, kinds, strict=True)
        for first, last in _quiet(source, kind, responses)
    ]
    _, duration_s, longest = max(stretches, key=lambda s: s[:2], default=(False, 0.0, None))
    return longest if duration_s >= _MIN_QUIET_S else None


def _in_the_room(
    levels: Mapping[float, float], floor_a_dbfs: float, full_scale_db: float | None
) -> tuple[dict[str, Any], dict[str, str]]:
    """Return the level in the room with its ratings, and why some of them are missing."""
    facts: dict[str, Any] = dict.fromkeys(("level_a_db", "nc", "nc_bound", "nc_hz", "nr", "nr_hz"))
    if full_scale_db is None:
        reason = "needs a calibration tone: without one the level in the room is not known"
        return facts, dict.fromkeys(("noise.level_a_db", "noise.nc", "noise.nr"), reason)
    reasons: dict[str, str] = {}
    pressure = {hz: level + full_scale_db for hz, level in levels.items()}
    facts["level_a_db"] = floor_a_dbfs + full_scale_db
    for name, rating in (("nc", nc(pressure)), ("nr", nr(pressure))):
        if rating is None:
            reasons[f"noise.{name}"] = "the sample rate is too low for the bands it needs"
            continue
        facts[name], facts[f"{name}_hz"] = rating.value, rating.decisive_hz
        if name == "nc":
            facts["nc_bound"] = rating.bound
    return facts, reasons


def _quiet(
    source: Sound, kind: Excitation, responses: Sequence[CutResponse]
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


def full_scale_db_of(item: PathLike | Recording, spl_db: float) -> float:
    """Return the sound pressure level of 0 dBFS from a calibrator's tone."""
    sound = Sound.of(item)
    spectrum = power_spectrum(sound.x, sound.rate_hz, _RESOLUTION_HZ)
    peak = float(spectrum.frequencies_hz[int(np.argmax(spectrum.power))])
    near = np.abs(spectrum.frequencies_hz - peak) <= max(0.07 * peak, 3 * spectrum.bin_hz)
    tone = float(spectrum.power[near].sum())
    if tone < _STEADY_TONE * float(spectrum.power.sum()):
        raise AudioError(f"{sound.name}: is not a steady tone: cannot calibrate by it")
    return spl_db - db(tone)
