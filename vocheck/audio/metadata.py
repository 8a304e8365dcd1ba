"""What a recorder wrote into a WAV file of a take: scene, take, circled, note, track names, time.

Two open chunk formats carry it: ``bext`` (EBU Tech 3285 [1]_) and ``iXML`` [2]_. Where both tell
the same, iXML counts. The description of ``bext`` may hold scene, take, note and circled as well.
Whatever cannot be understood is left out: a remark never keeps a take from being measured.

References
----------
.. [1] EBU Tech 3285, Specification of the Broadcast Wave Format (BWF), version 2.0, 2011,
   section 2.3.
.. [2] iXML specification, version 3.01 (ixml.info), from memory; tested against ``wavinfo``.
"""

from __future__ import annotations

import codecs
import os
import re
import struct
from dataclasses import dataclass
from typing import BinaryIO

from vocheck.audio.riff import content, is_wave, wave_chunks
from vocheck.errors import AudioError
from vocheck.results import Result

MOST_XML_BYTES = 1 << 20
"""Recorders write some 10 kB."""

MOST_TEXT = 4096
"""Characters kept of one element: a note is a sentence or two."""

MOST_ELEMENTS, DEEPEST = 20_000, 32

_DESCRIBED = re.compile(
    r"(?:^|\s)[a-z]?(SCENE|TAKE|TAPE|NOTE|CIRCLED)=(.*?)(?=\s+[a-z]?[A-Z]{3,}\d*=|$)"
)
"""What field recorders write into the description of ``bext``, a line each: ``sSCENE=12`` (common
practice, no source)."""

_BEXT = struct.Struct("<256s32s32s10s8sQ")
"""Description, originator, its reference, date, time, and samples since midnight."""


@dataclass(frozen=True, kw_only=True)
class TakeMetadata(Result):
    """What the recorder says of a take. Empty or ``None`` where it says nothing.

    Attributes
    ----------
    scene, take, tape, project, note : str
        As written: a take may be ``"3"``, ``"3 PU"`` or ``"wild"``.
    circled : bool or None
    track_names : tuple of str
        In the order of the channels; empty where a channel has none.
    description, originator : str
        Of ``bext``.
    date, time : str
        When the recording began: ``2026-05-04``, ``10:15:30``.
    time_reference_samples : int or None
        Samples between midnight and the first sample.
    """

    scene: str = ""
    take: str = ""
    tape: str = ""
    project: str = ""
    note: str = ""
    circled: bool | None = None
    track_names: tuple[str, ...] = ()
    description: str = ""
    originator: str = ""
    date: str = ""
    time: str = ""
    time_reference_samples: int | None = None


def read_metadata(path: str | os.PathLike[str]) -> TakeMetadata:
    """Read what a recorder wrote into a WAV, Broadcast WAV or RF64 file.

    Parameters
    ----------
    path
        Any file; one of another kind, or without such chunks, tells nothing.

    Raises
    ------
    AudioError
        If the file cannot be opened.
    """
    try:
        with open(path, "rb") as file:
            return _read(file)
    except OSError as error:
        raise AudioError(f"{os.fspath(path)}: cannot be read: {error.strerror or error}") from error


def _read(file: BinaryIO) -> TakeMetadata:
    if not is_wave(file):
        return TakeMetadata()
    bext: dict[str, str | int] = {}
    ixml: dict[tuple[str, ...], list[str]] = {}
    for chunk in wave_chunks(file):
        if chunk.name == b"bext" and not bext:
            bext = _parse_bext(content(file, chunk, _BEXT.size))
        elif chunk.name in (b"iXML", b"IXML") and not ixml and chunk.told <= MOST_XML_BYTES:
            ixml = _parse_xml(content(file, chunk, MOST_XML_BYTES))
    return _combine(bext, ixml)


def _combine(bext: dict[str, str | int], ixml: dict[tuple[str, ...], list[str]]) -> TakeMetadata:
    def told(*path: str) -> str:
        return ixml.get(path, [""])[0].strip()

    described = dict(_DESCRIBED.findall(str(bext.get("description", ""))))
    since_midnight = bext.get("time_reference_samples")
    high, low = (told("SPEED", f"TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_{part}") for part in ("HI", "LO"))
    if low.isdecimal() and len(low) <= 10 and (not high or (high.isdecimal() and len(high) <= 10)):
        since_midnight = int(high or 0) << 32 | int(low)
    return TakeMetadata(
        scene=told("SCENE") or described.get("SCENE", ""),
        take=told("TAKE") or described.get("TAKE", ""),
        tape=told("TAPE") or described.get("TAPE", ""),
        project=told("PROJECT"),
        note=told("NOTE") or described.get("NOTE", ""),
        circled={"TRUE": True, "FALSE": False}.get(
            (told("CIRCLED") or described.get("CIRCLED", "")).upper()
        ),
        track_names=_track_names(ixml),
        description=told("BEXT", "BWF_DESCRIPTION") or str(bext.get("description", "")),
        originator=told("BEXT", "BWF_ORIGINATOR") or str(bext.get("originator", "")),
        date=told("BEXT", "BWF_ORIGINATION_DATE") or str(bext.get("date", "")),
        time=told("BEXT", "BWF_ORIGINATION_TIME") or str(bext.get("time", "")),
        time_reference_samples=None if since_midnight is None else int(since_midnight),
    )


def _track_names(ixml: dict[tuple[str, ...], list[str]]) -> tuple[str, ...]:
    """Return the names by channel; each track is one element, so its parts stand side by side."""
    names = [name.strip() for name in ixml.get(("TRACK_LIST", "TRACK", "NAME"), [])]
    places = [text.strip() for text in ixml.get(("TRACK_LIST", "TRACK", "INTERLEAVE_INDEX"), [])]
    if len(places) == len(names) and all(p.isdecimal() and len(p) <= 3 for p in places):
        names = [name for _, name in sorted(zip(map(int, places), names, strict=True))]
    return tuple(names)


def _parse_bext(raw: bytes) -> dict[str, str | int]:
    if len(raw) < _BEXT.size:
        return {}
    description, originator, _, date, time, samples = _BEXT.unpack(raw)
    return {
        "description": _text(description),
        "originator": _text(originator),
        # The standard leaves the sign between the numbers open.
        "date": _separated(_text(date), "-"),
        "time": _separated(_text(time), ":"),
        "time_reference_samples": samples,
    }


def _separated(text: str, sign: str) -> str:
    return "".join(letter if letter.isdecimal() else sign for letter in text)


def _text(raw: bytes) -> str:
    """Return text up to its end: UTF-8 where it is that, else Latin-1, with no control signs."""
    raw = raw.split(b"\0")[0]
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return "".join(sign if sign.isprintable() else " " for sign in text).strip()


class _TooMuchError(Exception):
    """More elements, or deeper ones, than any recorder writes; or a declared entity."""


class _Texts:
    """Collects the texts of the elements below the root, by their path."""

    def __init__(self) -> None:
        self.found: dict[tuple[str, ...], list[str]] = {}
        self._path: list[str] = []
        self._open: list[list[str]] = []
        self._elements = 0

    def start(self, name: str, _: object) -> None:
        self._elements += 1
        if self._elements > MOST_ELEMENTS or len(self._path) >= DEEPEST:
            raise _TooMuchError
        self._path.append(name.upper())
        self._open.append([])

    def text(self, data: str) -> None:
        self._open[-1].append(data)

    def end(self, _: str) -> None:
        text = "".join(self._open.pop())[:MOST_TEXT]
        shown = "".join(sign if sign.isprintable() else " " for sign in text)
        self.found.setdefault(tuple(self._path[1:]), []).append(shown)
        self._path.pop()

    def refuse(self, *_: object) -> None:
        raise _TooMuchError


def _parse_xml(raw: bytes) -> dict[tuple[str, ...], list[str]]:
    """Return the texts of the elements below the root, by their path; nothing if malformed.

    Entities that the file declares itself are refused: they can grow without bound.
    """
    from xml.parsers import expat

    if raw[:2] not in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        raw = raw.strip(b"\0 \r\n\t")  # recorders fill the chunk up
    for encoding in (None, "utf-8", "iso-8859-1"):  # what it says, then what it may be
        texts = _Texts()
        parser = expat.ParserCreate(encoding)
        parser.buffer_text = True
        parser.StartElementHandler = texts.start
        parser.EndElementHandler = texts.end
        parser.CharacterDataHandler = texts.text
        parser.EntityDeclHandler = texts.refuse
        try:
            parser.Parse(raw, True)
        except _TooMuchError:
            return {}
        except (expat.ExpatError, ValueError, LookupError):
            continue
        return texts.found
    return {}
