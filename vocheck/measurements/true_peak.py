"""True peak to ITU-R BS.1770-5 Annex 2: the highest value of the waveform, in dBTP.

What it is
    Samples are points on a curve, and the curve may rise higher between them. A converter, a
    resampler or a lossy encoder follows the curve: if it passes full scale they clip, though no
    sample does. The true peak is the highest point of the curve. It is never below the sample peak
    (beyond rounding), by a few tenths of a decibel above it in speech, by 3 dB in the worst tone.

    0 dBTP is full scale. Mixes are delivered with -1 dBTP or less; a take should be recorded with
    its highest peaks between -12 and -6 dBFS, so that one loud word still fits.

Method
    The curve is the band-limited one through the samples, with silence before the first and after
    the last. Its maximum is found to the place, not read off a finer grid (see
    `vocheck.dsp.oversampling`), for every channel, low-frequency effects included.

Units
    dBTP: decibels relative to full scale, of the true peak. dBFS: the same of the sample peak.

Limits of validity
    Within 0.005 dB of the 64-times oversampled signal for content below 0.45 of the sample rate
    (21.6 kHz at 48 kHz). Above that the curve depends on the filter that draws it, and so does its
    peak. A sound cut off in the middle of a swing overshoots at the cut: that is real, and is
    counted.

Sources
    ITU-R BS.1770-5 (11/2023), Annex 2 and its Attachment 1. EBU Tech 3341 (V4, 2023), table 1.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_db
from vocheck.dsp.oversampling import GROUP, OVERLAP, SECTION, PeakSearch
from vocheck.dsp.sections import Sections
from vocheck.recording import Recording
from vocheck.results import SILENCE, Group, Row


@dataclass(frozen=True, kw_only=True)
class TruePeak(Group):
    """True peak of a recording.

    Attributes
    ----------
    level_dbtp : float or None
        The highest of all channels; ``-inf`` for silence.
    time_s : float or None
        Where it is.
    sample_peak_dbfs : float or None
        The highest sample of all channels.
    channels_dbtp : tuple of float
        Of each channel.
    """

    level_dbtp: float | None
    time_s: float | None
    sample_peak_dbfs: float | None
    channels_dbtp: tuple[float, ...]


class TruePeakMeter:
    """Measures the true peak of a stream in constant memory.

    Parameters
    ----------
    channels : int
    rate_hz : int
    """

    def __init__(self, channels: int, rate_hz: int) -> None:
        self._sections = Sections(channels, SECTION, OVERLAP)
        self._searches = [PeakSearch() for _ in range(channels)]
        self._rate = rate_hz

    def feed(self, block: npt.NDArray[np.floating]) -> None:
        """Take in the next frames.

        Parameters
        ----------
        block : ndarray of float, shape (frames, channels) or (frames,) for one channel
            Of any length: the readings do not depend on how a stream is cut.

        Raises
        ------
        AudioError
            If the block has another number of channels, or a section holds a NaN or an infinity.
        """
        for section in self._sections.add(block):
            for search, samples in zip(self._searches, section, strict=True):
                search.add(samples)

    def result(self) -> TruePeak:
        """Return the readings of all that was fed; more may be fed afterwards."""
        rest = self._sections.rest()
        # Silence after the end: enough to search up to it, and to fill the last group.
        silence = OVERLAP + -rest.shape[1] % GROUP
        padded = np.pad(rest, ((0, 0), (0, silence)))
        searches = [copy.copy(search) for search in self._searches]
        for search, samples in zip(searches, padded, strict=True):
            search.add(samples)
        if self._sections.frames == 0 or not searches:
            reason = "no samples"
            return TruePeak(
                level_dbtp=None,
                time_s=None,
                sample_peak_dbfs=None,
                channels_dbtp=(),
                not_measured=dict.fromkeys(("level_dbtp", "time_s", "sample_peak_dbfs"), reason),
            )
        highest = max(searches, key=lambda search: search.peak)
        silent = highest.peak == 0.0
        # The curve may swing on for a moment beyond the ends.
        last_s = (self._sections.frames - 1) / self._rate
        return TruePeak(
            level_dbtp=amplitude_db(highest.peak),
            time_s=None if silent else min(max(highest.place / self._rate, 0.0), last_s),
            sample_peak_dbfs=amplitude_db(max(search.sample_peak for search in searches)),
            channels_dbtp=tuple(amplitude_db(search.peak) for search in searches),
            not_measured={"time_s": SILENCE} if silent else {},
        )


ROWS: tuple[Row, ...] = (
    Row("level_dbtp", "true peak", "dBTP", shown=True),
    Row("sample_peak_dbfs", "sample peak", "dBFS"),
)


def measure(recording: Recording) -> TruePeak:
    """Measure the true peak of a recording.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    TruePeak
    """
    meter = TruePeakMeter(recording.samples.shape[1], recording.rate)
    meter.feed(recording.samples)
    return meter.result()
