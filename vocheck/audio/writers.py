"""Writes samples as WAV, in the word length of where they came from.

Whole numbers of 16 and 24 bits get triangular dither of two steps' width before they are rounded
(Lipshitz, Wannamaker and Vanderkooy, "Quantization and dither", J. Audio Eng. Soc. 40(5), 1992,
from memory): what rounding leaves is then a steady noise and follows no voice. The dither comes
from a fixed seed, so that the same mix gives the same copy. 32 bits and floats are only rounded.

A file of more than 4 GiB becomes RF64 [2]_; more than two channels tell their speakers [1]_.

References
----------
.. [1] Microsoft, Multiple Channel Audio Data and WAVE Files, 2001: WAVE_FORMAT_EXTENSIBLE.
.. [2] EBU Tech 3306, MBWF / RF64: An extended file format for audio, version 1.1, 2009.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from types import TracebackType

import numpy as np
import numpy.typing as npt

from vocheck.audio.broadcast_wav import LARGEST_RIFF
from vocheck.audio.heads import SPEAKERS
from vocheck.audio.riff import SIZE_IN_DS64
from vocheck.dsp.kweighting import DEFAULT_LAYOUTS
from vocheck.recording import Source

_SEED = 1770  # any number: the same mix gives the same bytes
_DITHERED = (16, 24)  # bits of a sample; floating point needs no dither
_LOSSY_BITS = 24
"""Of a copy of lossy sound: its noise lies below that of any codec."""

_CHUNK = 4096  # frames worked on at a time: they stay in the cache
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_GUID = bytes.fromhex("000000001000800000aa00389b71")
"""What follows the two bytes of the format in the identity of a WAVE_FORMAT_EXTENSIBLE [1]_."""


@dataclass(frozen=True)
class WordLength:
    """How samples are stored.

    Attributes
    ----------
    bits : int
        16, 24 or 32 of whole numbers, 32 or 64 of floats.
    is_float : bool
    """

    bits: int
    is_float: bool = False

    def __str__(self) -> str:
        return f"{self.bits}-bit float" if self.is_float else f"{self.bits} bit"

    @property
    def is_dithered(self) -> bool:
        """Whether samples are dithered when they are stored so."""
        return not self.is_float and self.bits in _DITHERED


def word_length_of(source: Source) -> WordLength:
    """Return how the samples of a copy are stored: as those of the source.

    8 bits become 16; lossy sound, which has none, becomes 24.
    """
    if source.codec in ("32-bit float", "64-bit float"):
        return WordLength(int(source.codec[:2]), is_float=True)
    bits = source.bits or _LOSSY_BITS
    return WordLength(next((width for width in (16, 24) if bits <= width), 32))


class Quantizer:
    """Turns samples of full scale 1.0 into whole numbers.

    Parameters
    ----------
    bits : int
    dither : bool
        Whether to dither, where so many bits are.
    """

    def __init__(self, bits: int, *, dither: bool) -> None:
        self.bits = bits
        self._random = np.random.SFC64(_SEED) if dither and bits in _DITHERED else None

    def __call__(self, block: npt.NDArray[np.floating]) -> npt.NDArray[np.int32]:
        """Return integers of that many bits, shape (frames, channels)."""
        whole = np.empty(block.shape, np.int32)
        full = 2.0 ** (self.bits - 1)
        for start in range(0, len(block), _CHUNK):
            part = slice(start, start + _CHUNK)
            scaled = np.multiply(block[part], full, dtype=np.float64, order="C")
            if self._random is not None:
                scaled += self._dither(self._random, scaled.size).reshape(scaled.shape)
            np.rint(scaled, out=scaled)
            np.minimum(scaled, full - 1.0, out=scaled)
            np.maximum(scaled, -full, out=scaled)
            whole[part] = scaled
        return whole

    @staticmethod
    def _dither(random: np.random.SFC64, count: int) -> npt.NDArray[np.float32]:
        """Return the difference of two even distributions a step wide, for each sample."""
        # 64 random bits are two pairs of numbers of 16 bits.
        pairs = random.random_raw((count + 1) // 2).view(np.int16).reshape(-1, 2)[:count]
        dither = np.subtract(pairs[:, 0], pairs[:, 1], dtype=np.float32)
        dither *= np.float32(2.0**-16)
        return dither


class WaveWriter:
    """Writes a WAV file block by block.

    Parameters
    ----------
    path : path-like
        Written to as it is: to be called with a temporary name.
    source : Source
        Whose rate, channels and word length it gets.
    dither : bool
        Whether to dither, where the word length asks for it; without it samples are rounded.
    """

    def __init__(
        self, path: str | os.PathLike[str], source: Source, *, dither: bool = True
    ) -> None:
        self._form = form = word_length_of(source)
        self._source = source
        self._quantizer = None if form.is_float else Quantizer(form.bits, dither=dither)
        self._frames = 0
        self._file = open(path, "wb")  # noqa: SIM115 (closed by `__exit__`)
        self._file.write(self._head())

    def write(self, block: npt.NDArray[np.floating]) -> None:
        """Write the next frames (frames, channels), full scale 1.0."""
        self._frames += len(block)
        if self._quantizer is None:
            kind = "<f4" if self._form.bits == 32 else "<f8"
            self._file.write(np.ascontiguousarray(block, dtype=kind).data)
        else:
            whole = self._quantizer(block).reshape(-1)
            self._file.write(_packed(whole, self._form.bits))

    @property
    def _data_bytes(self) -> int:
        return self._frames * self._source.channels * self._form.bits // 8

    def _head(self) -> bytes:
        """Return everything before the samples; its length does not depend on their number."""
        source, form = self._source, self._form
        data, width = self._data_bytes, source.channels * form.bits // 8
        layout = source.layout or DEFAULT_LAYOUTS.get(source.channels) or ()
        extensible = source.channels > 2
        own = _FLOAT if form.is_float else _PCM
        fmt = struct.pack(
            "<HHIIHH",
            _EXTENSIBLE if extensible else own,
            source.channels,
            source.rate_hz,
            source.rate_hz * width,
            width,
            form.bits,
        )
        if extensible:
            mask = sum(1 << SPEAKERS.index(name) for name in layout if name in SPEAKERS)
            fmt += struct.pack("<HHIH", 22, form.bits, mask, own) + _GUID
        elif form.is_float:
            fmt += struct.pack("<H", 0)
        fact = struct.pack("<4sII", b"fact", 4, min(self._frames, SIZE_IN_DS64))
        body = struct.pack("<4sI", b"fmt ", len(fmt)) + fmt + (fact if form.is_float else b"")
        size = 4 + 36 + len(body) + 8 + data + data % 2  # 4: "WAVE", 36: the chunk below
        large = size > LARGEST_RIFF
        # The place of ds64 is kept by filler until it is known to be needed (Tech 3306, 3.2).
        kept = struct.pack("<4sIQQQI", b"ds64", 28, size, data, self._frames, 0)
        head = struct.pack("<4sI4s", b"RF64" if large else b"RIFF", SIZE_IN_DS64, b"WAVE")
        if not large:
            head = struct.pack("<4sI4s", b"RIFF", size, b"WAVE")
            kept = struct.pack("<4sI28x", b"JUNK", 28)
        return head + kept + body + struct.pack("<4sI", b"data", SIZE_IN_DS64 if large else data)

    def __enter__(self) -> WaveWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if error is None:
                self._file.write(bytes(self._data_bytes % 2))
                self._file.seek(0)
                self._file.write(self._head())
        finally:
            self._file.close()


def _packed(whole: npt.NDArray[np.int32], bits: int) -> bytes | memoryview:
    """Return whole numbers as the bytes of a WAV file."""
    if bits == 32:
        return whole.astype("<i4", copy=False).data
    if bits == 16:
        return whole.astype("<i2").data
    # Three bytes each: the lower two as one number, the upper one beside them.
    packed = np.empty(3 * len(whole), np.uint8)
    np.ndarray((len(whole),), "<u2", packed, 0, (3,))[...] = whole.view(np.uint32) & 0xFFFF
    packed[2::3] = whole >> 16 & 0xFF
    return packed.data
