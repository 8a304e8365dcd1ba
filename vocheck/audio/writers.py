"""Writes samples as WAV, in the word length of where they came from.

Whole numbers of 8, 16 and 24 bits get triangular dither of two steps' width before they are
rounded (Lipshitz, Wannamaker and Vanderkooy, "Quantization and dither", J. Audio Eng. Soc. 40(5),
1992, from memory): what rounding leaves is then a steady noise and follows no voice. The dither
comes from a fixed seed, so that the same mix gives the same copy. 32 bits and floats are only
rounded.
"""

from __future__ import annotations

import os
from pathlib import Path
from types import TracebackType

import numpy as np
import numpy.typing as npt

from vocheck.audio.broadcast_wav import LARGEST_RIFF
from vocheck.recording import Source

_SEED = 1770
_DITHERED = ("PCM_16", "PCM_24")
_LOSSY_BITS = 24
"""Of a copy of lossy sound: its noise lies below that of any codec."""


def subtype_of(source: Source) -> str:
    """Return the word length of a copy, as libsndfile calls it: that of the source.

    8 bits become 16; lossy sound, which has none, becomes 24.
    """
    if source.codec in ("32-bit float", "64-bit float"):
        return "FLOAT" if source.codec == "32-bit float" else "DOUBLE"
    bits = source.bits or _LOSSY_BITS
    return "PCM_16" if bits <= 16 else "PCM_24" if bits <= 24 else "PCM_32"


def word_length(subtype: str) -> str:
    """Return a word length in words: ``"24 bit"``."""
    return {"FLOAT": "32-bit float", "DOUBLE": "64-bit float"}.get(subtype, f"{subtype[4:]} bit")


def is_dithered(subtype: str) -> bool:
    """Return whether samples are dithered when they are written so."""
    return subtype in _DITHERED


class WaveWriter:
    """Writes a WAV file block by block; RF64 where it may pass 4 GiB.

    Parameters
    ----------
    path : path-like
        Written to as it is: to be called with a temporary name.
    source : Source
        Whose rate, channels and word length it gets, and whose length tells how large it may be.
    dither : bool
        Whether samples that are not whole numbers are dithered; without it they are rounded.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        source: Source,
        *,
        subtype: str | None = None,
        dither: bool = True,
    ) -> None:
        import soundfile

        self._subtype = subtype or subtype_of(source)
        bytes_in_all = source.duration_s * source.rate_hz * source.channels * 8
        kind = "RF64" if bytes_in_all > LARGEST_RIFF else "WAVEX" if source.channels > 2 else "WAV"
        self._file = soundfile.SoundFile(
            Path(path), "w", source.rate_hz, source.channels, self._subtype, format=kind
        )
        self._random = np.random.default_rng(_SEED) if dither and self._dithers else None

    @property
    def _dithers(self) -> bool:
        return is_dithered(self._subtype)

    def write(self, block: npt.NDArray[np.floating]) -> None:
        """Write the next frames (frames, channels), full scale 1.0."""
        if self._subtype in ("FLOAT", "DOUBLE"):
            dtype = np.float32 if self._subtype == "FLOAT" else np.float64
            self._file.write(np.ascontiguousarray(block, dtype=dtype))
            return
        bits = int(self._subtype[4:])
        self._file.write(self._whole(block, bits))

    def _whole(self, block: npt.NDArray[np.floating], bits: int) -> npt.NDArray[np.int32]:
        """Return samples as 32-bit integers of which the upper bits count."""
        scaled: npt.NDArray[np.float64] = np.multiply(block, 2.0 ** (bits - 1), dtype=np.float64)
        scaled = np.ascontiguousarray(scaled)
        if self._random is not None:
            scaled += self._random.random(scaled.shape, dtype=np.float32)
            scaled -= self._random.random(scaled.shape, dtype=np.float32)
        np.rint(scaled, out=scaled)
        np.clip(scaled, -(2.0 ** (bits - 1)), 2.0 ** (bits - 1) - 1.0, out=scaled)
        return np.left_shift(scaled.astype(np.int32), 32 - bits)

    def __enter__(self) -> WaveWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()
