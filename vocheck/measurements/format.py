"""Format: what the file really holds, whatever its header says.

Word length
    ``used_bits`` is the length of the PCM word whose step the samples use. A 16-bit recording
    saved in a 24-bit file moves in steps of 2**-15 of full scale: it reads 16, and
    ``unused_bits`` is 8. The lowest bit set in any sample tells it exactly (bitwise OR of all
    samples). Where a gain was applied afterwards, the small sample values still lie on a lattice;
    its step is found from them, and ``used_bits`` is the nearest whole ``1 - log2(step)``: a
    16-bit recording turned down by 20 dB reads 19, because its step is now that of a 19-bit word.
    A gain applied with dither leaves no lattice, and nothing to report: that is what dither is
    for.
Channels
    ``dual_mono``: every live channel is a copy of the loudest one, whatever its gain: what is left
    after the best gain is 30 dB or more below it. ``inverted``: a channel is the loudest one upside
    down (correlation below -0.6 at the lag where the two match best), so a mono sum cancels.
    ``dead_channels``: the channels 40 dB or more below the loudest, counted from 1 as on a mixer; a
    low-frequency effects channel is not counted. ``channel_delay_s``: how much later than the
    loudest channel the most delayed one arrives (negative: earlier), by generalised
    cross-correlation weighted for maximum likelihood. ``channel_spread_s`` is the time between the
    earliest and the latest of all.
    ``separate``: the channels are not copies of one sound at one level (two microphones, a track
    and its safety). The take is then judged by ``used_channel`` alone: the loudest that is not cut
    flat.
Unfinished file
    ``missing_s`` is what the header promised beyond what the file holds: a recorder that lost
    power, a copy that was cut off.
Damage
    ``damaged`` counts the stretches that the decoder could not read or whose check sum was wrong;
    ``damage`` tells where the first of them are. FLAC, AC-3 and E-AC-3 carry check sums. Other
    lossy codecs show only what breaks their grammar, and linear PCM shows nothing: bytes that
    changed are other samples, which are heard as clicks.

`rate_hz` is that of the file; of the true one behind a resampled file tells `tone`: its bandwidth.

Sources
-------
Knapp and Carter, "The generalized correlation method for estimation of time delay", IEEE
Transactions on Acoustics, Speech, and Signal Processing 24(4), 1976, for the delay (the weights of
maximum likelihood). The limits of -30 dB, -0.6 and 40 dB are our choice.

Limits of validity
------------------
Delays up to 20 ms are searched, between 100 Hz and 8 kHz, and resolved to a sample. Two microphones
that hear different rooms do not match: there the delay is not measured. Word length is not measured
for lossy codecs, and not on fewer than 16 different sample values.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.recording import Recording, Samples
from vocheck.results import SILENCE, Group, Result, Row

_COPY_RESIDUAL = 1e-3  # -30 dB: of the energy, what a gain-matched copy may leave
_INVERTED = -0.6  # our choice (see above)
_DEAD = 1e-4  # -40 dB re the loudest channel
_MATCHED = 0.3  # correlation below which two channels do not carry the same sound

_DELAY_S = 0.02  # 7 m of path: farther microphones hear another room
_DELAY_BAND_HZ = (100.0, 8000.0)  # the voice, without rumble
_DELAY_BLOCKS = 48  # how many blocks, the loudest ones, the delay rests on
_COHERENCE = 0.99  # blocks cut at the same time never show more of two delayed channels

_WORD = 24  # bits that float32 samples carry exactly
_LONG_WORD = 32  # the same for float64 samples
_LATTICE_SAMPLES = 1 << 16  # how many samples the lattice is looked for in
_LATTICE_VALUES = 16  # fewer different values than this show nothing
_LATTICE_LEVELS = 2000  # how many steps either side of zero the lattice must hold for


@dataclass(frozen=True, kw_only=True)
class Damage(Result):
    """A stretch that could not be decoded.

    Attributes
    ----------
    time_s : float
    """

    time_s: float


@dataclass(frozen=True, kw_only=True)
class Format(Group):
    """What the file really holds.

    Attributes
    ----------
    rate_hz : int
        Samples per second: half of it is the highest frequency that the file can hold.
    used_bits : int or None
        Length of the PCM word whose step the samples use.
    unused_bits : int or None
        Bits per sample of the file beyond `used_bits`; ``None`` where the file is not linear PCM.
    dual_mono : bool
        Whether all live channels, two or more, are copies of one.
    inverted : bool
        Whether a live channel is another one upside down.
    dead_channels : tuple of int, or None
        Numbers, from 1, of the channels that carry nothing; ``None`` for silence.
    channel_delay_s : float or None
        Delay against the loudest channel of the one furthest from it in time.
    channel_spread_s : float or None
        Time between the earliest and the latest channel.
    separate : bool
        Whether the channels are different recordings of the take, so that one of them is judged.
    used_channel : int
        Number, from 1, of the channel that carries the voice best.
    missing_s : float
        What the header promised beyond what the file holds.
    damaged : int
        How many stretches could not be decoded, or failed their check sum.
    damage : tuple of Damage
        The first 20 of them.
    """

    rate_hz: int
    used_bits: int | None
    unused_bits: int | None
    dual_mono: bool
    inverted: bool
    dead_channels: tuple[int, ...] | None
    channel_delay_s: float | None
    channel_spread_s: float | None
    separate: bool
    used_channel: int
    missing_s: float
    damaged: int
    damage: tuple[Damage, ...]


ROWS: tuple[Row, ...] = (
    Row("used_bits", "bits in use", "bit", digits=0),
    Row("channel_delay_s", "delay between channels", "s", digits=5),
    Row("missing_s", "missing at the end", "s", digits=2),
)


def measure(recording: Recording) -> Format:
    """Measure word length, relations between channels, and completeness."""
    samples, source = recording.samples, recording.source
    reasons: dict[str, str] = {}

    used = used_bits(samples)
    unused = None
    if used is None:
        reasons["used_bits"] = SILENCE if not samples.any() else "the samples share no step"
    if source.bits is None:
        reasons["unused_bits"] = "the source is not linear PCM"
    elif used is None:
        reasons["unused_bits"] = reasons["used_bits"]
    else:
        unused = max(0, source.bits - used)

    energy = np.array([float(np.vdot(channel, channel)) for channel in samples.T])
    loudest = int(np.argmax(energy)) if len(energy) else 0
    is_effects = np.array([name == "LFE" for name in source.layout or ("",) * len(energy)], bool)
    live = np.zeros(0, np.intp)
    dead: tuple[int, ...] | None = None
    if energy.any():
        is_dead = (energy <= _DEAD * energy[loudest]) & ~is_effects[: len(energy)]
        dead = tuple((np.flatnonzero(is_dead) + 1).tolist())
        live = np.flatnonzero(~is_dead & ~is_effects[: len(energy)] & (energy > 0))
        live = live[live != loudest]
    else:
        reasons["dead_channels"] = SILENCE

    relations = [_relation(samples[:, loudest], samples[:, k], recording.rate) for k in live]
    delays = [r.delay_s for r in relations if r.delay_s is not None]
    if not relations:
        reasons["channel_delay_s"] = "fewer than two channels carry sound"
    elif not delays:
        reasons["channel_delay_s"] = "the channels do not carry the same sound"
    if not delays:
        reasons["channel_spread_s"] = reasons["channel_delay_s"]
    return Format(
        rate_hz=recording.rate,
        used_bits=used,
        unused_bits=unused,
        dual_mono=bool(relations) and all(r.is_copy for r in relations),
        inverted=any(r.is_inverted for r in relations),
        dead_channels=dead,
        channel_delay_s=max(delays, key=abs) if delays else None,
        channel_spread_s=max(*delays, 0.0) - min(*delays, 0.0) if delays else None,
        separate=recording.judged is not recording,
        used_channel=recording.channel + 1,
        missing_s=float(source.missing_s),
        damaged=source.damaged,
        damage=tuple(Damage(time_s=time_s) for time_s in source.damaged_s),
        not_measured=reasons,
    )


def used_bits(samples: Samples) -> int | None:
    """Return the length of the PCM word whose step `samples` use, or ``None`` if they share none.

    Parameters
    ----------
    samples : ndarray of float, shape (frames, channels)
        Full scale is 1.0.
    """
    flat = samples.reshape(-1)
    few = flat[:: max(1, len(flat) // _LATTICE_SAMPLES)]
    word = _LONG_WORD if samples.dtype == np.float64 else _WORD
    scale = 2.0 ** (word - 1)
    grid = few.astype(np.float64) * scale
    if not (grid == np.rint(grid)).all():
        return _lattice_bits(few)
    combined = 0
    for start in range(0, len(flat), 1 << 18):  # small blocks stay in the cache
        scaled = flat[start : start + (1 << 18)] * samples.dtype.type(scale)
        integers = scaled.astype(np.int64 if word == _LONG_WORD else np.int32)
        if not (integers == scaled).all():
            return _lattice_bits(few)
        combined |= int(np.bitwise_or.reduce(integers, initial=0))
    if combined == 0:
        return None
    trailing = (combined & -combined).bit_length() - 1
    exact = max(1, word - trailing)
    if exact < word:
        return exact
    return _lattice_bits(few) or exact


def _lattice_bits(few: npt.NDArray[np.floating]) -> int | None:
    """Return the word length of the lattice that the small values of `few` lie on, if they do."""
    values = np.unique(np.abs(few).astype(np.float64))
    values = values[values > 0]
    if len(values) < _LATTICE_VALUES:
        return None
    # After a gain each value is off its place by half a step of the outer word, or by the rounding
    # of float32, whichever is the larger; two such values are the same place on the lattice.
    rounding = 2.0**-_WORD if few.dtype == np.float32 else 2.0**-_LONG_WORD
    slack = 2.0 * rounding + values * 2.0**-22
    gaps = np.diff(values)
    gaps = gaps[gaps > slack[1:]]
    step = float(gaps.min(initial=values[-1]))
    if step < 8.0 * rounding:
        return None  # too fine to be told from the outer word
    # The step is known to a rounding; counting further and further out sharpens it.
    for reach in (8, 32, 128, 512, _LATTICE_LEVELS):
        inside = values[values < step * reach]
        count = np.rint(inside / step)
        used = count > 0
        if used.sum() < 2:
            continue
        step = float(np.dot(inside[used], count[used]) / np.dot(count[used], count[used]))
    inside = values < step * _LATTICE_LEVELS
    off = np.abs(values - np.rint(values / step) * step)
    if inside.sum() < _LATTICE_VALUES or (off > slack)[inside].any():
        return None
    return max(1, round(1.0 - math.log2(step)))


@dataclass(frozen=True)
class _Relation:
    is_copy: bool
    is_inverted: bool
    delay_s: float | None


def _relation(a: npt.NDArray[np.floating], b: npt.NDArray[np.floating], rate: int) -> _Relation:
    """Return how channel `b` relates to channel `a`, each of shape (frames,)."""
    same = _correlation(a, b)
    if 1.0 - same * same <= _COPY_RESIDUAL:
        return _Relation(is_copy=same > 0, is_inverted=same < 0, delay_s=0.0)
    lag = _lag(a, b, rate)
    if lag >= 0:
        matched = _correlation(a[: len(a) - lag], b[lag:])
    else:
        matched = _correlation(a[-lag:], b[: len(b) + lag])
    if abs(matched) < _MATCHED:
        return _Relation(is_copy=False, is_inverted=same < _INVERTED, delay_s=None)
    return _Relation(is_copy=False, is_inverted=matched < _INVERTED, delay_s=lag / rate)


def _correlation(a: npt.NDArray[np.floating], b: npt.NDArray[np.floating]) -> float:
    """Return the correlation coefficient of two signals; 0 where one does not move."""
    n = len(a)
    if n < 2:
        return 0.0
    mean_a, mean_b = float(a.mean(dtype=np.float64)), float(b.mean(dtype=np.float64))
    power_a = float(np.vdot(a, a)) / n - mean_a**2
    power_b = float(np.vdot(b, b)) / n - mean_b**2
    if power_a <= 1e-15 or power_b <= 1e-15:
        return 0.0
    return (float(np.vdot(a, b)) / n - mean_a * mean_b) / math.sqrt(power_a * power_b)


def _lag(a: npt.NDArray[np.floating], b: npt.NDArray[np.floating], rate: int) -> int:
    """Return by how many samples `b` is behind `a` (Knapp and Carter 1976, maximum likelihood)."""
    longest = round(_DELAY_S * rate)
    size = 1 << (4 * longest).bit_length()
    blocks = len(a) // size
    if blocks == 0:
        pad = (0, size - len(a))
        first, second = np.pad(a, pad)[np.newaxis], np.pad(b, pad)[np.newaxis]
    else:
        first = a[: blocks * size].reshape(blocks, size)
        second = b[: blocks * size].reshape(blocks, size)
        power = np.einsum("ij,ij->i", first, first)
        chosen = np.sort(np.argsort(power)[-_DELAY_BLOCKS:])
        first, second = first[chosen], second[chosen]
    spectra = np.fft.rfft(first), np.fft.rfft(second)
    cross = (spectra[1] * spectra[0].conj()).sum(axis=0)
    hz = np.fft.rfftfreq(size, 1 / rate)
    cross[(hz < _DELAY_BAND_HZ[0]) | (hz > _DELAY_BAND_HZ[1])] = 0.0
    size_of = np.abs(cross)
    phase = np.divide(cross, size_of, out=np.zeros_like(cross), where=size_of > 0)
    if len(first) > 1:  # one block is coherent with anything
        one, other = (np.square(np.abs(spectrum)).sum(axis=0) for spectrum in spectra)
        coherence = np.square(size_of) / np.maximum(one * other, np.finfo(np.float64).tiny)
        coherence = np.minimum(coherence, _COHERENCE)
        phase *= coherence / (1.0 - coherence)
    correlation = np.abs(np.fft.irfft(phase))
    around = np.concatenate((correlation[-longest:], correlation[: longest + 1]))
    return int(np.argmax(around)) - longest
