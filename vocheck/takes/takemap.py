"""Where a moment of one take is in another take of the same line, and what one of them lacks.

Method: 13 mel-frequency cepstral coefficients and their deltas every 10 ms (Davis and Mermelstein
1980), normalized over the speech of each take so that microphone and level fall out, aligned with
gaps on either side (`vocheck.dsp.alignment`). Two frames count as alike when they are nearer than
halfway between the usual best match and the usual pair of frames. Silence may be left out freely:
talkers pause where they like.

Limits of validity: takes of the same text by the same voice. A stretch of 0.25 s or more that one
take lacks is reported as *possible*; single short words are not promised. Frames under 10 dB SNR or
a different voice make the map coarse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.dsp.alignment import align, corridor_along
from vocheck.dsp.runs import runs_of
from vocheck.dsp.threads import one_thread
from vocheck.recording import Recording
from vocheck.results import Result
from vocheck.voice.activity import activity_of
from vocheck.voice.cepstra import deltas, mel_cepstra
from vocheck.voice.channel import spectrogram_of

FRAME_S = 0.01  # short beside a sound of speech
COEFFICIENTS = 13  # as usual for speech
_MELS = 40  # usual with so many coefficients
_BAND_HZ = (60.0, 8000.0)  # what every sample rate of a voice holds
_DYNAMIC_RANGE_DB = 55.0  # below the loudest frames: keeps room noise from looking like speech
_ALIKE = 0.55  # between the usual best match (0) and the usual pair (1)
_FEWEST_FRAMES = 9  # what the deltas look at
# Price of each frame left out, and of a gap, on the scale of _ALIKE; our choice.
_GAP, _OPEN_GAP = 0.14, 1.6
_COARSE = 4  # frames in one of the first, coarse alignment
_HALF_WIDTH = 50  # frames to either side of it that the fine one may use
_SHORTEST_S = 0.14  # a shorter stretch is an articulation, not a word
_JOIN_S = 0.12  # stretches with less between them are one
REPORTED_S = 0.25
"""A stretch that one take lacks is reported from this length on."""

Span = tuple[float, float]


@dataclass(frozen=True, eq=False)
class TakeMap(Result):
    """The map from a reference take to another take of the same line.

    Attributes
    ----------
    reference_s, take_s : ndarray, shape (anchors,)
        Moments that belong together; both rise.
    missing : tuple of (start_s, end_s)
        Stretches of the reference that the take lacks, in the reference's time.
    extra : tuple of (start_s, end_s)
        Stretches of the take that the reference lacks, in the take's time.
    likeness : float
        Share of the reference's speech that was matched, 0 to 1.
    """

    reference_s: npt.NDArray[np.float64]
    take_s: npt.NDArray[np.float64]
    missing: tuple[Span, ...]
    extra: tuple[Span, ...]
    likeness: float

    def to_take(self, time_s: float) -> float:
        """Return where a moment of the reference is in the take."""
        if not len(self.reference_s):
            return time_s
        return _follow(time_s, self.reference_s, self.take_s)

    def to_reference(self, time_s: float) -> float:
        """Return where a moment of the take is in the reference."""
        if not len(self.take_s):
            return time_s
        return _follow(time_s, self.take_s, self.reference_s)


def _follow(time_s: float, known: npt.NDArray[np.float64], other: npt.NDArray[np.float64]) -> float:
    """Interpolate between anchors; beyond the ends, time runs on at the same pace."""
    if time_s <= known[0]:
        return float(other[0] + time_s - known[0])
    if time_s >= known[-1]:
        return float(other[-1] + time_s - known[-1])
    return float(np.interp(time_s, known, other))


@dataclass(frozen=True, eq=False)
class Features:
    """What a take is compared by: frames of 10 ms and whether each holds speech."""

    cepstra: npt.NDArray[np.float32]
    speech: npt.NDArray[np.bool_]


def cepstra_of(recording: Recording) -> npt.NDArray[np.float32]:
    """Return the cepstra of a take, shape (frames, 13)."""
    spectrogram = spectrogram_of(recording)
    power = spectrogram.power[:: max(1, round(FRAME_S / spectrogram.hop_s))]
    if len(power) < _FEWEST_FRAMES:
        return np.zeros((0, COEFFICIENTS), np.float32)
    return mel_cepstra(
        power,
        recording.rate,
        bands=_MELS,
        band_hz=(_BAND_HZ[0], min(_BAND_HZ[1], recording.rate / 2)),
        coefficients=COEFFICIENTS,
        range_db=_DYNAMIC_RANGE_DB,
    )


def features(recording: Recording) -> Features:
    """Return what a take is compared by."""
    return normalized(cepstra_of(recording), activity_of(recording).speech)


def normalized(cepstra: npt.NDArray[np.float32], speech: npt.NDArray[np.bool_]) -> Features:
    """Return cepstra and their deltas, normalized over the speech, shape (frames, 2 x 13)."""
    if not len(cepstra):
        return Features(np.zeros((0, 2 * COEFFICIENTS), np.float32), speech[:0])
    both = np.concatenate((cepstra, deltas(cepstra)), axis=1)
    count = min(len(both), len(speech))
    both, speech = both[:count], speech[:count]
    spoken = both[speech] if speech.any() else both
    if len(spoken):
        both = (both - spoken.mean(axis=0)) / np.maximum(spoken.std(axis=0), 1e-6)
    return Features(np.ascontiguousarray(both, np.float32), speech)


@one_thread()
def map_takes(reference: Features, take: Features) -> TakeMap:
    """Align a take with a reference take of the same line.

    Parameters
    ----------
    reference, take : Features
        As `features` gives them.
    """
    a, b = reference.cepstra, take.cepstra
    if not reference.speech.any() or not take.speech.any():
        return TakeMap(np.zeros(0), np.zeros(0), (), (), 0.0)
    if np.array_equal(a, b):  # the reference itself
        same = np.arange(len(a), dtype=np.float64) * FRAME_S
        return TakeMap(same, same, (), (), 1.0)
    distance = distances(a, b)
    spoken = distance[np.ix_(reference.speech, take.speech)]
    best = float(np.median(np.concatenate((spoken.min(axis=0), spoken.min(axis=1)))))
    usual = float(np.median(spoken))
    cost = (distance - best) / max(usual - best, 1e-6) - _ALIKE
    skip_a = np.where(reference.speech, _GAP, 0.0).astype(np.float32)
    skip_b = np.where(take.speech, _GAP, 0.0).astype(np.float32)
    pairs = _align(cost.astype(np.float32), skip_a, skip_b)
    matched = np.zeros(len(a), bool)
    matched[pairs[:, 0]] = True
    heard = np.zeros(len(b), bool)
    heard[pairs[:, 1]] = True
    anchors = _anchors(pairs)
    return TakeMap(
        reference_s=anchors[:, 0] * FRAME_S,
        take_s=anchors[:, 1] * FRAME_S,
        missing=_spans(reference.speech & ~matched),
        extra=_spans(take.speech & ~heard),
        likeness=float((reference.speech & matched).sum() / reference.speech.sum()),
    )


def _align(
    cost: npt.NDArray[np.float32], skip_a: npt.NDArray[np.float32], skip_b: npt.NDArray[np.float32]
) -> npt.NDArray[np.intp]:
    """Align coarsely first, then frame by frame near that path: time grows with the length only."""
    n, m = (size // _COARSE for size in cost.shape)
    if min(n, m) < 2:
        return align(cost, skip_a, skip_b, _OPEN_GAP).pairs
    blocks = cost[: n * _COARSE, : m * _COARSE].reshape(n, _COARSE, m, _COARSE)
    coarse = align(
        # What matching the frames of a block one to one would cost.
        np.trace(blocks, axis1=1, axis2=3),
        skip_a[: n * _COARSE].reshape(n, _COARSE).sum(axis=1),
        skip_b[: m * _COARSE].reshape(m, _COARSE).sum(axis=1),
        _OPEN_GAP,
    )
    corridor = corridor_along(coarse, _COARSE, cost.shape, _HALF_WIDTH)
    return align(cost, skip_a, skip_b, _OPEN_GAP, corridor).pairs


def distances(a: npt.NDArray[np.float32], b: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Return how far each frame (row) of one is from each frame of the other."""
    squares = (a**2).sum(axis=1)[:, np.newaxis] + (b**2).sum(axis=1) - 2 * (a @ b.T)
    found: npt.NDArray[np.float32] = np.sqrt(np.maximum(squares, 0.0))
    return found


def _anchors(pairs: npt.NDArray[np.intp]) -> npt.NDArray[np.float64]:
    """Return one pair per frame of the reference, so that both columns rise."""
    _, first, count = np.unique(pairs[:, 0], return_index=True, return_counts=True)
    middle = np.add.reduceat(pairs[:, 1].astype(np.float64), first) / count
    return np.column_stack((pairs[first, 0], middle))


def _spans(mask: npt.NDArray[np.bool_]) -> tuple[Span, ...]:
    joined: list[list[int]] = []
    for start, end in runs_of(mask).tolist():
        if end - start < round(_SHORTEST_S / FRAME_S) and not (
            joined and start - joined[-1][1] < round(_JOIN_S / FRAME_S)
        ):
            continue
        if joined and start - joined[-1][1] < round(_JOIN_S / FRAME_S):
            joined[-1][1] = end
        else:
            joined.append([start, end])
    return tuple((start * FRAME_S, end * FRAME_S) for start, end in joined)
