"""The voice against its bed, from their stems.

Where the voice is active is told by its stem (see `vocheck.mix.blocks`). Voice and bed are each
averaged over just these places, K-weighted, and the difference is how far the voice stands over its
bed. The mix itself, averaged there, gives the loudness of the dialogue that some specifications ask
for.

One-channel stems count as played on both speakers.

A stem is not believed unseen: it is looked for in the mix (`vocheck.mix.alignment`). One that is
not in it, or does not start with it, measures nothing, and the reason is told.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from vocheck.audio.readers import open_audio
from vocheck.dsp.decibels import db, levels_db
from vocheck.dsp.frames import framed
from vocheck.errors import VocheckError
from vocheck.measurements.loudness import (
    GATING_HOP_STEPS,
    OFFSET_LU,
    LoudnessMeter,
    LoudnessReading,
)
from vocheck.mix.alignment import Floats, ThinMeter, fit_stems, null_db
from vocheck.mix.blocks import Powers, active, parts
from vocheck.mix.results import StemMatch, Stems
from vocheck.policy.delivery import check
from vocheck.policy.destinations import Destination

STEMS = ("voice", "bed")
_PART_S = 0.1  # the hop of the gating blocks of ITU-R BS.1770
_SHORT_TERM_PARTS = 30  # of 100 ms, in 3 s
_ACTIVE_SHARE = 0.5  # a place counts where the voice is active in half of its 3 s


@dataclass(frozen=True, eq=False)
class StemSound:
    """What is kept of a stem.

    Attributes
    ----------
    reading : LoudnessReading
    thin : ndarray of float32, shape (samples,)
        For finding it in the mix (`vocheck.mix.alignment`).
    """

    reading: LoudnessReading
    thin: Floats


def read_stems(stems: Mapping[str, str | os.PathLike[str]]) -> dict[str, StemSound]:
    """Measure each stem.

    Raises
    ------
    VocheckError
        If a stem is neither the voice nor the bed.
    AudioError
        If a file cannot be read.
    """
    for name in stems:
        if name not in STEMS:
            raise VocheckError(f"--stem {name}: a stem is one of {', '.join(STEMS)}")
    sounds = {}
    for name, path in stems.items():
        with open_audio(path) as file:
            source = file.source
            meter = LoudnessMeter(source.rate_hz, source.channels, source.layout)
            thin = ThinMeter(source.rate_hz, source.channels)
            for block in file.blocks():
                meter.feed(block)
                thin.feed(block)
        sounds[name] = StemSound(meter.result(), thin.result())
    return sounds


def match(mix: Floats, sounds: Mapping[str, StemSound]) -> StemMatch:
    """Return whether the stems are in the mix, when they start and how loud they stand in it."""
    thin = {name: sound.thin for name, sound in sounds.items()}
    fits = fit_stems(mix, thin)
    return StemMatch(
        lag_s={name: fit.lag_s for name, fit in fits.items() if fit is not None},
        gain_db={name: fit.gain_db for name, fit in fits.items() if fit is not None},
        foreign=tuple(name for name, fit in fits.items() if fit is None),
        null_db=null_db(mix, thin) if thin.keys() == set(STEMS) else None,
    )


def doubts(found: StemMatch, rules: Destination) -> dict[str, str]:
    """Return why a stem is not believed, by its name; ``"both"`` where their balance is not.

    Parameters
    ----------
    found : StemMatch
    rules : Destination
        What every mix is held to.
    """

    def beyond(fact: str, value: float | None) -> bool:
        rule = rules.rule(fact)
        return rule is not None and value is not None and check(rule, value).verdict != "pass"

    reasons = {name: f"the {name} stem is not in the mix" for name in found.foreign}
    reasons |= {
        name: f"the {name} stem starts {abs(lag):.2f} s {'later' if lag > 0 else 'earlier'} than "
        "in the mix"
        for name, lag in found.lag_s.items()
        if beyond("stem_lag_s", lag)
    }
    if len(found.gain_db) == len(STEMS) and beyond("stem_gain_db", found.balance_db):
        reasons["both"] = "the stems do not stand to each other as in the mix"
    return reasons


def dialogue_lufs(mix: LoudnessReading, voice: LoudnessReading) -> float | None:
    """Return the loudness of the mix where the voice is active; ``None`` where it never is.

    One channel of the mix counts as one.
    """
    tenths = mix.energies.windows(GATING_HOP_STEPS, GATING_HOP_STEPS)
    speaks, whole = _common(active(voice), tenths)
    return OFFSET_LU + db(float(whole[speaks].mean())) if speaks.any() else None


def compare(
    stems: Mapping[str, str | os.PathLike[str]],
    readings: Mapping[str, LoudnessReading],
    mix: LoudnessReading,
    found_in_mix: StemMatch,
    doubted: Mapping[str, str],
) -> tuple[Stems, float | None]:
    """Return what the stems say, and how far the voice stands over the bed in LU.

    Parameters
    ----------
    stems : mapping of str to path-like
    readings : mapping of str to LoudnessReading
        Of those that are believed.
    mix : LoudnessReading
    found_in_mix : StemMatch
    doubted : mapping of str to str
        Why a stem, or the balance of both, is not believed.
    """
    names = {name: Path(stems[name]).name if name in stems else None for name in STEMS}
    absent = [name for name in STEMS if name not in stems]
    why = f"no stem was given for the {' and the '.join(absent)}" if absent else ""
    why = "; ".join(doubted.values()) or why
    found: dict[str, float | None] = dict.fromkeys(
        ("voice_lufs", "bed_lufs", "voice_active", "closest_lu", "closest_s")
    )
    lead = None
    if "voice" in readings:
        voice, speaks = parts(readings["voice"]), active(readings["voice"])
        if speaks.any():
            found["voice_lufs"] = OFFSET_LU + db(float(voice[speaks].mean()))
            found["voice_active"] = float(speaks.sum()) / max(len(parts(mix)), len(voice))
            if "bed" in readings and "both" not in doubted:
                lead = _against_bed(voice, speaks, parts(readings["bed"]), found)
        else:
            why = why or "the voice stem is silent"
    missing = {
        name: why or "the bed is silent there, or the voice fills no 3 s"
        for name, value in found.items()
        if value is None
    }
    result = Stems(
        voice=names["voice"],
        bed=names["bed"],
        voice_lufs=found["voice_lufs"],
        bed_lufs=found["bed_lufs"],
        voice_active=found["voice_active"],
        closest_lu=found["closest_lu"],
        closest_s=found["closest_s"],
        in_mix=found_in_mix,
        not_measured=missing,
    )
    return result, lead


def _against_bed(
    voice: Powers,
    speaks: npt.NDArray[np.bool_],
    bed: Powers,
    found: dict[str, float | None],
) -> float | None:
    """Fill in what is known with a bed, and return the lead of the voice over it."""
    speaks, bed = _common(speaks, bed)
    voice = voice[: len(bed)]
    if not speaks.any() or not bed[speaks].any():
        return None
    found["bed_lufs"] = OFFSET_LU + db(float(bed[speaks].mean()))
    found["closest_lu"], found["closest_s"] = closest(voice, bed, speaks)
    return db(float(voice[speaks].mean()) / float(bed[speaks].mean()))


def _common(speaks: npt.NDArray[np.bool_], other: Powers) -> tuple[npt.NDArray[np.bool_], Powers]:
    """Return both, cut to the shorter: stems start together and may end apart."""
    length = min(len(speaks), len(other))
    return speaks[:length], other[:length]


def closest(
    voice: Powers, bed: Powers, speaks: npt.NDArray[np.bool_]
) -> tuple[float | None, float | None]:
    """Return the smallest lead of the voice in any 3 s that it fills by half, and their middle."""
    leads = _leads(voice, bed, speaks)
    if not np.isfinite(leads).any():
        return None, None
    place = int(np.nanargmin(leads))
    return float(leads[place]), (place + _SHORT_TERM_PARTS / 2.0) * _PART_S


def _leads(voice: Powers, bed: Powers, speaks: npt.NDArray[np.bool_]) -> Powers:
    """Return the lead of the voice in each 3 s, every 100 ms; NaN where it does not fill half."""
    if len(voice) < _SHORT_TERM_PARTS:
        return np.zeros(0)
    count = framed(speaks, _SHORT_TERM_PARTS).sum(axis=1)
    voiced = framed(np.where(speaks, voice, 0.0), _SHORT_TERM_PARTS).sum(axis=1)
    bedded = framed(np.where(speaks, bed, 0.0), _SHORT_TERM_PARTS).sum(axis=1)
    filled = (count >= _ACTIVE_SHARE * _SHORT_TERM_PARTS) & (bedded > 0.0)
    leads = np.full(len(filled), np.nan)
    leads[filled] = levels_db(voiced[filled] / bedded[filled])
    return leads


def lead_over_time(
    readings: Mapping[str, LoudnessReading], step_s: float
) -> tuple[float | None, ...] | None:
    """Return the least lead of the voice over its bed in each step of time, of windows of 3 s.

    Parameters
    ----------
    readings : mapping of str to LoudnessReading
        As `read_stems` gives them.
    step_s : float
        A multiple of 0.1 s.

    Returns
    -------
    tuple of (float or None), or None
        ``None`` in it where the voice is active in less than half of all the step's windows or the
        bed is silent, and altogether where a stem is missing.
    """
    if not {"voice", "bed"} <= readings.keys():
        return None
    speaks, bed = _common(active(readings["voice"]), parts(readings["bed"]))
    leads = _leads(parts(readings["voice"])[: len(bed)], bed, speaks)
    step = round(step_s / _PART_S)
    padded = np.pad(leads, (0, -len(leads) % step), constant_values=np.nan).reshape(-1, step)
    least = np.where(np.isnan(padded), np.inf, padded).min(axis=1, initial=np.inf)
    return tuple(None if level == np.inf else level for level in least.tolist())
