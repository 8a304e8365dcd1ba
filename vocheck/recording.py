"""A recording in memory, and the means to compute what is shared only once.

This module knows no measurement. A function that computes something of a recording which several
others need is decorated with `once`; its result is kept in the recording.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from functools import cached_property, wraps
from typing import Any, Concatenate, ParamSpec, TypeVar, cast

import numpy as np
import numpy.typing as npt

from vocheck.errors import AudioError
from vocheck.results import Result

__all__ = ["Recording", "Samples", "Source", "once"]

Samples = npt.NDArray[np.float32] | npt.NDArray[np.float64]
_LIVE = 1e-3  # -30 dB re the loudest channel; a safety track is 6 to 20 dB lower
_COPY = 0.97  # correlation of two channels that are one sound
_SAME_LEVEL = 10**0.1  # 1 dB, as a ratio of energies: beyond it one of two copies was turned down
_FLAT = 4e-4  # of the peak: what is as high as it is
_FLAT_SAMPLES = 8  # so many samples at the peak of one polarity are a wave cut flat
_BLOCK_S, _FEWEST_BLOCKS = 0.05, 10
_FOLLOWS = 0.6  # correlation of the levels of two microphones before one mouth
_Arguments = ParamSpec("_Arguments")
_Value = TypeVar("_Value")


@dataclass(frozen=True, kw_only=True)
class Source(Result):
    """Where a recording came from, as its file says.

    Attributes
    ----------
    path : str or None
        The file, or ``None`` for an array.
    container, codec : str or None
        E.g. ``"WAV"`` and ``"PCM_24"``, ``"MP4"`` and ``"AAC"``.
    rate_hz, channels : int
        Sample rate and number of channels.
    bits : int or None
        Bits per sample of linear PCM; ``None`` for floats and lossy codecs.
    duration_s : float
        Length of what was read.
    layout : tuple of str or None
        Speaker of each channel (``"FL"``, ``"FR"``, ``"FC"``, ``"LFE"``, ``"BL"``, ...), where the
        file or the channel count tells it.
    missing_s : float
        What the header promised beyond what the file holds; 0 for a whole file.
    unfinished : bool
        Whether the recorder never wrote the length (it crashed, or was cut off), so that nobody can
        tell how much is missing.
    bitrate_kbps : float or None
        Average bit rate of a lossy codec; ``None`` where none is told, and for lossless ones.
    profile : str or None
        Of AAC: ``"LC"``, ``"HE-AAC"``, ``"HE-AACv2"``; where the file tells it.
    damaged : int
        How many stretches could not be decoded, or failed their check sum. Silence stands in their
        place where their length is known.
    damaged_s : tuple of float
        When the first 20 of them begin.
    track, tracks : int
        Which audio track was read, from 1, and how many the file holds.
    start_s : float
        When the track starts in the time of its file.
    picture_s : float or None
        Length of the longest picture track.
    """

    path: str | None = None
    container: str | None = None
    codec: str | None = None
    rate_hz: int
    channels: int
    bits: int | None = None
    duration_s: float
    layout: tuple[str, ...] | None = None
    missing_s: float = 0.0
    unfinished: bool = False
    bitrate_kbps: float | None = None
    profile: str | None = None
    damaged: int = 0
    damaged_s: tuple[float, ...] = ()
    track: int = 1
    tracks: int = 1
    start_s: float = 0.0
    picture_s: float | None = None


@dataclass(frozen=True, eq=False, init=False, repr=False)
class Recording:
    """Audio samples with their rate: what every measurement takes.

    What several measurements need of a recording is computed once and kept in it: see `once`.

    Parameters
    ----------
    samples : ndarray of float, shape (frames, channels) or (frames,)
        Full scale is 1.0. Kept as a read-only view; the caller's array is never written to.
    rate : int
        Sample rate in Hz.
    source : Source, optional
        Where the samples came from; made up from the array where omitted.

    Raises
    ------
    AudioError
        If the array is not one- or two-dimensional floating point, or holds a NaN or an infinity,
        or the rate is not positive.
    """

    samples: Samples
    rate: int
    source: Source
    _shared: dict[Hashable, Any]
    _lock: threading.RLock

    def __init__(self, samples: Samples, rate: int, source: Source | None = None) -> None:
        array: npt.NDArray[Any] = np.asarray(samples)
        if array.ndim == 1:
            array = array[:, np.newaxis]
        if array.ndim != 2:
            raise AudioError(f"samples must be (frames, channels), not shape {array.shape}")
        if array.dtype not in (np.float32, np.float64):
            raise AudioError(f"samples must be float32 or float64, not {array.dtype}")
        if rate <= 0:
            raise AudioError(f"rate must be positive, not {rate}")
        # One pass and no temporary array: a NaN or an infinity makes the sum of squares non-finite.
        if not np.isfinite(np.vdot(array, array)) and not np.isfinite(array).all():
            bad = np.flatnonzero(~np.isfinite(array).all(axis=1))
            raise AudioError(
                f"{len(bad)} of {len(array)} frames are not numbers "
                f"(first at {bad[0] / rate:.3f} s)"
            )
        view = array.view()
        view.flags.writeable = False
        if source is None:
            source = Source(rate_hz=rate, channels=view.shape[1], duration_s=len(view) / rate)
        # The dataclass is frozen: only here, before anyone has seen it, are its fields set.
        object.__setattr__(self, "samples", view)
        object.__setattr__(self, "rate", rate)
        object.__setattr__(self, "source", source)
        object.__setattr__(self, "_shared", {})
        object.__setattr__(self, "_lock", threading.RLock())

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate

    @cached_property
    def channel(self) -> int:
        """Index of the channel that carries the voice best: the loudest that is not cut flat.

        A channel is chosen rather than a mean taken, because a mean hides a dead channel (6 dB) and
        an inverted one (all of it). Where the loudest is clipped, the loudest of those that follow
        the same voice and are not is chosen: a safety track, a second microphone.
        """
        energy = self._energies
        if len(energy) < 2 or not energy.any():
            return 0
        order = np.argsort(-energy, kind="stable")
        loudest = int(order[0])
        if not _is_cut_flat(self.samples[:, loudest]):
            return loudest
        for other in map(int, order[1:]):
            if energy[other] < _LIVE * energy[loudest]:
                break
            if not _is_cut_flat(self.samples[:, other]) and self._follows(loudest, other):
                return other
        return loudest

    @cached_property
    def voice(self) -> npt.NDArray[np.float32]:
        """The channel that carries the voice best, shape (frames,); see `channel`."""
        if self.samples.shape[1] == 0:
            return np.zeros(0, np.float32)
        return np.ascontiguousarray(self.samples[:, self.channel], dtype=np.float32)

    @cached_property
    def judged(self) -> Recording:
        """What a take is judged by: `channel` alone where the channels are not one sound.

        Two microphones, or a track and its safety, are two recordings of a take, of which one will
        be used: their sum is heard by nobody. Copies of one sound at one level stay together, one
        upside down as well.
        """
        energy, best = self._energies, self.channel
        if len(energy) < 2 or not energy.any():
            return self
        live = np.flatnonzero(energy > _LIVE * energy.max())
        if all(self._is_copy(best, int(other)) for other in live if other != best):
            return self
        source = replace(self.source, channels=1, layout=None)
        return Recording(self.samples[:, best], self.rate, source)

    @cached_property
    def _energies(self) -> npt.NDArray[np.float64]:
        """Sum of squares of each channel; a low-frequency effects channel carries no voice."""
        energy = np.array([float(np.vdot(channel, channel)) for channel in self.samples.T])
        names = self.source.layout or ()
        effects = [name == "LFE" for name in names[: len(energy)]]
        if len(effects) == len(energy) and not all(effects):
            energy[np.array(effects, bool)] = 0.0
        return energy

    def _is_copy(self, one: int, other: int) -> bool:
        """Whether two channels are one sound at one level, either way up."""
        both = float(np.vdot(self.samples[:, one], self.samples[:, other]))
        a, b = self._energies[one], self._energies[other]
        alike = abs(both) >= _COPY * float(np.sqrt(a * b))
        return alike and bool(1 / _SAME_LEVEL < a / b < _SAME_LEVEL)

    def _follows(self, one: int, other: int) -> bool:
        """Whether two channels rise and fall together, however late and soft one of them is."""
        size = max(1, round(_BLOCK_S * self.rate))
        count = len(self.samples) // size
        if count < _FEWEST_BLOCKS:
            return False
        blocks = self.samples[: count * size, [one, other]].reshape(count, size, 2)
        power = np.einsum("bsc,bsc->cb", blocks, blocks, dtype=np.float64)
        levels = np.log(np.maximum(power, 1e-6 * power.max(axis=1, keepdims=True)))
        return float(np.corrcoef(levels)[0, 1]) >= _FOLLOWS if levels.std(axis=1).all() else False

    def __reduce__(self) -> tuple[type[Recording], tuple[Samples, int, Source]]:
        # Only the recording is pickled. What was computed from it, and the lock, stay behind.
        return Recording, (self.samples, self.rate, self.source)

    def __repr__(self) -> str:
        frames, channels = self.samples.shape
        return f"Recording({frames} frames x {channels} channels, {self.rate} Hz)"


def _is_cut_flat(channel: Samples) -> bool:
    """Whether so many samples reach the peak that the wave was cut there: a cheap first look."""
    return any(
        peak > 0.0 and np.count_nonzero(sign * channel >= (1.0 - _FLAT) * peak) >= _FLAT_SAMPLES
        for sign, peak in ((1, float(channel.max())), (-1, -float(channel.min())))
    )


def once(
    function: Callable[Concatenate[Recording, _Arguments], _Value],
) -> Callable[Concatenate[Recording, _Arguments], _Value]:
    """Make a function of a recording compute its result once for each recording.

    The result is kept in the recording and released with it. Callers in several threads get the
    same object; the function runs once.

    Parameters
    ----------
    function : callable
        Takes a recording first. Its other arguments must be hashable: there is one result for each
        set of them. The result is shared, so nobody may change it.

    Returns
    -------
    callable
        Of the same signature.
    """

    @wraps(function)
    def shared(
        recording: Recording, /, *args: _Arguments.args, **kwargs: _Arguments.kwargs
    ) -> _Value:
        key = (function, args, tuple(sorted(kwargs.items())))
        # One lock for all results of a recording: a function that asks for another one cannot wait
        # for a thread that waits for it.
        with recording._lock:
            if key not in recording._shared:
                recording._shared[key] = function(recording, *args, **kwargs)
            return cast(_Value, recording._shared[key])

    return shared
