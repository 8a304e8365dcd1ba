"""What is said in the booth: the verdict, one action with its reason, and what else was found.

One action only, since a talent can change one thing at a time and two may contradict each other.
The worst comes first: what sends the take back, then a recorder that was changed, then what the
edit would have to mend, then what has drifted. Where a drift explains what was found (somebody
turned the gain up, and the take clips), undoing it is the action. All else is told without advice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from vocheck.booth import Booth, Change, Headroom, line_of, only_words
from vocheck.booth.drift import Cause, Drift, Shifts
from vocheck.policy.judge import Finding
from vocheck.results import Result
from vocheck.session.each import Failure
from vocheck.session.take import TakeResult
from vocheck.wording.findings import STATUS_WORDS, message, now
from vocheck.wording.script import reading_sentence
from vocheck.wording.vocabulary import channels, counted, file_name, listed, number

Kind = Literal["keep", "listen", "fixable", "retake", "test", "tone", "unread", "standing by"]

WORDS: Mapping[Kind, str] = {
    "keep": "KEEP",
    "listen": "LISTEN",
    "fixable": "FIXABLE",
    "retake": "RETAKE",
    "test": "TEST",
    "tone": "TONE",
    "unread": "UNREAD",
    "standing by": "",
}
"""What is read from across the room."""

_LEVEL = frozenset({"level_low", "clipping", "clipped_share", "headroom"})
_ROOM = frozenset({"reverberation", "room_wet", "room_hardly_audible"})
_EXPLAINS: Mapping[Cause, frozenset[str]] = {
    "gain": _LEVEL,
    "level": _LEVEL,
    "noise": frozenset({"noise_floor", "noise_changes", "rumble", "hum", "tone"}),
    "door": _ROOM | {"noise_floor", "noise_changes"},
    "distance": _ROOM | {"level_low", "headroom", "noise_floor", "plosive"},
    "distance and gain": _ROOM | {"noise_floor"},
    "effort": frozenset({"level_low", "headroom", "noise_floor"}),
    "distance or effort": frozenset({"level_low", "headroom", "noise_floor"}),
    "room": _ROOM,
    "microphone": frozenset({"plosive", "sibilance"}),
}
"""Findings that a drift may have made, by the names of their limits."""

_SAME = 1.5  # dB: what is told as the same; levels of takes are not nearer than that
_NOISE = ("noise.", "hum.")
"""Groups of facts that a recording without a voice is judged by."""


@dataclass(frozen=True, kw_only=True)
class Screen(Result):
    """What the booth shows of the recording that came last.

    Attributes
    ----------
    kind : Kind
    title : str
        Which recording.
    action : str
        The one thing to do now.
    reason : str
        Why; empty where the action says it.
    details : tuple of str
        What else was found, without advice.
    line : str
        Of the take; empty where it is none.
    """

    kind: Kind
    title: str
    action: str
    reason: str = ""
    details: tuple[str, ...] = ()
    line: str = ""

    @property
    def word(self) -> str:
        """What is read from across the room."""
        return WORDS[self.kind]


@dataclass(frozen=True, kw_only=True)
class _Advice:
    """One thing that could be done, and why."""

    action: str
    reason: str
    names: frozenset[str] = frozenset()


def kind_of(take: TakeResult) -> Kind:
    """Return the verdict as the booth says it: only the words in doubt, somebody has to listen."""
    return "listen" if only_words(take) else take.verdict


def title(take: TakeResult) -> str:
    """Return which take it is, in words."""
    if take.take is None:
        return file_name(take.path)
    return f"{line_of(take)}, take {take.take}"


def screen_of_take(take: TakeResult, booth: Booth, *, again: bool = False) -> Screen:
    """Return what is shown of a take.

    Parameters
    ----------
    take : TakeResult
    booth : Booth
        The session so far, `take` included.
    again : bool
        Whether the take replaces an earlier version of itself.
    """
    told = _told(take, booth)
    first = told[0] if told else None
    details = [other.reason for other in told[1:] if other.reason]
    if take.reading is not None and not take.reading.misread:
        details.append(reading_sentence(take.reading))
    return Screen(
        kind=kind_of(take),
        title=f"{title(take)}{' (again)' if again else ''}",
        action=first.action if first else _next(take, booth),
        reason=first.reason if first else "",
        details=tuple(details),
        line=line_of(take),
    )


def _told(take: TakeResult, booth: Booth) -> list[_Advice]:
    """Return what there is to say of a take; the first of it is the action."""
    findings = [finding for finding in take.findings if finding.severity != "note"]
    told = [(0 if f.severity == "retake" else 2, _of_finding(f)) for f in findings]
    changes = booth.other_format(take)
    if changes:
        told.append((1, _of_format(changes, booth)))
    drift = booth.drift(take)
    if drift is not None:
        ranks = [rank for rank, advice in told if advice.names & _EXPLAINS[drift.cause]]
        worst = min((rank for rank, _ in told), default=3)
        # What made the worst finding goes before it.
        told.append((worst - 1 if worst in ranks else 3, _of_drift(drift)))
    return [advice for _, advice in sorted(told, key=lambda pair: pair[0])]


def _of_finding(finding: Finding) -> _Advice:
    return _Advice(action=now(finding), reason=message(finding), names=frozenset({finding.name}))


def _next(take: TakeResult, booth: Booth) -> str:
    """Return what to record after a clean take."""
    line = booth.next_line(take)
    if line is None:
        return "Every line is done."
    if line.line == line_of(take):
        return f"Once more: {line.line} needs {'another' if line.needed == 1 else line.needed} " + (
            "clean take." if line.needed == 1 else "more clean takes."
        )
    return f"Next: {line.line}."


def _of_format(changes: tuple[Change, ...], booth: Booth) -> _Advice:
    reference = booth.reference
    since = title(reference) if reference else "the first good take"
    back = listed(_format_words(change.fact, change.before) for change in changes)
    changed = ", ".join(map(_change_words, changes))
    return _Advice(
        action=f"Set the recorder back to {back}.",
        reason=f"Since {since} the recorder was changed: {changed}.",
    )


def _change_words(change: Change) -> str:
    return f"{_format_words(change.fact, change.now)} instead of " + _format_words(
        change.fact, change.before
    )


def _format_words(fact: str, value: int | None) -> str:
    if fact == "channels":
        return channels(value or 0)
    if fact == "rate_hz":
        return f"{(value or 0) / 1000:g} kHz"
    return f"{value or 'no fixed'} bits"


def _of_drift(drift: Drift) -> _Advice:
    since = title(drift.since)
    facts = _heard(drift)
    action, why = _drift_words(drift, since)
    return _Advice(action=action, reason=f"Since {since}: {facts}. {why}")


def _heard(drift: Drift) -> str:
    """Return in words what has changed, as far as the cause rests on it."""
    shifts = drift.shifts
    parts = {
        "voice": _more(shifts.level_lu, "voice", "louder", "softer", "LU"),
        "noise": _more(shifts.noise_db, "noise", "up", "down", "dB"),
        "room": _room_words(shifts),
        "bass": _more(shifts.bass_db, "bass", "up", "down", "dB"),
        "tone": f"tone {number(shifts.tone_db, 0, 'dB')} off",
    }
    return ", ".join(filter(None, (parts[name] for name in _RESTS_ON[drift.cause])))


_RESTS_ON: Mapping[Cause, tuple[str, ...]] = {
    "gain": ("voice", "noise"),
    "noise": ("noise", "voice"),
    "door": ("noise", "room"),
    "distance": ("voice", "noise", "room", "bass"),
    "distance and gain": ("noise", "voice", "room"),
    "effort": ("voice", "noise", "bass"),
    "distance or effort": ("voice", "noise"),
    "level": ("voice",),
    "room": ("room",),
    "microphone": ("tone",),
}


def _more(value: float | None, what: str, up: str, down: str, unit: str) -> str:
    """Return a change in words: ``voice 6 dB softer``, ``noise the same``; else nothing."""
    if value is None:
        return ""
    if abs(value) < _SAME:
        return f"{what} the same"
    return f"{what} {number(abs(value), 0, unit)} {up if value > 0 else down}"


def _room_words(shifts: Shifts) -> str:
    """Return how the room has changed: by its decay, else by its clarity."""
    if shifts.room_rt60:
        way = "longer" if shifts.room_rt60 > 0 else "shorter"
        if abs(shifts.room_rt60) >= 1.0:
            longer = shifts.room_rt60 > 0
            share = 1 + abs(shifts.room_rt60)
            return f"room rings {share if longer else 1 / share:.1f} times as long"
        return f"room rings {abs(shifts.room_rt60):.0%} {way}"
    c50_db = shifts.room_c50_db or shifts.c50_db
    if c50_db is None or abs(c50_db) < _SAME:
        return ""
    return f"room {number(abs(c50_db), 0, 'dB')} {'drier' if c50_db > 0 else 'more audible'} (C50)"


_DRIFTS: Mapping[Cause, tuple[str, str]] = {
    "gain": (
        "Turn the input gain {gain} by {gain_db:.0f} dB.",
        "Voice and noise moved together, as the gain moves them.",
    ),
    "noise": (
        "Find what runs now and did not in {since}: fan, refrigerator, air conditioning.",
        "The noise rose by itself.",
    ),
    "door": ("Shut the door of the booth.", "More noise and more room come together."),
    "distance": (
        "Put the mouth {back} the microphone, as in {since}.",
        "Room and bass tell that the talent is {moved}.",
    ),
    "distance and gain": (
        "Go back to the distance and the gain of {since}.",
        "The talent is further away, and more gain makes up for it.",
    ),
    "effort": (
        "Play {since} to the talent before the next take.",
        "The line is read {effort}: the bass tells, and the room is the same.",
    ),
    "distance or effort": (
        "Check the distance to the microphone against {since}.",
        "The talent is {moved} or reads {effort}: cannot tell which.",
    ),
    "level": (
        "Check that the input gain is that of {since}.",
        "Gain, distance or effort: cannot tell which, the noise was not measured.",
    ),
    "room": (
        "Make the booth as it was in {since}: same place, same absorbers, door shut.",
        "The last takes sound like another room.",
    ),
    "microphone": (
        "Put the microphone back as in {since}: height, angle, side of the pop screen.",
        "Level and room are the same.",
    ),
}
"""What to do about a drift, and how its cause is known."""


def _drift_words(drift: Drift, since: str) -> tuple[str, str]:
    """Return what to do about a drift, and how its cause is known."""
    shifts, gain_db = drift.shifts, drift.gain_db or 0.0
    # The voice tells whether the talent is further away; where it is as loud as before, the room.
    softer = (shifts.level_lu or 0.0) < 0
    further = (shifts.room_c50_db or shifts.level_lu or 0.0) < 0 if drift.by_room else softer
    fields = {
        "since": since,
        "gain": "down" if gain_db < 0 else "up",
        "gain_db": abs(gain_db),
        "back": "closer to" if further else "further from",
        "moved": "further away" if further else "closer",
        "effort": "more softly" if softer else "louder",
    }
    action, why = _DRIFTS[drift.cause]
    return action.format(**fields), why.format(**fields)


def screen_of_test_read(take: TakeResult, headroom: Headroom | None) -> Screen:
    """Return what is shown of a test read."""
    name = file_name(take.path, "test read")
    if headroom is None:
        return Screen(
            kind="test", title=name, action="Read the test again.", reason="Nobody speaks in it."
        )
    return Screen(
        kind="test", title=name, action=gain_words(headroom), reason=peak_sentence(headroom)
    )


def gain_words(headroom: Headroom) -> str:
    """Return what to do with the input gain."""
    if headroom.gain_db == 0:
        return "Leave the gain as it is."
    way = "up" if headroom.gain_db > 0 else "down"
    return f"Turn the gain {way} by {abs(headroom.gain_db):.0f} dB."


def peak_sentence(headroom: Headroom) -> str:
    """Return where the peaks of a take will be."""
    status = STATUS_WORDS.get(headroom.status, headroom.status)
    danger = " That would clip." if headroom.clips else ""
    return (
        f"Test read peaks at {headroom.peak_dbtp:.0f} dBTP; once it counts, expect "
        f"{headroom.expected_dbtp:+.0f} ({status}).{danger}"
    )


def screen_of_tone(take: TakeResult) -> Screen:
    """Return what is shown of a recording that is no take: room tone, or a voice without a name."""
    findings = [
        finding
        for finding in take.findings
        if finding.fact.startswith(_NOISE) and finding.severity != "note"
    ]
    return Screen(
        kind="tone",
        title=file_name(take.path),
        action=now(findings[0]) if findings else "Quiet enough: go on.",
        reason=f"Nobody speaks; {tone_words(take)}.",
        details=tuple(map(message, findings)),
    )


def tone_words(take: TakeResult) -> str:
    """Return how loud the noise of a room tone is."""
    return f"noise floor {number(take.measurements.noise.floor_dbfs, 0, 'dBFS')}"


def screen_of_failure(failure: Failure) -> Screen:
    """Return what is shown of a file that could not be measured."""
    return Screen(
        kind="unread",
        title=file_name(failure.path),
        action="Look at the recorder, then record this take again.",
        reason=failure.error,
    )


def standing_by(note: str = "") -> Screen:
    """Return what is shown before the first take."""
    return Screen(kind="standing by", title=note, action="Standing by for the next take.")


def spoken(screen: Screen) -> str:
    """Return what is read aloud of a screen: the verdict, which recording, what to do."""
    parts = (screen.word.capitalize(), screen.title, screen.action)
    return " ".join(part if part.endswith(".") else f"{part}." for part in parts if part)


GUIDE = (
    "Test read: a few of the loudest sentences, recorded with “test” in the name. It tells whether "
    "the gain is right.",
    "Room tone: half a minute in which nobody speaks or moves. It tells how quiet the booth is.",
    "Clap: one hard clap at the place of the talent, recorded as “clap”. The view Room tells how "
    "the booth rings.",
)
"""What is good to have before the first take: test read, room tone, clap."""


def guide(booth: Booth) -> list[str]:
    """Return what is still good to record before the first take; nothing once there is a take."""
    if any(state.takes for state in booth.lines):
        return []
    done = (booth.test_read is not None, booth.room_tone is not None, False)
    return [text for text, there in zip(GUIDE, done, strict=True) if not there]


def standing_facts(booth: Booth) -> list[tuple[str, str]]:
    """Return what the test read and the room tone said, which counts for all takes to come."""
    facts = []
    if booth.test_read is not None:
        facts.append(("Test read", _gain_fact(booth.test_read)))
    if booth.room_tone is not None:
        facts.append(("Room tone", tone_words(booth.room_tone)))
    return facts


def _gain_fact(headroom: Headroom) -> str:
    """Return what a test read said, as a fact: what to do now is said once, and elsewhere."""
    if headroom.gain_db == 0:
        return f"peaks {headroom.peak_dbtp:.0f} dBTP, gain was right"
    way = "more" if headroom.gain_db > 0 else "less"
    asked = f"asked for {abs(headroom.gain_db):.0f} dB {way} gain"
    return f"peaks {headroom.peak_dbtp:.0f} dBTP, {asked}"


def is_worse(kind: Kind, before: Kind) -> bool:
    """Return whether a later word on a take is worse than the first one."""
    order = ("keep", "listen", "fixable", "retake")
    return kind in order and before in order and order.index(kind) > order.index(before)


def progress_words(booth: Booth) -> str:
    """Return how many lines are done: ``3 of 14 lines done``; nothing before the first."""
    lines = booth.lines
    if not lines:
        return ""
    done = sum(not line.needed for line in lines)
    return f"{done} of {counted(len(lines), 'line')} done"


def needed_words(count: int) -> str:
    """Return how many clean takes a line still needs: ``a clean take``, ``2 clean takes``."""
    return "a clean take" if count == 1 else f"{count} clean takes"


def farewell_sentence(booth: Booth) -> str:
    """Return which lines still need a clean take when the session ends."""
    missing = [state.line for state in booth.lines if state.needed]
    if not booth.lines:
        return "Nothing was recorded."
    if missing:
        return f"Still needs a clean take: {', '.join(missing)}."
    return "Every line is done."
