"""Chosen takes as a timeline for the edit: OpenTimelineIO, and an EDL of the form CMX 3600.

An OTIO timeline is exact to the sample: every time in it counts samples at the rate of its
recording. An EDL counts frames: each edit falls on the nearest frame, and what is seen there is
moved along, so that the sound stays where it was.

References
----------
.. [1] OpenTimelineIO 0.17, https://opentimelineio.readthedocs.io (Academy Software Foundation).
.. [2] SMPTE 258M-2004, Transfer of Edit Decision Lists, and the CMX 3600 form that it goes back to,
   from memory. Markers are comments ``LOC``, as OpenTimelineIO's open adapter for EDLs reads them.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vocheck.edit.layout import Layout, Placed, Track
from vocheck.edit.plan import LineEdit, Medium, Piece, media_of
from vocheck.edit.timecode import NEEDS_EXTRA
from vocheck.errors import VocheckError
from vocheck.report.page.template import address
from vocheck.wording.comp import join_words
from vocheck.wording.findings import message, named, what
from vocheck.wording.ranking import take_names
from vocheck.wording.vocabulary import file_name

if TYPE_CHECKING:
    import opentimelineio as otio

START_HOUR = 1
"""Timelines start at 01:00:00:00 (common practice, no source), so that there is room before it."""

COLORS = {"retake": "RED", "fixable": "ORANGE", "note": "YELLOW", "join": "CYAN"}
"""Of markers, by the severity of a finding; and of a change of take."""

MOST_EVENTS = 999
"""The number of an event has three digits."""

_REEL_LENGTH = 8  # characters of a reel's name in CMX 3600
_NO_REELS = frozenset({"AX", "BL", "BLACK", "BARS", "NONE"})
"""Names that mean something else than a recording."""
_CHANNELS = ("A", "A2", "A3", "A4")


def clip_name(placed: Placed) -> str:
    """Return what to call a clip: its line and take, and which phrases where not all."""
    line, piece = placed.line, placed.piece
    order = line.ranking.order
    place = next(i for i, take in enumerate(order) if take is piece.take)
    name = take_names(line.ranking)[place]
    name = f"{line.line} {name}" if name.startswith("take ") else name
    if not piece.phrases or len(line.chosen) < 2:
        return name
    first, last = piece.phrases[0], piece.phrases[-1]
    phrases = f"phrase {first}" if first == last else f"phrases {first}-{last}"
    return f"{name}, {phrases}"


def _marks(placed: Placed) -> Iterator[tuple[int, int, str, str, str]]:
    """Yield the markers of a clip: sample, length, kind, name, comment; those inside it."""
    piece = placed.piece
    medium, last = piece.medium, piece.first + piece.length
    if placed.join is not None:
        points = f"{placed.join.points:.1f} points: {join_words(placed.join)}"
        yield piece.first, 0, "join", "change of take", points
    for finding in piece.take.result.findings:
        label = f"{finding.severity}: {named(finding.name)}"
        for sample in map(medium.sample, finding.times_s):
            if piece.first <= sample < last:
                yield sample, 0, finding.severity, label, what(finding)
        if not finding.times_s:  # of the take as a whole
            yield piece.first, piece.length, finding.severity, label, message(finding)


def render_otio(layout: Layout, folder: Path) -> str:
    """Return a timeline as OpenTimelineIO (JSON).

    Parameters
    ----------
    layout : Layout
    folder : Path
        Where the timeline will stand: recordings are named relative to it.

    Raises
    ------
    VocheckError
        If the extra ``edit`` is not installed.
    """
    try:
        import opentimelineio as otio
    except ImportError as error:
        raise VocheckError(NEEDS_EXTRA) from error
    rate = float(layout.rate.exact)
    timeline = otio.schema.Timeline(
        name=layout.title,
        global_start_time=otio.opentime.RationalTime(_start_frame(layout), rate),
        metadata={"vocheck": {"frame_rate": layout.rate.name}},
    )
    for track in layout.tracks:
        timeline.tracks.append(_otio_track(otio, track, layout, folder))
    text: str = timeline.to_json_string(indent=2)
    return text + "\n"


def _start_frame(layout: Layout) -> int:
    separator = ";" if layout.rate.drop else ":"
    return layout.rate.frame(f"{START_HOUR:02d}:00:00{separator}00")


def _otio_track(lib: Any, track: Track, layout: Layout, folder: Path) -> otio.schema.Track:
    made = lib.schema.Track(name=track.name, kind=lib.schema.TrackKind.Audio)
    end = Fraction(0)
    for placed in track.placed:
        if placed.start > end:
            length = _time(lib, (placed.start - end) * layout.sample_rate_hz, layout.sample_rate_hz)
            made.append(lib.schema.Gap(duration=length))
        if placed.join is not None:
            made.append(_transition(lib, placed, layout.fade_s))
        made.append(_clip(lib, placed, folder))
        end = placed.end
    return made


def _time(lib: Any, samples: Fraction | int, rate_hz: int) -> otio.opentime.RationalTime:
    # A whole number unless recordings of several rates follow each other.
    whole = isinstance(samples, int) or samples.denominator == 1
    return lib.opentime.RationalTime(int(samples) if whole else float(samples), rate_hz)


def _range(lib: Any, first: int, length: int, medium: Medium) -> otio.opentime.TimeRange:
    start = first + (medium.midnight or 0)
    return lib.opentime.TimeRange(
        _time(lib, start, medium.rate_hz), _time(lib, length, medium.rate_hz)
    )


def _transition(lib: Any, placed: Placed, fade_s: float) -> otio.schema.Transition:
    rate = placed.piece.medium.rate_hz
    fade = round(fade_s * rate)
    return lib.schema.Transition(
        name="crossfade",
        transition_type=lib.schema.TransitionTypes.SMPTE_Dissolve,
        in_offset=_time(lib, fade // 2, rate),
        out_offset=_time(lib, fade - fade // 2, rate),
    )


def _clip(lib: Any, placed: Placed, folder: Path) -> otio.schema.Clip:
    piece, medium = placed.piece, placed.piece.medium
    clip = lib.schema.Clip(
        name=clip_name(placed),
        media_reference=lib.schema.ExternalReference(
            target_url=address(medium.path, folder),
            available_range=_range(lib, 0, medium.frames, medium),
        ),
        source_range=_range(lib, piece.first, piece.length, medium),
        metadata={"vocheck": _told(placed)},
    )
    clip.media_reference.name = file_name(medium.path)
    for first, length, kind, name, comment in _marks(placed):
        clip.markers.append(
            lib.schema.Marker(
                name=name,
                marked_range=_range(lib, first, length, medium),
                color=COLORS[kind],
                comment=comment,
                metadata={"vocheck": {"severity": kind}},
            )
        )
    return clip


def _told(placed: Placed) -> dict[str, Any]:
    """Return what is known of a take beside its sound: of the session, and of the recorder."""
    take, metadata = placed.piece.take, placed.piece.medium.metadata
    told = {
        "line": placed.line.line,
        "take": take.result.take,
        "position": take.position,
        "verdict": take.verdict,
        "circled": take.circled,
        "rating": take.note.rating,
        "note": take.note.remark or metadata.note,
        "phrases": list(placed.piece.phrases),
        "sha256": take.result.sha256,
        "scene": metadata.scene,
        "slate_take": metadata.take,
        "tape": metadata.tape,
        "recorded": f"{metadata.date} {metadata.time}".strip(),
        "tracks": list(metadata.track_names),
    }
    return {key: value for key, value in told.items() if value not in (None, "", [])}


def render_edl(layout: Layout) -> str:
    """Return a timeline as an EDL of the form CMX 3600.

    Its first four tracks are the audio channels A to A4: what to use, then the others.

    Raises
    ------
    VocheckError
        If there are more edits than an EDL can hold.
    """
    tracks = list(zip(_CHANNELS, layout.tracks, strict=False))
    events = sorted(
        ((placed, channel) for channel, track in tracks for placed in track.placed),
        key=lambda event: (event[0].start, event[1]),
    )
    if len(events) > MOST_EVENTS:
        raise VocheckError(
            f"{len(events)} edits: an EDL holds {MOST_EVENTS} at most; write an .otio timeline, or "
            "fewer lines"
        )
    reels = reel_names(list({id(p.line): p.line for p, _ in events}.values()))
    title = _ascii(layout.title)[:70]
    mode = "DROP FRAME" if layout.rate.drop else "NON-DROP FRAME"
    rows = [f"TITLE: {title}", f"FCM: {mode}", ""]
    for number, (placed, channel) in enumerate(events, start=1):
        rows += _event(number, placed, channel, layout, reels)
    return "\r\n".join(rows) + "\r\n"


def _event(
    number: int, placed: Placed, channel: str, layout: Layout, reels: Mapping[str, str]
) -> list[str]:
    """Return the rows of one edit."""
    rate, piece = layout.rate, placed.piece
    start, end = rate.nearest(placed.start), rate.nearest(placed.end)
    # What is heard at the first frame: the edit has moved by less than a frame, and the sound not.
    moved = rate.seconds(start) - placed.start
    source = rate.nearest(_source_seconds(piece, piece.first) + moved)
    record = _start_frame(layout)
    times = (source, source + end - start, record + start, record + end)
    labels = " ".join(map(rate.label, times))
    rows = [
        f"{number:03d}  {reels[piece.medium.path]:<8} {channel:<5} C        {labels}",
        f"* FROM CLIP NAME: {_ascii(clip_name(placed))}",
        f"* SOURCE FILE: {_ascii(file_name(piece.medium.path))}",
    ]
    for sample, _, kind, name, _ in _marks(placed):
        seconds = placed.start + Fraction(sample - piece.first, piece.medium.rate_hz)
        at = min(max(start, rate.nearest(seconds)), max(start, end - 1))
        rows.append(f"* LOC: {rate.label(record + at)} {COLORS[kind]:<7} {_ascii(name)}")
    return rows


def _source_seconds(piece: Piece, sample: int) -> Fraction:
    return Fraction(sample + (piece.medium.midnight or 0), piece.medium.rate_hz)


def reel_names(lines: Sequence[LineEdit]) -> dict[str, str]:
    """Return a legal reel name of its own for each recording: up to 8 letters and digits.

    That of its tape, where the recorder tells one and the time of day tells its takes apart; else
    of the file's name, whose end is kept, as it tells the take.
    """
    reels: dict[str, str] = {}
    taken: set[str] = set()
    for medium in media_of(lines):
        tape = _reel(medium.metadata.tape)
        if tape and medium.midnight:
            reels[medium.path] = tape
            taken.add(tape)
            continue
        name = _reel(Path(medium.path).stem)
        if not name or name in taken:
            name = next(n for i in count(1) if (n := f"R{i:07d}") not in taken)
        taken.add(name)
        reels[medium.path] = name
    return reels


def _reel(text: str) -> str:
    name = re.sub(r"[^A-Z0-9]", "", _ascii(text).upper())
    if len(name) > _REEL_LENGTH:
        half = _REEL_LENGTH // 2
        name = name[:half] + name[-half:]
    return f"R{name}" if name in _NO_REELS else name


def _ascii(text: str) -> str:
    """Return a text in the characters that an EDL may hold, on one line."""
    ascii_only = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii")
    return " ".join("".join(c if c.isprintable() else " " for c in ascii_only).split())
