"""Drift: what has changed since the first good take, and what most likely changed it.

One number alone misleads. A voice that is 6 dB softer over the same noise has moved away or is read
with less effort; where the noise fell with it, somebody touched the gain; where the noise alone
rose, something was switched on. So level and noise are compared apart, as recorded, and what the
room and the bass say tells distance from effort:

- a directional microphone loses bass with distance, and the room gains on the voice (C50 falls);
- a voice that is raised grows more in its middle than in its bass, and the room stays.

Bass is compared within a line only: other words alone change it by 3 dB (median of 78 pairs of
sentences of 44 readers), by 9 dB in one pair of twenty.

What is heard of the room in one take is an estimate, so a change of the room itself is told from
the newest takes together against the first good ones together.

`shifts_of` measures, `cause_of` decides from the numbers alone: one cause, or that it cannot be
told which of two it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from vocheck.policy.every import Policy
from vocheck.policy.tolerances import DriftRules
from vocheck.results import Result
from vocheck.session.take import TakeResult
from vocheck.takes.match import bass_db, match_results
from vocheck.takes.rooms import Estimate, clarity, log_time, mean

Cause = Literal[
    "gain",
    "noise",
    "door",
    "distance",
    "distance and gain",
    "effort",
    "distance or effort",
    "level",
    "room",
    "microphone",
]
"""What was changed: ``level`` where the noise is not known, so that gain may be it as well."""


@dataclass(frozen=True, kw_only=True)
class Shifts(Result):
    """By how much a take differs from the first good take; ``None`` where that is not known.

    Attributes
    ----------
    level_lu : float or None
        Of the voice (integrated loudness).
    noise_db : float or None
        Of the A-weighted noise floor as recorded, whatever the voice does.
    bass_db : float or None
        Of the bass against the middle of the voice, where both takes are of one line.
    tone_db : float or None
        Distance of the spectra, third octaves, rms.
    same_line : bool
        Whether both takes are of one line; other words differ in tone by themselves.
    c50_db : float or None
        Of the clarity of this take alone.
    room_c50_db : float or None
        Of the clarity of the newest takes together against the first good ones together, where it
        is sure; 0 where there is none beyond what a session may do.
    room_rt60 : float or None
        The same of the reverberation time: longer by this part of it; negative for shorter, by the
        same part the other way round (0.25 is a ratio of 1.25, -0.25 one of 1 / 1.25).
    """

    level_lu: float | None = None
    noise_db: float | None = None
    bass_db: float | None = None
    tone_db: float | None = None
    same_line: bool = True
    c50_db: float | None = None
    room_c50_db: float | None = None
    room_rt60: float | None = None


@dataclass(frozen=True, kw_only=True)
class Drift(Result):
    """What has changed since the first good take.

    Attributes
    ----------
    cause : Cause
    since : TakeResult
        The first good take.
    shifts : Shifts
    gain_db : float or None
        By how much to change the input gain to have it as it was, where that is the cause.
    by_room : bool
        Whether the room alone tells the cause, and not the level of the voice.
    """

    cause: Cause
    since: TakeResult
    shifts: Shifts
    gain_db: float | None = None
    by_room: bool = False


def find_drift(take: TakeResult, before: Sequence[TakeResult], policy: Policy) -> Drift | None:
    """Return what has changed since the first good take; ``None`` where nothing has.

    Parameters
    ----------
    take : TakeResult
    before : sequence of TakeResult
        Those recorded before it, oldest first.
    policy : Policy
    """
    reference = next((other for other in before if other.verdict == "keep"), None)
    if reference is None:
        return None
    shifts = shifts_of(take, reference, before, policy)
    cause = cause_of(shifts, policy.drift)
    if cause is None:
        return None
    gain = -shifts.level_lu if cause == "gain" and shifts.level_lu is not None else None
    by_room = not policy.drift.rows["level"].way(shifts.level_lu)
    return Drift(cause=cause, since=reference, shifts=shifts, gain_db=gain, by_room=by_room)


def cause_of(shifts: Shifts, rules: DriftRules) -> Cause | None:
    """Return what was most likely changed, from the numbers alone.

    Where both are told, what spoils every take to come (gain, noise, a door) goes before what the
    talent does.
    """
    rows = rules.rows
    voice = rows["level"].way(shifts.level_lu)
    noise = 0 if shifts.noise_db is None else _way(shifts.noise_db, rows["noise"].beyond)
    room = _room_change(shifts, rules)
    outgrown = noise > 0 and _noise_outgrows(shifts, rows["gain"].beyond)
    if voice and noise == voice and not outgrown:
        return "gain"
    if outgrown:
        if room == "distance":
            return "distance and gain"
        return "door" if room == "room" and _more_room(shifts) else "noise"
    if voice:
        return _of_the_voice(voice, shifts, rules)
    if room is not None:
        return room
    tone = rows["tone" if shifts.same_line else "tone_other_text"]
    return "microphone" if tone.way(shifts.tone_db) else None


def _noise_outgrows(shifts: Shifts, gain_db: float) -> bool:
    """Whether the noise rose by more than gain alone would have raised it with the voice."""
    assert shifts.noise_db is not None
    return shifts.noise_db > 0 and shifts.noise_db - (shifts.level_lu or 0.0) > gain_db


def _of_the_voice(voice: int, shifts: Shifts, rules: DriftRules) -> Cause:
    """Tell distance from effort where the voice changed over the same noise."""
    rows = rules.rows
    room, bass = rows["room"].way(shifts.c50_db), rows["bass"].way(shifts.bass_db)
    if room == voice or (room == 0 and bass == voice):
        return "distance"
    if shifts.noise_db is None:
        return "level"
    if room == 0 and bass == -voice:
        return "effort"
    return "distance or effort"


def _room_change(shifts: Shifts, rules: DriftRules) -> Literal["room", "distance"] | None:
    """Tell another room from another distance in it, which changes C50 and no decay."""
    if rules.rows["reverberation"].way(shifts.room_rt60):
        return "room"
    if rules.rows["room"].way(shifts.room_c50_db):
        return "room" if shifts.room_rt60 is None else "distance"
    return None


def _more_room(shifts: Shifts) -> bool:
    return (shifts.room_rt60 or 0.0) > 0 or (shifts.room_c50_db or 0.0) < 0


def _way(difference: float, beyond: float) -> int:
    return (difference > beyond) - (difference < -beyond)


def shifts_of(
    take: TakeResult, reference: TakeResult, before: Sequence[TakeResult], policy: Policy
) -> Shifts:
    """Return by how much a take, and the room with it, differs from the first good take.

    Parameters
    ----------
    take, reference : TakeResult
    before : sequence of TakeResult
        Those recorded before `take`, oldest first, `reference` among them.
    policy : Policy
    """
    a, b = reference.measurements, take.measurements
    compared = match_results(reference, take, policy)
    told = {d.name: d.difference for d in compared.differences}
    first, last = _pools([*before, take], policy.drift)
    c50, rt60 = _room_shift(first, last, policy.drift)
    return Shifts(
        level_lu=told["level"],
        noise_db=_less(b.noise.floor_a_dbfs, a.noise.floor_a_dbfs),
        bass_db=_less(bass_db(b), bass_db(a)) if compared.same_line else None,
        tone_db=told.get("tone", told.get("tone_other_text")),
        same_line=compared.same_line,
        c50_db=_less(b.reverberation.c50_db, a.reverberation.c50_db),
        room_c50_db=c50,
        room_rt60=rt60,
    )


def _pools(
    takes: Sequence[TakeResult], rules: DriftRules
) -> tuple[list[TakeResult], list[TakeResult]]:
    """Return the first good takes in one room, and the newest of the others.

    The newest take is never among the first ones; a good take in another room is not either.
    """
    first: list[TakeResult] = []
    for take in takes[:-1]:
        if len(first) == rules.pool.takes:
            break
        if take.verdict == "keep" and not _moved(first, take, rules):
            first.append(take)
    rest = [take for take in takes if all(take is not one for one in first)]
    return first, rest[-rules.pool.takes :]


def _moved(first: Sequence[TakeResult], take: TakeResult, rules: DriftRules) -> bool:
    c50, rt60 = _room_shift(first, [take], rules)
    rows = rules.rows
    return bool(rows["room"].way(c50) or rows["reverberation"].way(rt60))


def _room_shift(
    first: Sequence[TakeResult], last: Sequence[TakeResult], rules: DriftRules
) -> tuple[float | None, float | None]:
    """Return by how much the room differs in C50 and, by its part, in reverberation time.

    From as few of the newest takes as are sure of a change, so that it is told early. 0 where there
    is no change; ``None`` where that cannot be told.
    """
    room, time = rules.rows["room"], rules.rows["reverberation"]
    c50 = _sure_shift(
        [clarity(t.measurements, rules) for t in first],
        [clarity(t.measurements, rules) for t in last],
        room.beyond,
        rules.pool.sure,
    )
    log = _sure_shift(
        [log_time(t.measurements, rules) for t in first],
        [log_time(t.measurements, rules) for t in last],
        math.log1p(time.beyond),
        rules.pool.sure,
    )
    return c50, None if log is None else math.copysign(math.expm1(abs(log)), log)


def _sure_shift(
    first: Sequence[Estimate | None],
    last: Sequence[Estimate | None],
    beyond: float,
    sure: float,
) -> float | None:
    before, now = ([one for one in many if one is not None] for many in (first, last))
    if not before or not now:
        return None
    then = mean(before)
    for count in range(1, len(now) + 1):
        newest = mean(now[-count:])
        shift = newest.value - then.value
        if abs(shift) > max(beyond, sure * math.hypot(newest.spread, then.spread)):
            return shift
    return None if abs(shift) > beyond else 0.0


def _less(now: float | None, before: float | None) -> float | None:
    if now is None or before is None or not math.isfinite(now - before):
        return None
    return now - before
