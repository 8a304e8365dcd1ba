"""Dropouts: where the recorder or the driver lost sound, played a buffer twice, or wrote garbage.

Three kinds are found, each with its start and end:

``zero-run``
    A gap that breaks into speech: digital silence of 0.3 ms or more, or what is left of it after
    the file was resampled, dithered or mixed with a little noise. One sample of exact zero is
    nothing special; fifteen in a row beside a voice are. At least one side of the run must be
    speech: the millisecond next to it is within 30 dB of the active speech level. A pause that a
    gate has emptied fades into its zeros, and is left alone; so are zeros at the ends of the file.
    Where the zeros are gone, a stretch of 1.5 ms far below the room that is heard in the pauses is
    a gap, too; any other hole is one if it is deep, its sides are steep and its edges have corners,
    with speech on both sides.
``repeat``
    A stretch of at least 1 ms that repeats, sample for sample, what stood up to half a second
    before: an audio buffer delivered twice. No voice repeats itself exactly over 48 samples. The
    crests of the waveform and its steep zero crossings are sorted by their sample values; equal
    ones tell the lag, and the stretch around them is then compared sample by sample. A sound that
    repeats itself many times over is a test tone and not a fault. Where resampling or dither has
    spoilt the equality, a buffer of 10 ms and more is still found if it was played twice in a row:
    it equals the stretch before it to 30 dB, for as long as their distance and no longer, and
    stops doing so at once. Vowels never do all three.
``scrambled``
    Ten samples or more, up to 25 ms, that are random numbers: a block of the file was overwritten,
    or a buffer read as what it is not. It is white, starts and stops from one sample to the next,
    and is far rougher than all that is around it. One to nine such samples are a click.

Every channel that carries sound is searched; the repeats that are no longer exact are looked for in
the loudest channel.

Sources
-------
No published method. Exact equality is a property of digital faults that no acoustic sound has; what
survives of it was chosen on voices that docs/accuracy.md names. The limits of 0.3 ms, 1 ms and
30 dB are our choice.

Limits of validity
------------------
In the file that the recorder wrote, nearly all dropouts are found, whatever its gain; after
resampling nearly all gaps from 0.5 ms on, where the pauses hold some noise. In noise 60 dB below
the voice half to two thirds of those of 10 ms and more are. Of the repeats that were resampled,
dithered or covered by noise, three of four from 10 to 20 ms are found; shorter ones are not. A
lossy codec may hide each kind. A gap or a repeat that falls entirely into a pause is not heard and
not reported. At 16 kHz a scrambled stretch may hide in hiss, which is as white there, and in a file
that was resampled to twice the rate it is white no longer and is not found. Speech synthesisers put
silence with hard edges into stops, and so do hard edits; those count where speech stands right
beside them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import amplitude_ratio
from vocheck.dsp.gaps import EDGE_S, Spans, find_gaps
from vocheck.dsp.repeats import exact_repeats, near_repeats
from vocheck.dsp.runs import joined, runs_of
from vocheck.dsp.scrambled import scrambled_stretches
from vocheck.recording import Recording
from vocheck.results import Group, Result, Row
from vocheck.voice.activity import activity_of
from vocheck.voice.channel import voice_at
from vocheck.voice.level import active_level_of

Kind = Literal["zero-run", "repeat", "scrambled"]

_ZERO_S = 0.0003  # shortest run of zeros
_SIDE_S = 0.001  # next to a run: how much is looked at
_SIDE_DB = -30.0  # re active level: what counts as speech beside a run
_PAUSE_S = 0.2  # a longer run with speech on one side only is an emptied pause
_JOIN_S = 0.005  # runs closer than this are one event
_SCRAMBLED_DB = 6.0  # re active level: the second difference of noise 2 dB below the voice
_NEAR_RATE_HZ = 16000  # at which repeats that are not exact are looked for


@dataclass(frozen=True, kw_only=True)
class Dropout(Result):
    """One dropout.

    Attributes
    ----------
    start_s, end_s : float
        The missing stretch, the second playing of the repeated one, or the garbage.
    kind : str
        ``"zero-run"``, ``"repeat"`` or ``"scrambled"``.
    """

    start_s: float
    end_s: float
    kind: Kind


@dataclass(frozen=True, kw_only=True)
class Dropouts(Group):
    """Dropouts of one recording.

    Attributes
    ----------
    events : tuple of Dropout
        In order of time.
    """

    events: tuple[Dropout, ...]


ROWS: tuple[Row, ...] = ()


def measure(recording: Recording) -> Dropouts:
    """Find gaps inside speech, repeated buffers, and garbage."""
    level = amplitude_ratio(active_level_of(recording).dbfs)
    if level == 0.0:
        return Dropouts(events=())
    rate = recording.rate
    least_side = level * amplitude_ratio(_SIDE_DB)
    zeros: Spans = []
    gaps: Spans = []
    repeats: Spans = []
    scrambled: Spans = []
    for channel in recording.samples.T:
        x = np.ascontiguousarray(channel)
        zeros += zero_runs(x, rate, level)
        gaps += find_gaps(x, rate, least_side, activity_of(recording).usable_pauses)
        repeats += exact_repeats(x, rate, level)
        scrambled += scrambled_stretches(x, rate, level * amplitude_ratio(_SCRAMBLED_DB))
    slow = min(rate, _NEAR_RATE_HZ)
    near = [
        (start * rate // slow, end * rate // slow)
        for start, end in near_repeats(voice_at(recording, slow), slow, level)
    ]
    # Where both see a dropout, the exact one knows better where it starts and ends.
    zeros += _others(gaps, zeros + repeats)
    repeats += _others(near, zeros + repeats)
    kinds: tuple[tuple[Kind, Spans], ...] = (
        ("zero-run", zeros),
        ("repeat", repeats),
        ("scrambled", scrambled),
    )
    events = [
        Dropout(start_s=start / rate, end_s=end / rate, kind=kind)
        for kind, spans in kinds
        for start, end in joined(sorted(spans), round(_JOIN_S * rate))
    ]
    return Dropouts(events=tuple(sorted(events, key=lambda event: event.start_s)))


def _others(spans: Spans, known: Spans) -> Spans:
    """Return the `spans` that lie to less than half in one of `known`."""
    return [
        (a, b)
        for a, b in spans
        if not any(2 * (min(b, end) - max(a, start)) > b - a for start, end in known)
    ]


def zero_runs(x: npt.NDArray[np.floating], rate: int, level: float) -> Spans:
    """Return the runs of exact zeros in `x`, shape (frames,), that break into speech.

    `level` is the active speech level as an RMS. Runs are (first, after the last) sample.
    """
    shortest = max(3, round(_ZERO_S * rate))
    # A run of `shortest` zeros covers at least two neighbors of a grid half as wide: look first.
    grid = max(1, shortest // 2)
    coarse = x[::grid] == 0
    if not (coarse[1:] & coarse[:-1]).any():
        return []
    starts, ends = runs_of(x == 0).T
    long = ends - starts >= shortest
    side = max(2, round(_SIDE_S * rate))
    pause, edge = round(_PAUSE_S * rate), round(EDGE_S * rate)
    threshold = (level * amplitude_ratio(_SIDE_DB)) ** 2
    found = []
    for start, end in zip(starts[long].tolist(), ends[long].tolist(), strict=True):
        before, after = x[max(0, start - side) : start], x[end : end + side]
        speech = [float(np.vdot(part, part)) >= threshold * side for part in (before, after)]
        # A file may begin or end in zeros: it was cut close, faded, or has a codec's lead-in.
        at_edge = start < edge or end > len(x) - edge
        if all(speech) or (any(speech) and end - start < pause and not at_edge):
            found.append((start, end))
    return found
