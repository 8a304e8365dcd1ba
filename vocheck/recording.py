"""A recording in memory, and the intermediates that several measurements share."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from vocheck.errors import AudioError
from vocheck.results import Result

# What a property computes with is imported there: a mix is read without most of it.
if TYPE_CHECKING:
    from vocheck.dsp.spectrogram import Spectrogram
    from vocheck.dsp.weighted_energy import KWeightedEnergies
    from vocheck.voice.activity import Activity
    from vocheck.voice.level import ActiveLevel
    from vocheck.voice.pitch import PitchTrack

Samples = npt.NDArray[np.float32] | npt.NDArray[np.float64]


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


@dataclass(frozen=True, eq=False, init=False, repr=False)
class Recording:
    """Audio samples with their rate: what every measurement takes.

    The cached properties are computed once, when first asked for, and shared: a measurement never
    makes its own copy of one.

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

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate

    @cached_property
    def voice(self) -> npt.NDArray[np.float32]:
        """The channel that carries the voice, shape (frames,): the one with the most energy.

        A channel is chosen rather than a mean taken, because a mean hides a dead channel (6 dB) and
        an inverted one (all of it).
        """
        samples = self.samples
        if samples.shape[1] == 0:
            return np.zeros(0, np.float32)
        energy = [float(np.vdot(channel, channel)) for channel in samples.T]
        return np.ascontiguousarray(samples[:, int(np.argmax(energy))], dtype=np.float32)

    @cached_property
    def _resampled(self) -> dict[int, npt.NDArray[np.float32]]:
        return {self.rate: self.voice}

    def voice_at(self, rate_hz: int) -> npt.NDArray[np.float32]:
        """Return `voice` resampled to `rate_hz`, shape (frames,); each rate is computed once."""
        from vocheck.dsp.resample import resample

        if rate_hz not in self._resampled:
            self._resampled[rate_hz] = resample(self.voice, self.rate, rate_hz)
        return self._resampled[rate_hz]

    @cached_property
    def k_weighted_energies(self) -> KWeightedEnergies:
        """K-weighted energy of all channels together in steps of 10 ms (ITU-R BS.1770)."""
        from vocheck.dsp.kweighting import channel_weights
        from vocheck.dsp.weighted_energy import EnergyMeter

        weights = channel_weights(self.samples.shape[1], self.source.layout)
        meter = EnergyMeter(self.rate, weights)
        meter.feed(self.samples)
        return meter.result()

    @cached_property
    def spectrogram(self) -> Spectrogram:
        """Power spectrogram of `voice`: 21 ms Hann windows every 5 ms."""
        from vocheck.dsp.spectrogram import power_spectrogram

        return power_spectrogram(self.voice, self.rate)

    @cached_property
    def activity(self) -> Activity:
        """Where the talker speaks: 10 ms frames, phrases and usable pauses."""
        from vocheck.voice.activity import find_activity

        return find_activity(self.spectrogram, self.duration_s)

    @cached_property
    def active_level(self) -> ActiveLevel:
        """Active speech level of `voice` to ITU-T P.56: what "re speech" is relative to."""
        from vocheck.voice.level import active_level

        return active_level(self.voice, self.rate)

    @cached_property
    def pitch(self) -> PitchTrack:
        """Fundamental frequency of `voice` every 10 ms."""
        from vocheck.voice.pitch import track_pitch

        return track_pitch(self.voice_at(PITCH_RATE_HZ), PITCH_RATE_HZ)

    def __repr__(self) -> str:
        frames, channels = self.samples.shape
        return f"Recording({frames} frames x {channels} channels, {self.rate} Hz)"


PITCH_RATE_HZ = 4000
"""Rate at which the pitch is tracked: 500 Hz of fundamental with room for its first harmonics."""
