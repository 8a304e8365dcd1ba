"""What the narration is laid under: cuts and slots, from an EDL, an OTIO timeline or captions.

Read are EDLs of the form CMX 3600 [1]_, OpenTimelineIO (the library is in the extra ``edit``),
SubRip and WebVTT [2]_. Files come from anywhere: what is not understood is left out, and whatever
is no such file is one clear line.

References
----------
.. [1] SMPTE 258M-2004, Transfer of Edit Decision Lists, and the CMX 3600 form that it goes back to,
   from memory.
.. [2] W3C, WebVTT: The Web Video Text Tracks Format, Candidate Recommendation, 2019.
"""

from __future__ import annotations

import html
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

from vocheck.edit.timecode import NEEDS_EXTRA, RATES, FrameRate
from vocheck.errors import SessionError

MOST_BYTES = 64_000_000
"""The timeline of a feature film takes some 10 MB as OTIO."""

SUFFIXES = (".edl", ".otio", ".srt", ".vtt")

Kind = Literal["audio", "marker", "caption", "video"]


@dataclass(frozen=True, kw_only=True)
class Slot:
    """A stretch of the picture that may be the place of a line.

    Attributes
    ----------
    kind : {"audio", "marker", "caption", "video"}
        A clip of sound, a marker that has a length, a caption, or a shot.
    name, text : str
        What it is called, and what it says, where it says something.
    start, end : Fraction
        Seconds from the start of the picture.
    """

    kind: Kind
    name: str
    text: str
    start: Fraction
    end: Fraction


@dataclass(frozen=True, kw_only=True)
class Picture:
    """Cuts and slots.

    Attributes
    ----------
    path : str
    rate : FrameRate or None
        ``None`` for captions, which have no frames.
    first_frame : int
        Timecode of the start, as a frame.
    slots : tuple of Slot
        In the order of time.
    cuts : tuple of Fraction
        Where a shot begins or ends; seconds from the start.
    """

    path: str
    rate: FrameRate | None
    first_frame: int
    slots: tuple[Slot, ...]
    cuts: tuple[Fraction, ...]

    def label(self, seconds: float | Fraction) -> str:
        """Return a place as timecode; of captions as a time, ``00:00:03.250``."""
        if self.rate is not None:
            return self.rate.label(self.first_frame + self.rate.nearest(Fraction(seconds)))
        thousandths = round(seconds * 1000)
        minutes, rest = divmod(thousandths, 60_000)
        return f"{minutes // 60:02d}:{minutes % 60:02d}:{rest / 1000:06.3f}"


def read_picture(path: str | os.PathLike[str], rate: FrameRate) -> Picture:
    """Read cuts and slots.

    Parameters
    ----------
    path : path-like
        Its suffix tells what it is (`SUFFIXES`).
    rate : FrameRate
        Of an EDL, which does not say it.

    Raises
    ------
    SessionError
        If it cannot be read, or holds no slot.
    """
    file = Path(path)
    suffix = file.suffix.lower()
    if suffix not in SUFFIXES:
        raise SessionError(f"{path}: must end in {', '.join(SUFFIXES[:-1])} or {SUFFIXES[-1]}")
    text = _text(file)
    if suffix == ".edl":
        picture = _from_edl(text, file, rate)
    elif suffix == ".otio":
        picture = _from_otio(text, file, rate)
    else:
        slots = _in_order(_captions(text))
        picture = Picture(path=os.fspath(path), rate=None, first_frame=0, slots=slots, cuts=())
    if not picture.slots:
        raise SessionError(f"{path}: holds no {'caption' if picture.rate is None else 'edit'}")
    return picture


def _text(file: Path) -> str:
    try:
        if file.stat().st_size > MOST_BYTES:
            raise SessionError(f"{file}: is too large for a list of edits or captions")
        content = file.read_bytes()
    except OSError as error:
        raise SessionError(f"{file}: cannot be read: {error.strerror or error}") from error
    for encoding in ("utf-8-sig", "utf-16"):
        if encoding == "utf-16" and content[:2] not in (b"\xff\xfe", b"\xfe\xff"):
            continue
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    return content.decode("cp1252", "replace")  # what older programs wrote


# EDL: event, reel, channels, transition with its length, and four timecodes.
_EVENT = re.compile(
    r"(?P<event>\d{1,6})\s+(?P<reel>\S+)\s+(?P<channels>\S+)\s+(?P<how>C|D|W\d{3}|K[BO]?)"
    r"(?:\s+(?P<length>\d{1,4}))?\s+(?P<source>\S+\s+\S+)\s+(?P<into>\S+)\s+(?P<out>\S+)\s*"
)
_NAME = re.compile(r"\*\s*(?:FROM|TO) CLIP NAME:\s*(?P<name>.*)")
_BLACK = frozenset({"BL", "BLACK"})


@dataclass
class _Event:
    row: int
    reel: str
    channels: str
    start: int
    end: int
    name: str = ""


def _from_edl(text: str, file: Path, rate: FrameRate) -> Picture:
    rate = _rate_of(text, file, rate)
    events: list[_Event] = []
    for number, row in enumerate(text.splitlines(), start=1):
        row = row.strip()
        if found := _EVENT.fullmatch(row):
            try:
                start, end = rate.frame(found["into"]), rate.frame(found["out"])
            except ValueError as error:
                raise SessionError(f"{file}: row {number}: {error}") from error
            events.append(_Event(number, found["reel"], found["channels"], start, end))
        elif events and (name := _NAME.match(row)):
            events[-1].name = name["name"].strip()  # the last is what is cut to
    events = [
        event for event in events if event.end > event.start
    ]  # a dissolve's first row is empty
    if not events:
        raise SessionError(f"{file}: holds no edit of the form CMX 3600")
    first = min(event.start for event in events)

    def at(frame: int) -> Fraction:
        return rate.seconds(frame - first)

    slots = [
        Slot(
            kind="audio" if "V" not in event.channels and event.channels != "B" else "video",
            name=event.name or event.reel,
            text="",
            start=at(event.start),
            end=at(event.end),
        )
        for event in events
        if event.reel.upper() not in _BLACK
    ]
    shots = [event for event in events if "V" in event.channels or event.channels == "B"]
    cuts = {at(edge) for shot in shots for edge in (shot.start, shot.end)}
    return Picture(
        path=os.fspath(file),
        rate=rate,
        first_frame=first,
        slots=_in_order(slots),
        cuts=tuple(sorted(cuts)),
    )


def _rate_of(text: str, file: Path, rate: FrameRate) -> FrameRate:
    """Return the rate of an EDL: that which was asked for, if it can be."""
    told = re.search(r"^FCM:\s*(NON-DROP|DROP)", text, re.MULTILINE)
    if told is None or (told[1] == "DROP") == rate.drop:
        return rate
    if told[1] == "DROP":
        if f"{rate.name}df" in RATES:
            return RATES[f"{rate.name}df"]
        raise SessionError(f"{file}: is in drop frame: ask for --frame-rate 29.97df or 59.94df")
    return RATES[rate.name.removesuffix("df")]


def _in_order(slots: Iterable[Slot]) -> tuple[Slot, ...]:
    return tuple(sorted(slots, key=lambda slot: (slot.start, slot.end)))


def _from_otio(text: str, file: Path, asked: FrameRate) -> Picture:
    try:
        import opentimelineio as otio
    except ImportError as error:
        raise SessionError(f"{file}: {NEEDS_EXTRA}") from error
    try:
        timeline = otio.adapters.read_from_string(text, "otio_json")
        if not isinstance(timeline, otio.schema.Timeline):
            raise SessionError(f"{file}: holds no timeline")
        slots, cuts = _of_timeline(otio, timeline)
    except SessionError:
        raise
    except Exception as error:  # the library raises of many kinds, ValueError among them
        reason = " ".join(str(error).split())[:200]
        raise SessionError(f"{file}: cannot be read as OpenTimelineIO: {reason}") from error
    start = timeline.global_start_time
    rate, first = asked, 0
    if start is not None:
        rate = _nearest_rate(start.rate, asked)
        first = rate.nearest(_seconds(start))
    return Picture(
        path=os.fspath(file),
        rate=rate,
        first_frame=first,
        slots=_in_order(slots),
        cuts=tuple(sorted(cuts)),
    )


def _nearest_rate(frames_a_second: float, asked: FrameRate) -> FrameRate:
    """Return the rate of a timeline; whether it is drop frame, only who asks can know."""
    near = [rate for rate in RATES.values() if abs(float(rate.exact) - frames_a_second) < 0.005]
    return asked if asked in near or not near else near[0]


def _seconds(time: Any) -> Fraction:
    """Return a time of OTIO as exactly as its numbers are meant."""
    rate = Fraction(time.rate).limit_denominator(1001)
    for known in RATES.values():
        if abs(float(known.exact) - time.rate) < 0.005:
            rate = known.exact
    return Fraction(time.value).limit_denominator(1_000_000) / rate


def _of_timeline(lib: Any, timeline: Any) -> tuple[list[Slot], set[Fraction]]:
    slots: list[Slot] = []
    cuts: set[Fraction] = set()
    for track in timeline.tracks:
        if not isinstance(track, lib.schema.Track):
            continue
        is_video = track.kind == lib.schema.TrackKind.Video
        for clip in track.find_clips():
            start, end = _edges(clip.transformed_time_range(clip.trimmed_range(), timeline.tracks))
            kind: Kind = "video" if is_video else "audio"
            slots.append(Slot(kind=kind, name=clip.name, text="", start=start, end=end))
            if is_video:
                cuts |= {start, end}
            slots += _markers(clip, clip, timeline.tracks)
        slots += _markers(track, track, timeline.tracks)
    slots += _markers(timeline.tracks, timeline.tracks, timeline.tracks)
    return slots, cuts


def _markers(item: Any, of: Any, top: Any) -> Iterator[Slot]:
    """Yield the markers of an item that have a length."""
    for marker in item.markers:
        if marker.marked_range.duration.value <= 0:
            continue
        where = marker.marked_range if of is top else of.transformed_time_range(
            marker.marked_range, top
        )  # fmt: skip
        start, end = _edges(where)
        yield Slot(kind="marker", name=marker.name, text=marker.comment, start=start, end=end)


def _edges(where: Any) -> tuple[Fraction, Fraction]:
    start = _seconds(where.start_time)
    return start, start + _seconds(where.duration)


# Captions.
_TIMES = re.compile(
    r"(?:(\d{1,3}):)?([0-5]?\d):([0-5]?\d)[.,](\d{1,3})\s*-->\s*"
    r"(?:(\d{1,3}):)?([0-5]?\d):([0-5]?\d)[.,](\d{1,3})(?:\s.*)?"
)
_MARKUP = re.compile(r"<[^>]*>|\{\\[^}]*\}")


def _captions(text: str) -> Iterator[Slot]:
    """Yield the captions of a SubRip or WebVTT file; blocks that are none are left out."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    for block in re.split(r"\n[ \t]*\n+", lines.strip("\n")):
        rows = [row.strip() for row in block.split("\n")]
        # Above the times stands a number or a name; comments and styles hold no such row.
        place = next((i for i, row in enumerate(rows[:2]) if _TIMES.fullmatch(row)), None)
        times = None if place is None else _TIMES.fullmatch(rows[place])
        if place is None or times is None:
            continue
        start, end = _time(times.groups()[:4]), _time(times.groups()[4:])
        if end <= start:
            continue
        words = html.unescape(_MARKUP.sub("", " ".join(rows[place + 1 :])))
        name = rows[0] if place and not rows[0].startswith("WEBVTT") else ""
        yield Slot(
            kind="caption",
            name="" if name.isdecimal() else name,
            text=" ".join(words.split()),
            start=start,
            end=end,
        )


def _time(parts: Sequence[str | None]) -> Fraction:
    hours, minutes, seconds, fraction = parts
    whole = (int(hours or 0) * 60 + int(minutes or 0)) * 60 + int(seconds or 0)
    return whole + Fraction(int((fraction or "0").ljust(3, "0")), 1000)
