"""Listening copies: small ones to be carried inside a page, and FLAC for what cannot be played."""

from __future__ import annotations

import base64
import io
import os
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from vocheck.audio.readers import open_audio, read
from vocheck.dsp.decibels import amplitude_ratio
from vocheck.files import replacing
from vocheck.measurements import true_peak
from vocheck.measurements.true_peak import TruePeakMeter
from vocheck.recording import Samples, Source

PEAK_DBTP = -1.0
"""A copy that would peak above this is turned down to it: the lossy coder overshoots."""
_KBPS = {1: 96, 2: 160}  # by channels
_MP3_RATES = (32_000, 44_100, 48_000)  # those of MPEG-1 Layer III
_BLOCK = 48_000  # libsndfile's encoders want modest pieces
_LOWEST_KBPS, _HIGHEST_KBPS = 32, 320  # what Layer III holds
_CENTRE = np.sqrt(0.5)  # of what comes from the middle or from behind, ITU-R BS.775-4, table 2


@dataclass(frozen=True)
class ListeningCopy:
    """A recording as an address that holds the sound itself.

    Attributes
    ----------
    address : str
        ``data:audio/mpeg;base64,...``.
    gain_db : float
        How far the copy was turned down, 0 or negative.
    """

    address: str
    gain_db: float


def voice_copy(path: str | os.PathLike[str]) -> ListeningCopy:
    """Return a copy of a take's voice as MP3 in a ``data:`` address.

    Raises
    ------
    AudioError
        If the take cannot be read.
    """
    recording = read(path)
    encoder = _Encoder(recording.rate, 1, _gain_db(true_peak.measure(recording).level_dbtp))
    encoder.feed(recording.voice[:, np.newaxis])
    return encoder.copy()


class OpenSound(Protocol):
    """What is read block by block, as `vocheck.audio.readers.AudioFile`."""

    @property
    def source(self) -> Source:
        """What is known of it."""

    def blocks(self) -> Iterator[Samples]:
        """Yield the samples."""


def listening_copy(
    path: str | os.PathLike[str],
    opened: Callable[[str | os.PathLike[str]], AbstractContextManager[OpenSound]] = open_audio,
    *,
    span_s: tuple[float, float] | None = None,
) -> ListeningCopy:
    """Return a copy of a mix as MP3 in a ``data:`` address, in the time of its file.

    The file is read twice, in blocks: for its peak, and for the copy. More than two channels are
    folded down to two (ITU-R BS.775).

    Parameters
    ----------
    path : path-like
    opened : callable, optional
        What opens the sound, where it is not the main track of the file.
    span_s : tuple of float, optional
        From when to when; the whole file where omitted.

    Raises
    ------
    AudioError
        If the mix cannot be read.
    """
    with opened(path) as file:
        rate, channels = file.source.rate_hz, min(2, file.source.channels)
        fold = _fold_down(file.source.channels, file.source.layout)
        meter = TruePeakMeter(channels, rate)
        for block in _within(file.blocks(), rate, span_s):
            meter.feed(block @ fold)
    encoder = _Encoder(rate, channels, _gain_db(meter.result().level_dbtp))
    with opened(path) as file:
        late = round(file.source.start_s * rate)
        for start in range(0, late, _BLOCK):
            encoder.feed(np.zeros((min(_BLOCK, late - start), channels), np.float32))
        for block in _within(file.blocks(), rate, span_s):
            encoder.feed(block @ fold)
    return encoder.copy()


def _within(
    blocks: Iterator[Samples], rate_hz: int, span_s: tuple[float, float] | None
) -> Iterator[Samples]:
    """Yield what lies between two moments."""
    if span_s is None:
        yield from blocks
        return
    first, last = (round(edge * rate_hz) for edge in span_s)
    done = 0
    for block in blocks:
        part = block[max(0, first - done) : max(0, last - done)]
        done += len(block)
        if len(part):
            yield part


def write_copy(path: str, target: str) -> None:
    """Write a recording as FLAC, in the time of its file: what every browser plays.

    Block by block, so that its length does not matter. More than two channels are folded down to
    two (ITU-R BS.775); what is beyond full scale is cut, as a converter would cut it.

    Raises
    ------
    AudioError
        If the recording cannot be read.
    VocheckError
        If the copy cannot be written.
    """
    import soundfile

    with replacing(target, durable=False) as temporary, open_audio(path) as file:
        source = file.source
        fold = _fold_down(source.channels, source.layout)
        with soundfile.SoundFile(
            temporary, "w", source.rate_hz, fold.shape[1], "PCM_24", format="FLAC"
        ) as copy:
            for start in range(0, round(source.start_s * source.rate_hz), _BLOCK):
                left = round(source.start_s * source.rate_hz) - start
                copy.write(np.zeros((min(_BLOCK, left), fold.shape[1]), np.float32))
            for block in file.blocks():
                copy.write(np.clip(block @ fold, -1.0, 1.0))


def _gain_db(peak_dbtp: float | None) -> float:
    return 0.0 if peak_dbtp is None or peak_dbtp == -np.inf else min(0.0, PEAK_DBTP - peak_dbtp)


def _fold_down(channels: int, layout: tuple[str, ...] | None) -> npt.NDArray[np.float32]:
    """Return the weights, shape (channels, 1 or 2), of a copy in mono or stereo."""
    if channels <= 2:
        return np.eye(channels, dtype=np.float32)
    weights = np.zeros((channels, 2), np.float32)
    for weight, name in zip(weights, layout or ("?",) * channels, strict=True):
        if name == "LFE":
            continue
        share = 1.0 if name in ("FL", "FR") else _CENTRE
        weight[0] = 0.0 if name.endswith("R") else share
        weight[1] = 0.0 if name.endswith("L") else share
    return weights


class _Encoder:
    """Encodes a stream as MP3, at a rate that MP3 knows."""

    def __init__(self, rate_hz: int, channels: int, gain_db: float) -> None:
        import soundfile
        import soxr

        self._gain_db = gain_db
        self._gain = np.float32(amplitude_ratio(gain_db))
        rate = rate_hz if rate_hz in _MP3_RATES else _MP3_RATES[-1]
        self._resampler = (
            None
            if rate == rate_hz
            else soxr.ResampleStream(rate_hz, rate, channels, dtype="float32", quality="HQ")
        )
        self._channels = channels
        self._out = io.BytesIO()
        self._file = soundfile.SoundFile(
            self._out,
            "w",
            samplerate=rate,
            channels=channels,
            format="MP3",
            subtype="MPEG_LAYER_III",
            bitrate_mode="CONSTANT",
            # libsndfile's scale: 0 is the highest bit rate, 1 the lowest
            compression_level=(_HIGHEST_KBPS - _KBPS[channels]) / (_HIGHEST_KBPS - _LOWEST_KBPS),
        )

    def feed(self, block: npt.NDArray[np.floating], last: bool = False) -> None:
        """Take in the next frames, shape (frames, channels)."""
        samples = np.ascontiguousarray(block * self._gain, np.float32)
        if self._resampler is not None:
            samples = self._resampler.resample_chunk(samples, last=last)
        for start in range(0, len(samples), _BLOCK):
            self._file.write(samples[start : start + _BLOCK])

    def copy(self) -> ListeningCopy:
        """Return what was fed; nothing more may be fed."""
        if self._resampler is not None:
            self.feed(np.zeros((0, self._channels), np.float32), last=True)
        self._file.close()
        encoded = base64.b64encode(self._out.getvalue()).decode("ascii")
        return ListeningCopy(f"data:audio/mpeg;base64,{encoded}", self._gain_db)
