"""Loudness to ITU-R BS.1770-5 and EBU Tech 3341: how loud a programme sounds, in LUFS.

What it is
    The level of the signal after a filter that imitates the head and the ear's dislike of bass
    (K-weighting), averaged over time. 1 LU is 1 dB: turn the sound up by 3 dB and every number here
    but the range rises by 3. LUFS and LKFS are two names of one unit. 0 LUFS is about the loudest a
    file can be; speech for films is delivered between -27 and -14 LUFS.

    - *Integrated*: of the whole recording, pauses left out by two gates. What targets ask for.
    - *Momentary*: of 400 ms, about a syllable or two. *Short-term*: of 3 s, about a sentence. Their
      maxima show the loudest place, and its time (the middle of that window).
    - *Range*: how far the loud and the soft passages lie apart, in LU.
    - *On two speakers*: a one-channel file is played on both speakers of a stereo set. That is
      3.01 LU more than its own number, and what a listener gets. (A player that pans with constant
      power plays it softer; then the integrated number holds.)

Method
    K-weighting, mean square per channel, sum over the channels with weights 1 (front, back), 1.41
    (surrounds at 60 to 120 degrees) and 0 (low-frequency effects), -0.691 + 10 log10 of it. The
    integrated loudness takes blocks of 400 ms every 100 ms, the first at the first sample, none
    incomplete; those above -70 LUFS; of these the ones above their mean less 10 LU; and the mean
    energy of what is left. The maxima are searched to the sample. The range is the distance from
    the 10th to the 95th percentile of the short-term loudness every 100 ms, gated at -70 LUFS and
    at 20 LU below the mean, with 1.5 s of silence after the end.

Units
    LUFS: loudness relative to full scale. LU: a difference of loudness.

Limits of validity
    Under 0.4 s nothing is measured, under 3 s no short-term loudness. The range is withheld under
    60 s, where a single pause moves it by several LU. Silence has no loudness, and a recording that
    never reaches -70 LUFS no integrated one. K-weighting equals that of 48 kHz within 0.002 dB at
    16 to 192 kHz, within 0.011 dB at 8 kHz. Loudness says nothing about safety of hearing.

Sources
    ITU-R BS.1770-5 (11/2023), Annexes 1 and 3. EBU Tech 3341 and 3342 (V4, 2023). EBU R 128 (V5,
    2023) on the range of programmes shorter than one minute.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import db, levels_db, power_ratio
from vocheck.dsp.kweighting import channel_weights
from vocheck.dsp.weighted_energy import (
    MOMENTARY_STEPS,
    SHORT_TERM_STEPS,
    STEPS_PER_S,
    EnergyMeter,
    KWeightedEnergies,
    Window,
)
from vocheck.recording import Recording, once
from vocheck.results import SILENCE, Group, Row

OFFSET_LU = -0.691  # BS.1770-5, Annex 1, eq. (2): cancels the gain of K-weighting at 997 Hz
ABSOLUTE_GATE_LUFS = -70.0  # Gamma_a, BS.1770-5 Annex 1; Tech 3342 section 3
RELATIVE_GATE_LU = -10.0  # Gamma_r, BS.1770-5 Annex 1
RANGE_GATE_LU = -20.0  # Tech 3342: relative gate of the range
RANGE_PERCENTILES = (10.0, 95.0)  # Tech 3342
RANGE_PADDING_S = 1.5  # Tech 3342: silence that should follow a file
RANGE_MINIMUM_S = 60.0  # EBU R 128: no measure for programmes under one minute
TWO_SPEAKERS_LU = db(2.0)  # twice the power: both speakers play the one channel
GATING_HOP_STEPS = STEPS_PER_S // 10  # 100 ms: BS.1770-5 overlap of 75 %


@dataclass(frozen=True, kw_only=True)
class Loudness(Group):
    """Loudness of a recording.

    Attributes
    ----------
    integrated_lufs : float or None
        Programme loudness, gated.
    momentary_max_lufs, short_term_max_lufs : float or None
        Loudest 400 ms and loudest 3 s.
    momentary_max_s, short_term_max_s : float or None
        Where they are: the middle of the window.
    range_lu : float or None
        Loudness range.
    two_speakers_lufs : float or None
        Integrated loudness as heard from two speakers: 3.01 LU above `integrated_lufs` for a
        one-channel recording, the same for two channels.
    """

    integrated_lufs: float | None
    momentary_max_lufs: float | None
    momentary_max_s: float | None
    short_term_max_lufs: float | None
    short_term_max_s: float | None
    range_lu: float | None
    two_speakers_lufs: float | None


class LoudnessMeter:
    """Measures the loudness of a stream in constant memory.

    Parameters
    ----------
    rate_hz : int
    channels : int
    layout : sequence of str, optional
        Speaker of each channel ("FL", "FR", "FC", "LFE", "BL", "BR", "SL", "SR"); where omitted,
        the usual order of a WAV file with that many channels.

    Examples
    --------
    >>> meter = LoudnessMeter(48000, channels=2)
    >>> for block in blocks:  # (frames, channels)
    ...     meter.feed(block)
    >>> meter.result().integrated_lufs
    """

    def __init__(self, rate_hz: int, channels: int, layout: Sequence[str] | None = None) -> None:
        self._energies = EnergyMeter(rate_hz, channel_weights(channels, layout))
        self._channels = channels

    def feed(self, block: npt.NDArray[np.floating]) -> None:
        """Take in the next frames.

        Parameters
        ----------
        block : ndarray of float, shape (frames, channels) or (frames,) for one channel
            Of any length: the readings do not depend on how a stream is cut.

        Raises
        ------
        AudioError
            If the block has another number of channels, or the stream holds a NaN or an infinity.
        """
        self._energies.feed(block)

    def result(self) -> LoudnessReading:
        """Return the readings of all that was fed; more may be fed afterwards."""
        return LoudnessReading(self._energies.result(), self._channels)


@dataclass(frozen=True, eq=False)
class LoudnessReading:
    """What a loudness meter reads at the end of a stream.

    Parameters
    ----------
    energies : KWeightedEnergies
    channels : int
    """

    energies: KWeightedEnergies
    channels: int

    @property
    def integrated_lufs(self) -> float:
        """Integrated loudness; ``-inf`` where no block passes the gates."""
        return _lufs(_gated_mean(self._momentary_powers(GATING_HOP_STEPS)))

    @property
    def range_lu(self) -> float:
        """Loudness range, however short the stream; 0 where nothing passes the gates."""
        padding = round(RANGE_PADDING_S * STEPS_PER_S)
        return _range(self.energies.windows(SHORT_TERM_STEPS, GATING_HOP_STEPS, padding))

    def momentary_lufs(self, step_s: float = 0.1) -> npt.NDArray[np.float64]:
        """Return the loudness of 400 ms over time, shape (windows,).

        Window ``i`` begins at ``i * step_s`` and ends 0.4 s later; silence is ``-inf``.
        """
        return _lufs_of(self._momentary_powers(round(step_s * STEPS_PER_S)))

    def short_term_lufs(self, step_s: float = 0.1) -> npt.NDArray[np.float64]:
        """Return the loudness of 3 s over time, shape (windows,).

        Window ``i`` begins at ``i * step_s`` and ends 3 s later; silence is ``-inf``.
        """
        return _lufs_of(self.energies.windows(SHORT_TERM_STEPS, round(step_s * STEPS_PER_S)))

    def summary(self, *, range_of_short: bool = False) -> Loudness:
        """Return the readings as a group of results, with the reason for each that is missing.

        Parameters
        ----------
        range_of_short : bool
            Whether to give the loudness range of less than 60 s too.
        """
        missing: dict[str, str] = {}
        energies = self.energies
        momentary, momentary_s = _loudest(energies.loudest_momentary, MOMENTARY_STEPS)
        short_term, short_term_s = _loudest(energies.loudest_short_term, SHORT_TERM_STEPS)
        integrated: float | None = self.integrated_lufs
        if momentary is None:
            reason = "shorter than 0.4 s"
            missing |= dict.fromkeys(("momentary_max_lufs", "momentary_max_s"), reason)
            integrated = None
            missing["integrated_lufs"] = reason
        elif momentary_s is None:
            missing["momentary_max_s"] = SILENCE
        elif integrated == -math.inf:
            integrated = None
            missing["integrated_lufs"] = "no 400 ms of it are louder than -70 LUFS"
        if short_term is None:
            reason = "shorter than 3 s"
            missing |= dict.fromkeys(("short_term_max_lufs", "short_term_max_s"), reason)
        elif short_term_s is None:
            missing["short_term_max_s"] = SILENCE
        two_speakers = integrated
        if integrated is None:
            missing["two_speakers_lufs"] = missing["integrated_lufs"]
        elif self.channels == 1:
            two_speakers = integrated + TWO_SPEAKERS_LU
        elif self.channels > 2:
            two_speakers = None
            missing["two_speakers_lufs"] = "more than two channels"
        loudness_range: float | None = self.range_lu
        duration_s = len(energies.mean_square) / STEPS_PER_S
        if integrated is None or integrated == -math.inf:
            loudness_range = None
            missing["range_lu"] = missing.get("integrated_lufs", SILENCE)
        elif short_term is None:
            loudness_range = None
            missing["range_lu"] = missing["short_term_max_lufs"]
        elif duration_s < RANGE_MINIMUM_S and not range_of_short:
            loudness_range = None
            missing["range_lu"] = "shorter than 60 s, where a single pause decides it"
        return Loudness(
            integrated_lufs=integrated,
            momentary_max_lufs=momentary,
            momentary_max_s=momentary_s,
            short_term_max_lufs=short_term,
            short_term_max_s=short_term_s,
            range_lu=loudness_range,
            two_speakers_lufs=two_speakers,
            not_measured=missing,
        )

    def _momentary_powers(self, hop: int) -> npt.NDArray[np.float64]:
        return self.energies.windows(MOMENTARY_STEPS, hop)


ROWS: tuple[Row, ...] = (
    Row(
        "integrated_lufs",
        "loudness",
        "LUFS",
        shown=True,
        beside="{two_speakers_lufs:.1f} on two speakers",
    ),
    Row("momentary_max_lufs", "loudest 400 ms", "LUFS"),
    Row("short_term_max_lufs", "loudest 3 s", "LUFS"),
    Row("range_lu", "loudness range", "LU"),
)


def measure(recording: Recording) -> Loudness:
    """Measure the loudness of a recording.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    Loudness
    """
    return LoudnessReading(energies_of(recording), recording.samples.shape[1]).summary()


@once
def energies_of(recording: Recording) -> KWeightedEnergies:
    """Return the K-weighted energy of all channels together in steps of 10 ms (ITU-R BS.1770)."""
    weights = channel_weights(recording.samples.shape[1], recording.source.layout)
    meter = EnergyMeter(recording.rate, weights)
    meter.feed(recording.samples)
    return meter.result()


def _lufs(mean_square: float) -> float:
    return OFFSET_LU + db(mean_square)


def _lufs_of(mean_square: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return OFFSET_LU + levels_db(mean_square)


def _mean_square(lufs: float) -> float:
    return math.pow(10.0, (lufs - OFFSET_LU) / 10.0)


def _gated_mean(blocks: npt.NDArray[np.float64]) -> float:
    """Return the mean of the blocks that pass both gates; 0 if none does.

    BS.1770-5, Annex 1, eq. (5) to (7). Both gates are strict, and the mean is one of energy.
    """
    blocks = blocks[blocks > _mean_square(ABSOLUTE_GATE_LUFS)]
    if not len(blocks):
        return 0.0
    return float(blocks[blocks > blocks.mean() * power_ratio(RELATIVE_GATE_LU)].mean())


def _range(blocks: npt.NDArray[np.float64]) -> float:
    """Return the loudness range of short-term blocks (Tech 3342, section 3 and its listing)."""
    blocks = blocks[blocks >= _mean_square(ABSOLUTE_GATE_LUFS)]
    if not len(blocks):
        return 0.0
    blocks = np.sort(blocks[blocks >= blocks.mean() * power_ratio(RANGE_GATE_LU)])
    # The listing's round((n - 1) * p / 100 + 1) counts from 1, and rounds halves up.
    low, high = (blocks[int((len(blocks) - 1) * p / 100.0 + 0.5)] for p in RANGE_PERCENTILES)
    return db(float(high / low))


def _loudest(window: Window | None, steps: int) -> tuple[float | None, float | None]:
    """Return the loudness of a window and the time of its middle."""
    if window is None:
        return None, None
    if window.mean_square == 0.0:
        return -math.inf, None
    return _lufs(window.mean_square), window.start_s + steps / STEPS_PER_S / 2.0
