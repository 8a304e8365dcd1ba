"""Copies of a recording as WAV with something written into them: its loudness, or markers.

EBU Tech 3285 version 2 [1]_ adds five loudness fields to the ``bext`` chunk of a WAV file, so that
whoever receives the file can read what was measured: `stamp` writes such a copy. Cue points and
their labels [3]_ show in an editor where something was found: `mark` writes such a copy.

The samples of a copy are those of the source, bit for bit, and every other chunk is kept (filler
aside); the source is only read. A file over 4 GiB becomes RF64 [2]_, which carries its sizes as
64 bits.

References
----------
.. [1] EBU Tech 3285, Specification of the Broadcast Wave Format (BWF), version 2.0, 2011,
   section 2.3 (Broadcast Audio Extension chunk).
.. [2] EBU Tech 3306, MBWF / RF64: An extended file format for audio, version 1.1, 2009.
.. [3] IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0, 1991:
   cue-points chunk and associated data list.
"""

from __future__ import annotations

import math
import os
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from vocheck.audio.riff import SIZE_IN_DS64, Chunk, content, is_wave, wave_chunks
from vocheck.errors import AudioError
from vocheck.files import protecting, replacing, temporary_file

UNUSED = 0x7FFF
"""What a loudness field holds when there is no value for it (Tech 3285, from memory)."""

LARGEST_RIFF = 0xFFFF_FFFE
"""The largest size that 32 bits can tell; above it, RF64."""

_COPY_BYTES = 1 << 20  # copied at a time: our choice
# The chunk bext of EBU Tech 3285, version 2: where its time reference and its loudness begin, and
# its length without the coding history.
_TIME_OFFSET, _LOUDNESS_OFFSET = 338, 412
_FIXED_BYTES = 602


@dataclass(frozen=True, kw_only=True)
class LoudnessFields:
    """What is written: each value in the file's own unit, or ``None`` where not measured.

    Attributes
    ----------
    integrated_lufs, range_lu, level_dbtp, momentary_max_lufs, short_term_max_lufs : float or None
    """

    integrated_lufs: float | None
    range_lu: float | None
    level_dbtp: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None

    def packed(self) -> bytes:
        """Return the five fields in the order of the chunk: 100 times the value, rounded."""
        values = (
            self.integrated_lufs,
            self.range_lu,
            self.level_dbtp,
            self.momentary_max_lufs,
            self.short_term_max_lufs,
        )
        return struct.pack("<5h", *map(_field, values))


def _field(value: float | None) -> int:
    # The range of every field is -99.99 .. 99.99; what lies outside (silence) counts as no value.
    if value is None or not math.isfinite(value) or abs(value) > 99.99:
        return UNUSED
    return round(100 * value)


def stamp(
    source: str | os.PathLike[str], output: str | os.PathLike[str], loudness: LoudnessFields
) -> None:
    """Write a copy of `source` as Broadcast WAV version 2 with loudness fields.

    Parameters
    ----------
    source
        A WAV, Broadcast WAV, RF64, W64, AIFF, CAF or FLAC file.
    output
        The copy; a recording that stands there already is not replaced.
    loudness : LoudnessFields

    Raises
    ------
    AudioError
        If the source is no such file.
    VocheckError
        If the output may not be written to (`vocheck.files.refuse_to_write`).
    """
    source = Path(source)

    def edit(file: BinaryIO, chunks: list[Chunk]) -> _Edit:
        new = [(b"bext", _bext(file, chunks, source, loudness))]
        return new, [chunk for chunk in chunks if chunk.name != b"bext"]

    _copy(source, Path(output), edit)


_STALE = (b"data", b"fmt ", b"fact", b"bext", b"PEAK", b"levl", b"MD5 ", b"PAD ", b"FLLR")
"""Chunks that tell of the old samples (their peaks, their check sum, their drawing), or of none."""

_UMID = slice(348, _LOUDNESS_OFFSET)


def carry(
    sound: str | os.PathLike[str],
    source: str | os.PathLike[str],
    output: str | os.PathLike[str],
    loudness: LoudnessFields,
    step: str,
) -> tuple[str, ...]:
    """Write new samples as Broadcast WAV, with what their source says beside its own.

    Scene, note, markers, time and whatever else stands in other chunks is carried on. The source's
    identity (UMID) is not: it is that of other samples. One line is added to the coding history.

    Parameters
    ----------
    sound
        A WAV file with the samples.
    source
        The file that they were made from, of any kind.
    output
        Written to as it is: to be called with a name of `vocheck.files.replacing`.
    loudness : LoudnessFields
        Of the new samples.
    step : str
        What was done, for the coding history (EBU R 98, from memory: ``A=PCM,F=48000,...``).

    Returns
    -------
    tuple of str
        Names of the chunks that were carried on.
    """
    source, output = Path(source), Path(output)
    carried: list[tuple[bytes, bytes]] = []
    bext = None
    with source.open("rb") as file:
        if is_wave(file):
            chunks = [chunk for chunk in wave_chunks(file) if chunk.name not in (b"ds64", b"JUNK")]
            if any(chunk.name == b"bext" for chunk in chunks):
                bext = _bext(file, chunks, source, loudness)
            carried = [
                (chunk.name, content(file, chunk, chunk.length))
                for chunk in chunks
                if chunk.name not in _STALE
            ]
    was_there = bext is not None

    def edit(file: BinaryIO, chunks: list[Chunk]) -> _Edit:
        old = bext if bext is not None else _bext(file, [], source, loudness)
        history = old[_FIXED_BYTES:].rstrip(b"\0")
        if history and not history.endswith(b"\n"):
            history += b"\r\n"
        history += step.encode("ascii", "replace") + b"\r\n"
        head = old[: _UMID.start] + bytes(64) + old[_UMID.stop : _FIXED_BYTES]
        return [(b"bext", head + history), *carried], chunks

    _copy_wave(Path(sound), source, output, edit)
    names = [name.decode("ascii", "replace").strip() for name, _ in carried]
    return tuple(["bext", *names] if was_there else names)


@dataclass(frozen=True)
class Marker:
    """A place in a recording, with what to say of it.

    Attributes
    ----------
    start_s, end_s : float
        Equal for a single moment.
    label : str
    """

    start_s: float
    end_s: float
    label: str


def mark(
    source: str | os.PathLike[str], output: str | os.PathLike[str], markers: Sequence[Marker]
) -> None:
    """Write a copy of `source` as WAV with cue points and labels, in place of any it had.

    Parameters
    ----------
    source
        A WAV, Broadcast WAV, RF64, W64, AIFF, CAF or FLAC file.
    output
        The copy; a recording that stands there already is not replaced.
    markers : sequence of Marker

    Raises
    ------
    AudioError
        If the source is no such file.
    VocheckError
        If the output may not be written to (`vocheck.files.refuse_to_write`).
    """

    def edit(file: BinaryIO, chunks: list[Chunk]) -> _Edit:
        rate = _rate(source, file, chunks)
        new = [(b"cue ", _cue_points(markers, rate)), (b"LIST", _labels(markers, rate))]
        return new, [chunk for chunk in chunks if not _is_marking(file, chunk)]

    _copy(Path(source), Path(output), edit)


def cut(
    source: str | os.PathLike[str], output: str | os.PathLike[str], start_s: float, end_s: float
) -> None:
    """Write a part of `source` as Broadcast WAV, sample by sample the same, at its word length.

    The time reference is that of the source, or 0, and the place of the part in it: an editor puts
    the part where it was recorded.

    Parameters
    ----------
    source
        A WAV, Broadcast WAV, RF64, W64, AIFF, CAF or FLAC file.
    output
        The part; a recording that stands there already is not replaced.
    start_s, end_s : float
        What lies beyond the ends of the source is left out.

    Raises
    ------
    AudioError
        If the source is no such file.
    VocheckError
        If the output may not be written to (`vocheck.files.refuse_to_write`).
    """
    source, output = Path(source), Path(output)
    with protecting([source]), replacing(output) as temporary:
        with temporary_file(temporary.parent, ".wav") as wave:
            first = _to_wave(source, wave, (start_s, end_s))
            bext = _bext_of_part(source, first)

            def edit(_: BinaryIO, chunks: list[Chunk]) -> _Edit:
                return [(b"bext", bext)], [chunk for chunk in chunks if chunk.name != b"bext"]

            _copy_wave(wave, source, temporary, edit)


def _bext_of_part(source: Path, first: int) -> bytes:
    """Return the chunk of a part that begins with frame `first`: loudness is that of no part."""
    none = LoudnessFields(
        integrated_lufs=None,
        range_lu=None,
        level_dbtp=None,
        momentary_max_lufs=None,
        short_term_max_lufs=None,
    )
    chunks: list[Chunk] = []
    with source.open("rb") as file:
        if is_wave(file):
            chunks = list(wave_chunks(file))
        whole = _bext(file, chunks, source, none)
    (reference,) = struct.unpack_from("<Q", whole, _TIME_OFFSET)
    return whole[:_TIME_OFFSET] + struct.pack("<Q", reference + first) + whole[_TIME_OFFSET + 8 :]


def _cue_points(markers: Sequence[Marker], rate: int) -> bytes:
    points = b"".join(
        # Identity, position in play order, chunk, start of the chunk and of the block, frame.
        struct.pack("<II4sIII", i, frame, b"data", 0, 0, frame)
        for i, frame in enumerate((round(m.start_s * rate) for m in markers), start=1)
    )
    return struct.pack("<I", len(markers)) + points


def _labels(markers: Sequence[Marker], rate: int) -> bytes:
    """Return the list of labels; a stretch also has its length in frames (``ltxt``)."""
    parts = [b"adtl"]
    for i, marker in enumerate(markers, start=1):
        text = struct.pack("<I", i) + marker.label.encode("utf-8") + b"\0"
        parts.append(struct.pack("<4sI", b"labl", len(text)) + text + bytes(len(text) % 2))
        length = round((marker.end_s - marker.start_s) * rate)
        if length > 0:
            stretch = struct.pack("<II4sHHHH", i, length, b"rgn ", 0, 0, 0, 0)
            parts.append(struct.pack("<4sI", b"ltxt", len(stretch)) + stretch)
    return b"".join(parts)


def _rate(source: str | os.PathLike[str], file: BinaryIO, chunks: list[Chunk]) -> int:
    form = next((chunk for chunk in chunks if chunk.name == b"fmt "), None)
    fields = b"" if form is None else content(file, form, 8)
    if len(fields) < 8:
        raise AudioError(f"{os.fspath(source)}: does not tell its format")
    return int(struct.unpack("<4xI", fields)[0])


def _is_marking(file: BinaryIO, chunk: Chunk) -> bool:
    if chunk.name == b"LIST":
        return content(file, chunk, 4) == b"adtl"
    return chunk.name == b"cue "


def _copy(source: Path, output: Path, edit: Callable[[BinaryIO, list[Chunk]], _Edit]) -> None:
    """Copy a lossless file as WAV, its chunks edited on the way."""
    with protecting([source]), replacing(output) as temporary:
        if _is_wave(source):
            _copy_wave(source, source, temporary, edit)
            return
        with temporary_file(temporary.parent, ".wav") as wave:
            _to_wave(source, wave)
            _copy_wave(wave, source, temporary, edit)


def _is_wave(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return is_wave(file)
    except OSError as error:
        raise AudioError(f"{path}: cannot be read: {error.strerror or error}") from error


def _to_wave(source: Path, wave: Path, span_s: tuple[float, float] | None = None) -> int:
    """Copy a lossless file, or a part of it, to WAV, sample by sample the same.

    Returns the first frame that was copied.
    """
    import soundfile

    try:
        with soundfile.SoundFile(source) as file:
            subtype = {"PCM_S8": "PCM_16", "PCM_U8": "PCM_16"}.get(file.subtype, file.subtype)
            if subtype not in ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"):
                raise AudioError(f"{source}: is not linear PCM, so no bit-identical copy exists")
            dtype = {"FLOAT": "float32", "DOUBLE": "float64"}.get(subtype, "int32")
            first, last = 0, file.frames
            if span_s is not None:
                first, last = (
                    min(max(0, round(place_s * file.samplerate)), file.frames) for place_s in span_s
                )
                file.seek(first)
            left = last - first
            large = left * file.channels * 8 > LARGEST_RIFF
            kind = "RF64" if large else "WAVEX" if file.channels > 2 else "WAV"
            with soundfile.SoundFile(
                wave, "w", file.samplerate, file.channels, subtype, format=kind
            ) as out:
                while left:
                    most = min(left, _COPY_BYTES // 16)
                    block = file.read(most, dtype=dtype, always_2d=True)
                    if not len(block):
                        break
                    out.write(block)
                    left -= len(block)
            return first
    except soundfile.LibsndfileError as error:
        raise AudioError(
            f"{source}: is not linear PCM audio (WAV, AIFF, CAF, FLAC, W64): "
            "export a WAV file and stamp that"
        ) from error


_Edit = tuple[list[tuple[bytes, bytes]], list[Chunk]]
"""The chunks to write anew, as name and content, and those to keep."""


def _copy_wave(
    wave: Path,
    source: Path,
    output: Path,
    edit: Callable[[BinaryIO, list[Chunk]], _Edit],
) -> None:
    with wave.open("rb") as file:
        chunks = [c for c in wave_chunks(file) if c.name not in (b"ds64", b"JUNK")]
        if not any(chunk.name == b"data" for chunk in chunks):
            raise AudioError(f"{source}: holds no audio data")
        new, kept = edit(file, chunks)
        with output.open("wb") as out:
            _write(out, file, new, kept)


def _bext(file: BinaryIO, chunks: list[Chunk], source: Path, loudness: LoudnessFields) -> bytes:
    """Return the chunk's content: the old one with new loudness, or a new one."""
    for chunk in chunks:
        if chunk.name == b"bext" and chunk.length >= _FIXED_BYTES:
            file.seek(chunk.position)
            old = file.read(chunk.length)
            # Version 0 has no UMID; its bytes there are reserved and zero, as an empty UMID is.
            head = old[:346] + struct.pack("<H", 2) + old[348:_LOUDNESS_OFFSET]
            return head + loudness.packed() + bytes(180) + old[_FIXED_BYTES:]
    made = datetime.fromtimestamp(source.stat().st_mtime)
    fixed = struct.pack(
        "<256s32s32s10s8sQH64s",
        source.stem.encode("ascii", "replace"),
        b"vocheck",
        b"",
        made.strftime("%Y-%m-%d").encode(),
        made.strftime("%H:%M:%S").encode(),
        0,
        2,
        b"",
    )
    return fixed + loudness.packed() + bytes(180)


def _write(
    out: BinaryIO, file: BinaryIO, new: list[tuple[bytes, bytes]], chunks: list[Chunk]
) -> None:
    """Write RIFF, or RF64 where 32 bits do not hold the size."""
    content = sum(8 + chunk.length + chunk.length % 2 for chunk in chunks)
    content += 4 + sum(8 + len(body) + len(body) % 2 for _, body in new)  # 4: "WAVE"
    data = next(chunk for chunk in chunks if chunk.name == b"data")
    large = content > LARGEST_RIFF
    if large:
        out.write(struct.pack("<4sI4s", b"RF64", SIZE_IN_DS64, b"WAVE"))
        # The sample count is optional for linear PCM (Tech 3306, section 3.3), so 0.
        out.write(struct.pack("<4sIQQQI", b"ds64", 28, content + 36, data.length, 0, 0))
    else:
        out.write(struct.pack("<4sI4s", b"RIFF", content, b"WAVE"))
    for name, body in new:
        out.write(struct.pack("<4sI", name, len(body)) + body + bytes(len(body) % 2))
    for chunk in chunks:
        told = SIZE_IN_DS64 if large and chunk is data else chunk.length
        out.write(struct.pack("<4sI", chunk.name, told))
        file.seek(chunk.position)
        left = chunk.length
        while left:
            piece = file.read(min(left, _COPY_BYTES))
            out.write(piece)
            left -= len(piece)
        out.write(bytes(chunk.length % 2))
