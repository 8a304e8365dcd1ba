"""The recordings of a room, and the impulse responses cut out of them."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.audio.readers import read
from vocheck.dsp.decay import find_onset
from vocheck.dsp.decibels import db, power_ratio
from vocheck.dsp.impulses import (
    Excitation,
    Impulse,
    find_impulses,
    is_steady,
    recognise,
    trim_silence,
)
from vocheck.dsp.sweep import PRE_S, deconvolve
from vocheck.errors import AudioError
from vocheck.recording import Recording
from vocheck.room.results import Notice, NoticeKind, Response

PathLike = str | os.PathLike[str]
Signal = npt.NDArray[np.float64]

_MIN_RATE_HZ = 8000  # holds the octave of 2 kHz with its band edges
_ALIAS_S = (0.03, 0.005)  # before the onset: where nothing but noise should be
_ALIAS_DB = 20.0  # over the noise after the decay
_RIPPLE_DB = -40.0  # re the response: a deconvolved sweep rings this much before its onset
_FLAT_SAMPLES = 4  # this many at the very peak: no sound does that, an overloaded input does


@dataclass(frozen=True, eq=False)
class Sound:
    """One channel of one recording, without DC and without digital silence at its ends."""

    path: str | None
    x: Signal
    rate_hz: int
    offset: int

    @classmethod
    def of(cls, item: PathLike | Recording) -> Sound:
        """Return the loudest channel of a file or a recording; refuse what cannot be measured."""
        recording = item if isinstance(item, Recording) else read(item)
        name = recording.source.path or "the recording"
        if recording.rate < _MIN_RATE_HZ:
            raise AudioError(f"{name}: a sample rate of {recording.rate} Hz is too low for a room")
        first, last = trim_silence(recording.voice.astype(np.float64))
        x = recording.voice[first:last].astype(np.float64)
        x -= x.mean() if len(x) else 0.0
        if not x.any():
            raise AudioError(f"{name}: holds no sound, only digital silence or a constant")
        return cls(recording.source.path, x, recording.rate, first)

    @property
    def name(self) -> str:
        """What to call it in a message."""
        return self.path or "the recording"

    def at(self, rate_hz: int) -> Signal:
        """Return the samples at another sample rate."""
        from vocheck.dsp.resample import resample

        return resample(self.x.astype(np.float32), self.rate_hz, rate_hz).astype(np.float64)


def kind_of(source: Sound, reference: Sound | None, asked: Excitation | None) -> Excitation:
    """Return what a recording holds: as told, as the reference implies, or as recognised."""
    if asked is not None:
        kind = asked
    elif reference is not None:
        return "room tone" if is_steady(source.x, source.rate_hz) else "sweep"
    else:
        found = recognise(source.x, source.rate_hz)
        if found is None:
            raise AudioError(
                f"{source.name}: neither a clap, a sweep nor room tone is recognised in it; "
                "if it is one, say which"
            )
        kind = found
    if kind == "sweep" and reference is None:
        raise AudioError(
            f"{source.name}: holds a sweep; the sweep that was played is needed as the reference"
        )
    return kind


@dataclass(frozen=True, eq=False)
class CutResponse:
    """One impulse response cut out of a recording, ready for the band filters."""

    h: Signal
    rate_hz: int
    facts: Response
    stretch: tuple[int, int]  # in the recording it came from
    source: Sound


def cut_responses(
    source: Sound, kind: Excitation, reference: Sound | None, notices: list[Notice]
) -> list[CutResponse]:
    """Return the impulse responses of one recording; what is wrong with them goes to `notices`."""
    if kind == "room tone":
        return []
    x, shift = source.x, 0
    if kind == "sweep" and reference is not None:
        x = deconvolve(source.x, reference.at(source.rate_hz), source.rate_hz)
        shift = -round(PRE_S * source.rate_hz)
        # Only the strongest response: what else stands out is distortion or a second playing.
        impulses = find_impulses(x, source.rate_hz)
        impulses = impulses and (max(impulses, key=lambda i: _peak(x[i.start : i.end])),)
    else:
        impulses = find_impulses(x, source.rate_hz)
    if not impulses:
        raise AudioError(f"{source.name}: no impulse stands 20 dB out of its noise")
    found = [_cut(source, x, impulse, shift) for impulse in impulses]
    notices += _notices(kind, impulses, found)
    return found


def _peak(x: Signal) -> float:
    return float(np.abs(x).max())


def _cut(source: Sound, x: Signal, impulse: Impulse, shift: int) -> CutResponse:
    h = x[impulse.start : impulse.end]
    onset = find_onset(h)
    noise = float(np.mean(h[-max(1, len(h) // 10) :] ** 2))
    peak = float(np.max(h**2))
    flat = int(np.sum(h**2 >= 0.999 * peak))
    return CutResponse(
        h=h,
        rate_hz=source.rate_hz,
        facts=Response(
            path=source.path,
            onset_s=(source.offset + impulse.start + onset + shift) / source.rate_hz,
            peak_to_noise_db=db(peak / noise) if noise > 0.0 else 200.0,
            overloaded=shift == 0 and flat >= _FLAT_SAMPLES,
        ),
        stretch=(impulse.start, impulse.end),
        source=source,
    )


def _notices(
    kind: Excitation, impulses: Iterable[Impulse], found: list[CutResponse]
) -> Iterator[Notice]:
    """Yield what is wrong with responses."""
    for impulse, response in zip(impulses, found, strict=True):
        kinds: list[NoticeKind] = []
        if impulse.interrupted:
            kinds.append("next sound too soon")
        if impulse.gated:
            kinds.append("gated")
        if response.facts.overloaded:
            kinds.append("overloaded")
        if _starts_in_sound(response):
            kinds.append("sweep cut" if kind == "sweep" else "sound before")
        for name in kinds:
            yield Notice(kind=name, path=response.facts.path, time_s=response.facts.onset_s)


def _starts_in_sound(response: CutResponse) -> bool:
    """Return whether right before the onset there is more than noise and the ripple of a sweep."""
    h, onset = response.h, find_onset(response.h)
    first, last = (max(0, onset - round(s * response.rate_hz)) for s in _ALIAS_S)
    if first == last:
        return False
    before = float(np.mean(h[first:last] ** 2))
    after = float(np.mean(h[onset : onset + last - first] ** 2))
    noise = float(np.mean(h[-max(1, len(h) // 10) :] ** 2))
    least = max(noise * power_ratio(_ALIAS_DB), after * power_ratio(_RIPPLE_DB))
    return bool(before > least)
