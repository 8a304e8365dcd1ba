"""Decay of sound in a room from an impulse response, to ISO 3382-1 and ISO 3382-2.

Method: the squared response is integrated backwards (Schroeder 1965). Background noise would bend
that curve, so the response is cut where its decay meets the noise (Lundeby et al., Acustica 81,
1995), the mean noise power is subtracted from what is left (Chu, JASA 63, 1978), and the energy
that an ideal decay would still hold after the cut is added. Reverberation times are straight lines
fitted to the curve: EDT over 0 to -10 dB, T20 over -5 to -25 dB, T30 over -5 to -35 dB, each
stated as the time for 60 dB.

Validity: ISO 3382-1 asks that the lower end of an evaluation range lies 10 dB above the noise: a
range of 35 dB for T20 and 45 dB for T30. With the noise subtracted, 3 dB suffice (the accuracy
table shows the bias), so a number is given from 28 dB (T20) and 38 dB (T30) on. Narrow bands and
short decays, whose range is itself uncertain, must show up to 4 dB more. A band filter rings by
itself: the product of bandwidth and reverberation time must reach 16, or 4 if the filter runs
backwards in time (ISO 3382-2, clause 7.3; the relaxed bound after Jacobsen and Rindel, J. Sound
Vib. 115, 1987).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_ratio, db, levels_db, power_ratio
from vocheck.dsp.frames import blocked
from vocheck.dsp.octaves import Band, band_filter, filter_delay_s

Signal = npt.NDArray[np.float64]

# ISO 3382-1:2009
ONSET_DB = 20.0  # A.3.4: the response starts where it first comes this close to its maximum
EDT_RANGE_DB = (0.0, -10.0)
T20_RANGE_DB = (-5.0, -25.0)
T30_RANGE_DB = (-5.0, -35.0)
ISO_MARGIN_DB = 10.0  # between the lower end of a range and the noise
EARLY_S = 0.05  # t_e of C50 and D50
# ISO 3382-2:2008
BT_FORWARD = 16.0  # 7.3
BT_REVERSED = 4.0
CURVATURE_PERCENT = 10.0  # annex B.3: T30 / T20 - 1 beyond this: not one straight decay

MARGIN_DB = 3.0  # what is asked instead of 10 dB, with the noise subtracted
DIRECT_S = 0.0025  # the direct sound of a near microphone, after its peak
_DIRECT_DROP_DB = 5.0  # above this drop the direct sound reaches into the T20 range

# Lundeby et al. 1995, with the choices they leave open
_FIRST_BLOCK_S = 0.015
_BLOCKS_PER_10_DB = 6
_MIN_BLOCK = 4
_FIRST_MARGIN_DB = 8.0  # the first line ends this far above the noise
_LATE_RANGE_DB = (6.0, 26.0)  # of the later lines, above the noise
_NOISE_AFTER_DB = 7.0  # the noise is taken this much decay after the knee
_TAIL_SHARE = 0.1  # the noise is taken from no less than this share of the record
_ITERATIONS = 8
_TAIL_FACTOR = 2.0  # the tail as measured is trusted within this factor of the ideal one
_LEAST_RANGE_DB = 10.0  # of the first look: below this there is no decay to see


@dataclass(frozen=True)
class Knee:
    """Where a decay meets the noise.

    Attributes
    ----------
    index : int
        First sample that belongs to the noise.
    slope_db_per_s : float
        Of the late decay, negative.
    noise_power : float
        Mean-square of the noise; 0 where the record ends before the decay does.
    """

    index: int
    slope_db_per_s: float
    noise_power: float


@dataclass(frozen=True)
class Line:
    """A straight line fitted to a decay curve.

    Attributes
    ----------
    time_s : float
        Time for a decay of 60 dB along the line.
    nonlinearity_permille : float
        1000 (1 - r^2), the xi of ISO 3382-2 annex B.2: below 5 for a straight decay, above 10 is
        suspicious.
    """

    time_s: float
    nonlinearity_permille: float


@dataclass(frozen=True, eq=False)
class DecayCurve:
    """A backward-integrated energy decay.

    Attributes
    ----------
    energy : ndarray, shape (frames,)
        Energy still to come at each sample after the onset, noise subtracted; cut at the knee or
        where noise has used it up.
    rate_hz : int
    knee : Knee
    tail : float
        Energy that an ideal decay holds after the knee; already part of `energy`.
    """

    energy: Signal
    rate_hz: int
    knee: Knee
    tail: float

    @cached_property
    def levels_db(self) -> Signal:
        """The curve in decibels below its start, shape (frames,)."""
        levels: Signal = levels_db(self.energy / self.energy[0])
        return levels

    @property
    def range_db(self) -> float:
        """How far the energy falls before it meets the noise (or the record ends).

        At the knee an ideal decay is as strong as the noise and holds `_tail_at_knee`; that is
        steadier than the end of the curve itself, where little is left after the subtraction.
        """
        ideal = _tail_at_knee(self.knee, self.rate_hz)
        if ideal == 0.0:
            return float(-self.levels_db[-1])
        return min(_db(float(self.energy[0])) - _db(ideal), float(-self.levels_db[-1]))

    def line(self, upper_db: float, lower_db: float, start: int = 0) -> Line | None:
        """Fit a line between two levels, from sample `start` on.

        Returns
        -------
        Line or None
            ``None`` where the curve does not hold the levels.
        """
        levels = self.levels_db
        if levels[-1] > lower_db:
            return None
        first = max(start, int(np.argmax(levels <= upper_db)))
        last = int(np.argmax(levels <= lower_db)) + 1
        if last - first < 3:
            return None
        y = levels[first:last]
        t = np.arange(last - first) / self.rate_hz
        t -= t.mean()
        slope = float(t @ y / (t @ t))
        if slope >= 0.0:
            return None
        spread = y - y.mean()
        residual = spread - slope * t
        return Line(-60.0 / slope, float(1000.0 * (residual @ residual) / (spread @ spread)))


@dataclass(frozen=True, kw_only=True)
class Decay:
    """What one band of one response says about the room.

    Attributes
    ----------
    curve : DecayCurve or None
        ``None`` where no decay stands out of the noise.
    edt_s, t20_s, t30_s : float or None
    c50_db, d50, ts_s : float or None
        Clarity (early 50 ms against the rest), definition (early share) and centre time, the
        direct sound included.
    range_db : float or None
        How far the decay can be followed.
    nonlinearity_permille : float or None
        Of T30 where there is one, else of T20.
    curvature_percent : float or None
        100 (T30 / T20 - 1).
    reversed_filter : bool
        The band filter ran backwards, because the decay is as short as its ringing.
    direct_removed : bool
        The microphone stood so near that the direct sound reached into the range of T20: T20 and
        T30 are those of the decay after it.
    reasons : dict of str to str
        Why a number is missing, by field name.
    """

    curve: DecayCurve | None = None
    edt_s: float | None = None
    t20_s: float | None = None
    t30_s: float | None = None
    c50_db: float | None = None
    d50: float | None = None
    ts_s: float | None = None
    range_db: float | None = None
    nonlinearity_permille: float | None = None
    curvature_percent: float | None = None
    reversed_filter: bool = False
    direct_removed: bool = False
    reasons: dict[str, str] = field(default_factory=dict)


def find_onset(h: Signal) -> int:
    """Return the first sample within 20 dB of the maximum (ISO 3382-1, A.3.4)."""
    magnitude = np.abs(h)
    return int(np.argmax(magnitude >= magnitude.max() * amplitude_ratio(-ONSET_DB)))


def find_knee(power: Signal, rate_hz: int) -> Knee | None:
    """Find where the decay in a squared response meets the noise, by Lundeby's iteration.

    Parameters
    ----------
    power : ndarray, shape (frames,)
        Squared response from its onset on.
    rate_hz : int

    Returns
    -------
    Knee or None
        ``None`` where no decay stands out of the noise.
    """
    count = len(power)
    tail = int((1.0 - _TAIL_SHARE) * count)
    if count < 16 * _MIN_BLOCK or not power.any():
        return None
    noise = float(power[tail:].mean())
    line = _first_line(power, rate_hz, noise)
    if line is None:
        return None
    slope, level = line  # decibels per sample, level at the onset
    noise_db = _db(noise)
    knee = (noise_db - level) / slope
    for _ in range(_ITERATIONS):
        after = min(int(knee - _NOISE_AFTER_DB / slope), tail)
        noise = float(power[max(after, 0) :].mean())
        noise_db = _db(noise)
        better = _late_line(power, slope, level, noise)
        if better is None:
            break
        slope, level = better
        before, knee = knee, (noise_db - level) / slope
        if abs(knee - before) < 0.001 * rate_hz:
            break
    if knee < _MIN_BLOCK:
        return None
    if knee >= tail:
        # The record ends before its decay does: what was taken for noise is decay. Stay clear of
        # whatever noise may hide in the last tenth, and subtract none.
        end = int(np.clip((noise_db + _LATE_RANGE_DB[0] - level) / slope, 1, count))
        return Knee(end, slope * rate_hz, 0.0)
    return Knee(int(knee), slope * rate_hz, noise)


def _first_line(power: Signal, rate_hz: int, noise: float) -> tuple[float, float] | None:
    """Fit a line from the peak to a little above the noise, with blocks as short as it takes."""
    block = max(_MIN_BLOCK, min(round(_FIRST_BLOCK_S * rate_hz), len(power) // 20))
    while True:
        times, levels = _blocks(power, block)
        top = int(np.argmax(levels))
        if levels[top] - _db(noise) < _LEAST_RANGE_DB and block == _MIN_BLOCK:
            return None
        below = np.flatnonzero(levels[top:] < _db(noise) + _FIRST_MARGIN_DB)
        end = top + (int(below[0]) if len(below) else len(levels) - top)
        if end - top >= 3:
            slope, level = np.polyfit(times[top:end], levels[top:end], 1)
            if slope < 0.0:
                return float(slope), float(level)
        if block == _MIN_BLOCK:
            return None
        block = max(_MIN_BLOCK, block // 4)


def _late_line(
    power: Signal, slope: float, level: float, noise: float
) -> tuple[float, float] | None:
    """Fit the line anew where the old one says the late decay lies, the noise subtracted."""
    lowest, highest = (_db(noise) + margin for margin in _LATE_RANGE_DB)
    highest = min(highest, level)
    if highest - lowest < 5.0:
        return None
    first, last = (max(0, int((bound - level) / slope)) for bound in (highest, lowest))
    last = min(last, len(power))
    block = max(_MIN_BLOCK, int(-10.0 / slope / _BLOCKS_PER_10_DB))
    if last - first < 3 * block:
        return None
    means = _means(power[first:last], block) - noise
    times = first + (np.arange(len(means)) + 0.5) * block
    used = means > 0.0
    if used.sum() < 3:
        return None
    new_slope, new_level = np.polyfit(times[used], levels_db(means[used]), 1)
    return (float(new_slope), float(new_level)) if new_slope < 0.0 else None


def _means(power: Signal, block: int) -> Signal:
    means: Signal = blocked(power, block).mean(axis=1)
    return means


def _blocks(power: Signal, block: int) -> tuple[Signal, Signal]:
    means = _means(power, block)
    levels: Signal = levels_db(means, 1e-30)
    return np.asarray((np.arange(len(means)) + 0.5) * block, np.float64), levels


def _db(power: float) -> float:
    return db(max(power, 1e-30))


def integrate(power: Signal, rate_hz: int, knee: Knee) -> DecayCurve | None:
    """Integrate a squared response backwards from its knee.

    The energy after the knee follows from the energy over the last 10 dB (or half the decay, if
    that is shorter) before it: for an exponential the two stand in a fixed ratio. Unlike the level
    of a line fitted in decibels, energies are not biased by the fluctuation of the decay.

    Returns
    -------
    DecayCurve or None
        ``None`` where the noise leaves nothing.
    """
    clean = power[: knee.index] - knee.noise_power
    per_sample = -knee.slope_db_per_s / rate_hz
    span_db = min(10.0, per_sample * knee.index / 2.0)
    span = max(1, round(span_db / per_sample))
    tail = max(0.0, float(clean[-span:].sum())) / (power_ratio(span * per_sample) - 1.0)
    ideal = _tail_at_knee(knee, rate_hz)
    if ideal > 0.0:
        tail = min(max(tail, ideal / _TAIL_FACTOR), ideal * _TAIL_FACTOR)
    energy = np.cumsum(clean[::-1])[::-1] + tail
    spent = np.flatnonzero(energy <= 0.0)
    if len(spent):
        energy = energy[: spent[0]]
    if len(energy) < 2:
        return None
    return DecayCurve(energy, rate_hz, knee, tail)


def _tail_at_knee(knee: Knee, rate_hz: int) -> float:
    """Return the energy of an exponential decay from where it equals the noise on."""
    return knee.noise_power * 10.0 / math.log(10.0) / -knee.slope_db_per_s * rate_hz


def curve_of(power: Signal, rate_hz: int) -> DecayCurve | None:
    """Return the decay curve of a squared response that starts at its onset."""
    knee = find_knee(power, rate_hz)
    return None if knee is None else integrate(power, rate_hz, knee)


def analyse_decay(
    h: Signal, rate_hz: int, band: Band | None = None, *, keep_direct: bool = False
) -> Decay:
    """Return the decay of one impulse response in one band.

    Parameters
    ----------
    h : ndarray, shape (frames,)
        One response with some noise before its onset and after its end, free of DC.
    rate_hz : int
    band : Band, optional
        The whole spectrum where omitted.
    keep_direct : bool
        Leave the direct sound in T20 and T30 even where it reaches into their range, as ISO 3382
        does (which forbids standing that near).
    """
    if len(h) == 0 or not h.any():
        return Decay(reasons=_all("there is nothing but digital silence"))
    onset = find_onset(h)
    forward = _Filtered(h, rate_hz, onset, band)
    curve = curve_of(forward.power, rate_hz)
    if curve is None:
        return Decay(reasons=_all("no decay stands out of the noise in this band"))
    direct = not keep_direct and _is_near(forward, h, rate_hz, onset)
    late = curve_of(forward.power_after_direct, rate_hz) if direct else curve
    t20, t30, reasons = _times(late, forward.width_hz)
    reversed_filter = False
    if band is not None and late is not None:
        if _bt(late, band) < BT_FORWARD:
            reversed_filter = True
            backward = _Filtered(h, rate_hz, onset, band, reverse=True)
            late = curve_of(backward.power_after_direct if direct else backward.power, rate_hz)
            t20, t30, reasons = _times(late, forward.width_hz)
            if late is None or _bt(late, band) < BT_REVERSED:
                t20 = t30 = None
                reason = "the decay is as short as the ringing of the band filter itself"
                reasons = dict.fromkeys(("t20_s", "t30_s"), reason)
    edt = _early(forward, curve, reasons)
    c50, d50 = _clarity(forward, curve, reasons)
    best = t30 or t20
    return Decay(
        curve=late,
        edt_s=edt,
        t20_s=t20.time_s if t20 else None,
        t30_s=t30.time_s if t30 else None,
        c50_db=c50,
        d50=d50,
        ts_s=_centre_time(forward, curve, reasons),
        range_db=late.range_db if late else None,
        nonlinearity_permille=best.nonlinearity_permille if best else None,
        curvature_percent=100.0 * (t30.time_s / t20.time_s - 1.0) if t20 and t30 else None,
        reversed_filter=reversed_filter,
        direct_removed=direct,
        reasons=reasons,
    )


def _is_near(filtered: _Filtered, h: Signal, rate_hz: int, onset: int) -> bool:
    """Return whether the direct sound reaches into the range of T20.

    Asked in the band itself where 2.5 ms hold a value of their own, in the whole spectrum else.
    """
    if filtered.width_hz * DIRECT_S < 1.0:
        filtered = _Filtered(h, rate_hz, onset, None)
    return filtered.direct_drop_db > _DIRECT_DROP_DB


def _bt(curve: DecayCurve, band: Band) -> float:
    """Return bandwidth times reverberation time (ISO 3382-2, 7.3), from as much as is seen."""
    lower = max(T30_RANGE_DB[1], -curve.range_db)
    line = curve.line(T30_RANGE_DB[0], lower) or curve.line(0.0, lower)
    return math.inf if line is None else band.width_hz * line.time_s


# The fields of a decay that are numbers.
_NUMBERS = ("edt_s", "t20_s", "t30_s", "c50_db", "d50", "ts_s")


def _all(reason: str) -> dict[str, str]:
    return dict.fromkeys(_NUMBERS, reason)


class _Filtered:
    """One response through one band filter: whole, its first 50 ms, and without its direct sound.

    Windows are cut before the filter, so that what the filter delays still counts for the window
    it came from (ISO 3382-1, A.3.4 with the filter's delay).
    """

    def __init__(
        self, h: Signal, rate_hz: int, onset: int, band: Band | None, *, reverse: bool = False
    ) -> None:
        self._h, self._rate, self._onset = h, rate_hz, onset
        self._band, self._reverse = band, reverse
        self._whole = self._filter(h)

    def _filter(self, h: Signal) -> Signal:
        if self._band is None:
            return h
        return band_filter(h, self._rate, self._band, reverse=self._reverse)

    def _window(self, end: int) -> Signal:
        """Filter what lies between the onset and `end`, and nothing else."""
        part = np.zeros_like(self._h)
        part[self._onset : end] = self._h[self._onset : end]
        return self._filter(part)

    @cached_property
    def power(self) -> Signal:
        squared: Signal = self._whole[self._onset :] ** 2
        return squared

    @cached_property
    def _direct(self) -> Signal:
        after = self._h[self._onset : self._onset + round(0.01 * self._rate)]
        peak = self._onset + int(np.argmax(np.abs(after)))
        return self._window(peak + round(DIRECT_S * self._rate))

    @cached_property
    def power_after_direct(self) -> Signal:
        squared: Signal = (self._whole - self._direct)[self._onset :] ** 2
        return squared

    @cached_property
    def direct_drop_db(self) -> float:
        """How far the energy still to come falls when the direct sound has passed."""
        return _db(float(self.power.sum())) - _db(float(self.power_after_direct.sum()))

    @cached_property
    def early_and_late(self) -> tuple[Signal, Signal]:
        """Squared first 50 ms, and the squared rest, both from the onset."""
        early = self._window(self._onset + round(EARLY_S * self._rate))
        late = self._whole - early
        return early[self._onset :] ** 2, late[self._onset :] ** 2

    @property
    def width_hz(self) -> float:
        """Bandwidth; half the sample rate where there is no filter."""
        return self._rate / 2.0 if self._band is None else self._band.width_hz

    @property
    def delay_s(self) -> float:
        """How late the filter lets sound through."""
        return 0.0 if self._band is None else filter_delay_s(self._band, self._rate)


def _times(
    curve: DecayCurve | None, width_hz: float
) -> tuple[Line | None, Line | None, dict[str, str]]:
    """Return T20 and T30, each only where the range carries it."""
    reasons: dict[str, str] = {}
    lines: list[Line | None] = []
    reached = _sure_range_db(curve, width_hz) if curve else 0.0
    for name, (upper, lower) in (("t20_s", T20_RANGE_DB), ("t30_s", T30_RANGE_DB)):
        needed = MARGIN_DB - lower
        line = curve.line(upper, lower) if curve and reached >= needed else None
        if line is None:
            reasons[name] = _too_short(reached, needed)
        lines.append(line)
    return lines[0], lines[1], reasons


def _sure_range_db(curve: DecayCurve, width_hz: float) -> float:
    """Return the range less its standard deviation.

    The level at the knee comes from the last 10 dB before it, which hold B T / 6 independent
    values in a band of width B; the mean of n such powers scatters by 1 / sqrt(n).
    """
    independent = max(1.0, width_hz * -10.0 / curve.knee.slope_db_per_s)
    return curve.range_db - 10.0 / math.log(10.0) / math.sqrt(independent)


def _too_short(reached_db: float, needed_db: float) -> str:
    # Down and up: "28 dB are seen, 28 are needed" explains nothing.
    reached, needed = math.floor(reached_db), math.ceil(needed_db)
    return f"the decay is seen over {reached} dB, {needed} dB are needed"


def _early(filtered: _Filtered, curve: DecayCurve, reasons: dict[str, str]) -> float | None:
    """Return the early decay time, its line begun where the filter lets the sound through."""
    start = round(filtered.delay_s * curve.rate_hz)
    needed = MARGIN_DB - EDT_RANGE_DB[1]
    line = curve.line(*EDT_RANGE_DB, start) if curve.range_db >= needed else None
    if line is None:
        reasons["edt_s"] = _too_short(curve.range_db, needed)
    elif filtered.width_hz * line.time_s < BT_FORWARD:
        reasons["edt_s"] = "the early decay is as short as the ringing of the band filter itself"
    else:
        return line.time_s
    return None


def _clarity(
    filtered: _Filtered, curve: DecayCurve, reasons: dict[str, str]
) -> tuple[float | None, float | None]:
    """Return C50 and D50 (ISO 3382-1, A.2.3)."""
    boundary = round(EARLY_S * curve.rate_hz)
    end = curve.knee.index
    # The decay must still stand 3 dB above the noise where the late energy begins.
    if end <= boundary - MARGIN_DB / curve.knee.slope_db_per_s * curve.rate_hz:
        reason = "the decay meets the noise within the first 50 ms"
        reasons["c50_db"] = reasons["d50"] = reason
        return None, None
    noise = curve.knee.noise_power
    early_power, late_power = filtered.early_and_late
    early = float(early_power[:end].sum()) - noise * boundary
    late = float(late_power[:end].sum()) - noise * (end - boundary) + curve.tail
    if early <= 0.0 or late <= 0.0:
        reason = "the sound after 50 ms does not stand out of the noise"
        reasons["c50_db"] = reasons["d50"] = reason
        return None, None
    return db(early / late), early / (early + late)


def _centre_time(filtered: _Filtered, curve: DecayCurve, reasons: dict[str, str]) -> float | None:
    """Return the centre time (ISO 3382-1, A.2.4), the delay of the band filter taken off."""
    if curve.range_db < MARGIN_DB - EDT_RANGE_DB[1]:
        reasons["ts_s"] = f"the decay is seen over {curve.range_db:.0f} dB only"
        return None
    count = len(curve.energy)
    clean = filtered.power[:count] - curve.knee.noise_power
    decay_s = -10.0 / math.log(10.0) / curve.knee.slope_db_per_s
    moment = float(np.arange(count) @ clean) / curve.rate_hz
    moment += curve.tail * (count / curve.rate_hz + decay_s)
    return moment / float(curve.energy[0]) - filtered.delay_s
