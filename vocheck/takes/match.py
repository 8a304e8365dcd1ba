"""A pickup against a reference take: whether the cut will be heard, and what brings it nearer.

Level, tone, noise, room, pitch and pace of both are measured in the same way and compared; each
difference has a tolerance with its source (`policy/match.toml`). Level, tone and noise can be
brought nearer in the edit: the report suggests a gain and a gentle equalizer curve. Room, pitch and
pace cannot, or hardly.

The tone is compared by third octaves of the speech. Takes of the same line need a few seconds; with
other words, tone differences below 5 dB mean nothing, and less than 7 s of speech is too little.

The distance hint rests on the proximity effect of a directional microphone: moving away from it
takes bass. It is a hint only, since an equalizer, a turned head or another microphone do so too.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Unpack

import numpy as np

from vocheck.measurements import Measurements
from vocheck.policy.every import Policy
from vocheck.policy.rule import Judgment, Severity
from vocheck.policy.tolerances import EqRow, Tolerance
from vocheck.results import SCHEMA, Result
from vocheck.session.settings import Options, Settings, settings_or
from vocheck.session.take import TakeResult, check_take

# Octaves, as a graphic equalizer has them.
EQ_BANDS_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
_BASS_HZ = (80.0, 250.0)  # where the proximity effect works on a voice
_MIDDLE_HZ = (500.0, 2000.0)  # and where it does not
_LOWEST_TONE_HZ, _HIGHEST_TONE_HZ = 100.0, 7000.0  # the third octaves that every voice fills

MatchVerdict = Literal["matches", "can be matched", "differs"]
_VERDICTS: Mapping[Severity | None, MatchVerdict] = {
    None: "matches",
    "fixable": "can be matched",
    "retake": "differs",
}


@dataclass(frozen=True, kw_only=True)
class Difference(Judgment):
    """One quantity of the pickup against the reference.

    Attributes
    ----------
    name, what : str
    reference, take : float or None
        What was measured on each; of the tone only the difference is known.
    difference : float or None
        Take less reference; ``None`` where one of them was not measured.
    unit : str
    within : float
        The tolerance.
    verdict : {"matches", "can be matched", "differs"} or None
    reason : str
        Why it is not known, if it is not.
    words : str
        How the tolerance puts the difference in words, not filled in; not part of the plain data.
    now : str
        What to change in the booth.
    source, status : str
        Of the tolerance.
    """

    name: str
    what: str
    reference: float | None
    take: float | None
    difference: float | None
    within: float
    verdict: MatchVerdict | None
    reason: str
    words: str
    now: str

    def to_dict(self) -> dict[str, object]:
        """Return the facts as plain data."""
        plain = super().to_dict()
        del plain["words"]
        return plain


@dataclass(frozen=True, kw_only=True)
class EqBand(Result):
    """One octave band of the suggested equalizer: `gain_db` at `centre_hz`."""

    centre_hz: float
    gain_db: float


@dataclass(frozen=True, kw_only=True)
class MatchResult(Result):
    """A pickup against a reference take.

    Attributes
    ----------
    reference, path : str or None
    same_line : bool
        Whether both are takes of one line, by their names.
    verdict : {"matches", "can be matched", "differs"}
    differences : tuple of Difference
    gain_db : float or None
        Brings the pickup to the reference's level.
    eq : tuple of EqBand
        Brings its tone nearer; empty where it is near enough.
    bass_db : float or None
        How much more bass the pickup has, against its middle; ``None`` where that is no hint at
        another distance from the microphone.
    """

    reference: str | None
    path: str | None
    same_line: bool
    verdict: MatchVerdict
    differences: tuple[Difference, ...]
    gain_db: float | None
    eq: tuple[EqBand, ...]
    bass_db: float | None

    def to_dict(self) -> dict[str, object]:
        """Return the match as plain data, with the version of the schema."""
        return {"schema": SCHEMA, **super().to_dict()}


def match_take(
    reference: str | os.PathLike[str],
    take: str | os.PathLike[str],
    settings: Settings | None = None,
    **options: Unpack[Options],
) -> MatchResult:
    """Compare a pickup file with a reference file.

    Parameters
    ----------
    reference, take : path-like
    settings : Settings, optional
        Or the single options of `vocheck.session.settings.Options`: ``pattern``, ``cache``.

    Raises
    ------
    AudioError
        If either cannot be read or measured.
    """
    settings = settings_or(settings, [reference, take], options)
    takes = check_take(reference, settings), check_take(take, settings)
    return match_results(*takes, settings.policy)


def match_results(
    reference: TakeResult, take: TakeResult, policy: Policy | None = None
) -> MatchResult:
    """Compare two takes that are already measured.

    Parameters
    ----------
    reference, take : TakeResult
    policy : Policy, optional
        What the pickup is held to; as shipped where omitted.
    """
    held = (policy or Policy()).match
    a, b = reference.measurements, take.measurements
    same_line = reference.line is not None and reference.line == take.line
    level = _pair("level", a.loudness.integrated_lufs, b.loudness.integrated_lufs)
    compared = (
        level,
        _tone(a, b, same_line, held.other_text.speech_s),
        _pair("noise", _negative(a.noise.snr_db), _negative(b.noise.snr_db)),
        _pair("room", a.reverberation.c50_db, b.reverberation.c50_db),
        _pair("reverberation", a.reverberation.rt60_s, b.reverberation.rt60_s),
        _pitch(a, b),
        _pace(a, b),
    )
    differences = tuple(_judged(pair, held.tolerances[pair.name]) for pair in compared)
    return MatchResult(
        reference=reference.path,
        path=take.path,
        same_line=same_line,
        verdict=_verdict(differences),
        differences=differences,
        gain_db=None if level.difference is None else -level.difference,
        eq=_eq(a, b, held.eq),
        bass_db=_bass_db(a, b, held.distance.bass_db),
    )


def _verdict(differences: Sequence[Difference]) -> MatchVerdict:
    verdicts = {difference.verdict for difference in differences}
    for verdict in ("differs", "can be matched"):
        if verdict in verdicts:
            return verdict
    return "matches"


@dataclass(frozen=True)
class _Pair(Result):
    """A quantity of both takes, as far as it is known.

    Attributes
    ----------
    name : str
        Of its row in ``match.toml``.
    reference, take, difference : float or None
    reason : str
        Why the difference is not known.
    """

    name: str
    reference: float | None
    take: float | None
    difference: float | None
    reason: str = "one of the takes is silent"


def _pair(name: str, reference: float | None, take: float | None) -> _Pair:
    if reference is None or take is None:
        return _Pair(name, reference, take, None, "not measured on both takes")
    difference = take - reference if np.isfinite(reference - take) else None
    return _Pair(name, reference, take, difference)


def _judged(pair: _Pair, tolerance: Tolerance) -> Difference:
    verdict: MatchVerdict | None = None
    if pair.difference is not None:
        verdict = _VERDICTS[tolerance.rule.severity_of(pair.difference)]
    return Difference(
        name=pair.name,
        what=tolerance.what,
        reference=pair.reference,
        take=pair.take,
        difference=pair.difference,
        unit=tolerance.unit,
        within=tolerance.within,
        verdict=verdict,
        reason=pair.reason if pair.difference is None else "",
        words=tolerance.higher if (pair.difference or 0.0) > 0 else tolerance.lower,
        now=tolerance.now,
        source=tolerance.source,
        status=tolerance.status,
    )


def _negative(value: float | None) -> float | None:
    """Return the noise re speech: what is heard once both takes are at the same level."""
    return None if value is None else -value


def _bands(m: Measurements, low_hz: float, high_hz: float) -> dict[float, float]:
    return {
        band.centre_hz: band.level_db
        for band in m.tone.ltas or ()
        if low_hz <= band.centre_hz <= high_hz and np.isfinite(band.level_db)
    }


def _tone(a: Measurements, b: Measurements, same_line: bool, speech_s: float) -> _Pair:
    """Compare the third octaves, the mean difference removed: that is level, not tone."""
    mine = _bands(a, _LOWEST_TONE_HZ, _HIGHEST_TONE_HZ)
    other = _bands(b, _LOWEST_TONE_HZ, _HIGHEST_TONE_HZ)
    name = "tone" if same_line else "tone_other_text"
    steps = [other[hz] - mine[hz] for hz in mine if hz in other]
    if len(steps) < 3:
        return _Pair(name, None, None, None, "no spectrum on both takes")
    if not same_line and min(_speech_s(a), _speech_s(b)) < speech_s:
        reason = f"other words need {speech_s:g} s of speech in both takes"
        return _Pair(name, None, None, None, reason)
    return _Pair(name, None, None, float(np.std(steps)))


def _speech_s(m: Measurements) -> float:
    return sum(phrase.end_s - phrase.start_s for phrase in m.speech.phrases)


def _pitch(a: Measurements, b: Measurements) -> _Pair:
    first, second = a.speech.pitch_median_hz, b.speech.pitch_median_hz
    if not first or not second:
        return _Pair("pitch", first, second, None, "no pitch on both takes")
    return _Pair("pitch", first, second, 12 * float(np.log2(second / first)))


def _pace(a: Measurements, b: Measurements) -> _Pair:
    first, second = a.speech.syllables_per_s, b.speech.syllables_per_s
    if not first or not second:
        return _Pair("pace", first, second, None, "no syllables on both takes")
    return _Pair("pace", first, second, 100 * (second / first - 1))


def _eq(a: Measurements, b: Measurements, row: EqRow) -> tuple[EqBand, ...]:
    """Return what brings the tone of b towards a: octaves, in half decibels, never far."""
    mine, other = (_bands(m, 50.0, 10_000.0) for m in (a, b))
    steps = {hz: mine[hz] - other[hz] for hz in mine if hz in other}
    if len(steps) < 3:
        return ()
    middle = float(np.median(list(steps.values())))
    bands = []
    for centre in EQ_BANDS_HZ:
        inside = [step for hz, step in steps.items() if centre / 1.5 < hz < centre * 1.5]
        if not inside:
            continue
        gain = float(np.clip(np.mean(inside) - middle, -row.most_db, row.most_db))
        if abs(gain) >= row.least_db:
            bands.append(EqBand(centre_hz=centre, gain_db=round(2 * gain) / 2))
    return tuple(bands)


def _bass_db(a: Measurements, b: Measurements, least_db: float) -> float | None:
    """Return how much more bass b has than a, where it is enough to hint at a distance."""
    first, second = bass_db(a), bass_db(b)
    if first is None or second is None or abs(second - first) < least_db:
        return None
    return second - first


def bass_db(m: Measurements) -> float | None:
    """Return the bass of a voice (80 to 250 Hz) against its middle (500 Hz to 2 kHz)."""
    low, middle = _bands(m, *_BASS_HZ), _bands(m, *_MIDDLE_HZ)
    if not low or not middle:
        return None
    return float(np.mean(list(low.values())) - np.mean(list(middle.values())))
