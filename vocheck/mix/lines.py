"""The lines of a voice-over in the finished mix: where each stands, and how far over its bed.

A take is looked for by the cross-correlation of its voice band with the mix (`THIN_HZ`, both
spectra flattened, as in `vocheck.mix.alignment`). Where it is found, the mix is the take behind
a filter (equalizer, fader, a fraction of a sample) and the bed. The filter, 8 ms long, is fitted by
least squares, then a gain for each fifth of a second, which follows a fader or a compressor. What
it gives is the voice in the mix, and what is left is the bed; both are K-weighted and averaged
where the voice is active (`vocheck.mix.blocks`), as with stems.

Where the parts of a take are not like the mix, they are not counted as found. A take that is found
nowhere was left out, or changed so far (stretched, retuned) that this method cannot tell.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from vocheck.audio.readers import MOST_PLACES, read
from vocheck.dsp.decibels import amplitude_db, db, power_ratio
from vocheck.dsp.resample import Resampler
from vocheck.dsp.threads import one_thread
from vocheck.measurements import clipping
from vocheck.measurements.loudness import LoudnessMeter
from vocheck.mix.alignment import THIN_HZ
from vocheck.mix.blocks import active, parts
from vocheck.mix.results import LineBalance, LineInMix, LineState
from vocheck.mix.sound import open_mix
from vocheck.mix.stems import closest
from vocheck.policy.every import Policy, policy_for
from vocheck.policy.mixing import LineRow
from vocheck.recording import Recording

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

RATE_HZ = 16000
"""Rate at which voice and bed are told apart: what is loud of a voice lies below 8 kHz."""
MOST_S = 900.0
"""Longer mixes are not looked into: they would not fit into memory."""

_TAPS_BEFORE, _TAPS = 32, 160  # of the filter, 2 ms before and 8 ms after: equalizers, a small room
_WINDOW_S = 0.2  # of the gain that follows a fader: a syllable
_PEAK = 15.0  # as in `vocheck.mix.alignment`: what no chance gives
_FLATTEN = 1e-3  # as there
_LIKE = 0.15  # of the correlation of a window: what differs has up to 0.05 in 3200 samples
_PARTLY = 0.5  # a take of which less is found was not used as a whole
_SOME = 0.15  # and one of which less than that is found, not at all
_RIDGE = 1e-4  # of the take's power: keeps the fit of silent bands from growing
_SOFTEST_DB = -20.0  # windows of a take softer than that below its loud ones are pauses


@dataclass(frozen=True)
class LineTakes:
    """The takes of a line.

    Attributes
    ----------
    chosen : str
        Path of the take that should be in the mix.
    others : tuple of str
    """

    chosen: str
    others: tuple[str, ...] = ()


@one_thread()
def find_lines(
    path: str | os.PathLike[str],
    lines: Mapping[str, LineTakes],
    *,
    track: int | None = None,
    policy: Policy | None = None,
) -> tuple[LineInMix, ...]:
    """Find each line in a mix, and measure how far it stands over its bed there.

    Parameters
    ----------
    path : path-like
        The mix.
    lines : mapping of str to LineTakes
    track : int, optional
        As for `check_mix`.
    policy : Policy, optional
        Where omitted, that of the mix.

    Returns
    -------
    tuple of LineInMix
        In the order of `lines`.

    Raises
    ------
    AudioError
        If the mix or a take cannot be read.
    """
    path = os.fspath(path)
    policy = policy or policy_for(path)
    with open_mix(path, track) as file:
        source = file.source
        if source.duration_s > MOST_S:
            return tuple(_untold(name, takes, "too long") for name, takes in lines.items())
        resampler = Resampler(source.rate_hz, RATE_HZ, source.channels)
        pieces, cut, done = [], [], 0
        for block in file.blocks():
            pieces.append(resampler.feed(block))
            runs = clipping.measure(Recording(block, source.rate_hz)).runs
            cut += [done / source.rate_hz + run.start_s for run in runs]
            done += len(block)
        whole = np.concatenate([*pieces, resampler.finish()])
    mix = _Mix(whole, source.start_s, tuple(cut), policy.mix.line)
    return tuple(mix.line(name, takes) for name, takes in lines.items())


def _untold(name: str, takes: LineTakes, kind: Literal["too long"]) -> LineInMix:
    return LineInMix(line=name, chosen=takes.chosen, state="cannot tell", verdict="warn", why=kind)


@dataclass(frozen=True, eq=False)
class _Found:
    """A take in the mix.

    `lag` is where its first sample lies, in samples of the mix; `voice` and `bed` have the shape
    (frames, channels); `spoken` tells which windows of the take are no pauses, `like` which of
    those are in the mix.
    """

    path: str
    lag: int
    first: int
    voice: Floats
    bed: Floats
    like: npt.NDArray[np.bool_]
    spoken: npt.NDArray[np.bool_]
    gain_db: float

    @property
    def share(self) -> float:
        return float(self.like.sum() / max(1, self.spoken.sum()))


class _Mix:
    """A mix that takes are looked for in."""

    def __init__(
        self, samples: Floats, start_s: float, clipped_s: tuple[float, ...], rules: LineRow
    ) -> None:
        self._samples = samples
        self._start_s = start_s
        self._clipped_s = clipped_s
        self._rules = rules
        self._thin = _thinned(samples.mean(axis=1))

    def line(self, name: str, takes: LineTakes) -> LineInMix:
        """Return how one line stands in the mix."""
        chosen = self._find(takes.chosen)
        if chosen is not None and chosen.share >= _PARTLY:
            return self._measured(name, takes, chosen, "chosen")
        found = [one for one in map(self._find, takes.others) if one is not None]
        best = max(found, key=lambda one: one.share, default=None)
        if best is not None and (chosen is None or best.share > chosen.share):
            return self._measured(name, takes, best, "another take")
        if chosen is not None:
            return self._measured(name, takes, chosen, "in part")
        return LineInMix(
            line=name,
            chosen=takes.chosen,
            state="missing",
            verdict=self._rules.missing,
            source=self._rules.source,
            status=self._rules.status,
            why="not found",
        )

    def _find(self, path: str) -> _Found | None:
        """Return where a take stands in the mix; ``None`` where it does not."""
        recording = read(path)
        resampler = Resampler(recording.rate, RATE_HZ, 1)
        voice = recording.voice[:, np.newaxis]
        take = np.concatenate([resampler.feed(voice), resampler.finish()])[:, 0]
        if not take.any() or not self._thin.any():
            return None
        lag = _lag(self._thin, _thinned(take))
        if lag is None:
            return None
        found = self._told_apart(path, take, lag * (RATE_HZ // THIN_HZ))
        return found if found is not None and found.share >= _SOME else None

    def _told_apart(self, path: str, take: Floats, lag: int) -> _Found | None:
        """Split the mix at a place into what the take gives there, and the rest."""
        first, last = max(0, lag), min(len(self._samples), lag + len(take))
        if last - first < _TAPS:
            return None
        mix = self._samples[first:last].astype(np.float64)
        placed = take[first - lag : last - lag].astype(np.float64)
        window = round(_WINDOW_S * RATE_HZ)
        count = -(-len(placed) // window)
        voice = np.stack([_filtered(placed, channel) for channel in mix.T], axis=1)
        # One gain for all channels in each window, a straight line between their middles.
        padded_mix, padded_voice = (
            np.pad(x, ((0, count * window - len(x)), (0, 0))).reshape(count, -1)
            for x in (mix, voice)
        )
        power = np.einsum("ij,ij->i", padded_voice, padded_voice)
        both = np.einsum("ij,ij->i", padded_voice, padded_mix)
        of_mix = np.einsum("ij,ij->i", padded_mix, padded_mix)
        loud = np.percentile(power, 95.0)
        if loud <= 0.0:
            return None
        spoken = power > loud * power_ratio(_SOFTEST_DB)
        like = spoken & (both > _LIKE * np.sqrt(power * of_mix))
        gain = np.where(like, both / np.maximum(power, 1e-30), 0.0)
        middles = (np.arange(count) + 0.5) * window
        known = like if like.any() else np.ones(count, bool)
        curve = np.interp(np.arange(len(placed)), middles[known], gain[known])
        present = np.repeat(like | ~spoken, window)[: len(placed)]
        voice = voice * (curve * present)[:, np.newaxis]
        taken = float(np.sqrt(np.mean(np.square(placed))))
        standing = float(np.sqrt(np.mean(np.square(voice)))) if like.any() else 0.0
        return _Found(
            path=path,
            lag=lag,
            first=first,
            voice=voice.astype(np.float32),
            bed=(mix - voice).astype(np.float32),
            like=like,
            spoken=spoken,
            gain_db=amplitude_db(standing / taken) if taken else 0.0,
        )

    def _measured(self, name: str, takes: LineTakes, found: _Found, state: LineState) -> LineInMix:
        """Return how far a line stands over its bed where it was found."""
        readings = []
        for sound in (found.voice, found.bed):
            meter = LoudnessMeter(RATE_HZ, sound.shape[1])
            meter.feed(sound)
            readings.append(meter.result())
        speaks, voice, bed = active(readings[0]), parts(readings[0]), parts(readings[1])
        length = min(len(speaks), len(voice), len(bed))
        speaks, voice, bed = speaks[:length], voice[:length], bed[:length]
        start_s = self._start_s + found.first / RATE_HZ
        lead = least = least_s = None
        if speaks.any() and bed[speaks].any():
            lead = db(float(voice[speaks].mean() / bed[speaks].mean()))
            least, middle_s = closest(voice, bed, speaks)
            least_s = None if middle_s is None else start_s + middle_s
        first_s = found.first / RATE_HZ
        last_s = first_s + len(found.voice) / RATE_HZ
        cut = tuple(self._start_s + s for s in self._clipped_s if first_s <= s < last_s)
        balance: LineBalance | None = None
        if lead is not None:
            shown = round(lead, 1)
            balance = "sunk" if shown < self._rules.sunk_lu else "weak"
            balance = "clear" if shown >= self._rules.weak_lu else balance
        return LineInMix(
            line=name,
            chosen=takes.chosen,
            found=found.path,
            state=state,
            balance=balance,
            verdict=self._verdict(state, balance, bool(cut)),
            start_s=start_s,
            end_s=self._start_s + last_s,
            share=found.share,
            gain_db=found.gain_db,
            voice_to_bed_lu=lead,
            closest_lu=least,
            closest_s=least_s,
            clipped_s=cut[:MOST_PLACES],
            source=self._rules.source,
            status=self._rules.status,
        )

    def _verdict(
        self, state: LineState, balance: LineBalance | None, clips: bool
    ) -> Literal["pass", "warn", "fail"]:
        rules = self._rules
        verdicts = {
            "another take": rules.another,
            "in part": rules.another,
            "missing": rules.missing,
        }
        found = {verdicts.get(state, "pass")}
        found |= {"fail"} if balance == "sunk" else {"warn"} if balance == "weak" else set()
        found |= {rules.clipped} if clips else set()
        found |= {"warn"} if balance is None else set()
        return "fail" if "fail" in found else "warn" if "warn" in found else "pass"


def _thinned(samples: Floats) -> Floats:
    """Return samples of `RATE_HZ` at `THIN_HZ`."""
    ratio = RATE_HZ // THIN_HZ
    whole = len(samples) - len(samples) % ratio
    thin: Floats = samples[:whole].reshape(-1, ratio).mean(axis=1)
    return thin


def _lag(mix: Floats, take: Floats) -> int | None:
    """Return where a take starts in the mix, maybe before it; ``None`` if it is not there."""
    from scipy import fft

    size = fft.next_fast_len(len(mix) + len(take), real=True)
    cross = fft.rfft(mix, size) * np.conj(fft.rfft(take, size))
    strength = np.abs(cross)
    correlation = np.abs(fft.irfft(cross / (strength + _FLATTEN * strength.mean() + 1e-30), size))
    best = int(np.argmax(correlation))
    if correlation[best] < _PEAK * float(np.sqrt(np.mean(np.square(correlation)))):
        return None
    return best if best < len(mix) else best - size


def _filtered(
    take: npt.NDArray[np.float64], mix: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Return a take behind the filter that makes it most like the mix (least squares)."""
    from scipy import fft, linalg

    size = fft.next_fast_len(len(take) + _TAPS, real=True)
    spectrum = fft.rfft(take, size)
    own = fft.irfft(np.abs(spectrum) ** 2, size)[:_TAPS]
    both = fft.irfft(fft.rfft(mix, size) * np.conj(spectrum), size)
    both = np.roll(both, _TAPS_BEFORE)[:_TAPS]
    own[0] *= 1.0 + _RIDGE
    taps = linalg.solve_toeplitz(own, both)
    filtered = fft.irfft(fft.rfft(taps, size) * spectrum, size)
    result: Doubles = np.roll(filtered, -_TAPS_BEFORE)[: len(take)]
    return result
