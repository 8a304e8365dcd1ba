"""Processing: what a gate, an expander, noise reduction or music has already done to the take.

What it is
    `gate_score` tells how clearly the sound is turned down where nobody speaks: above 1 a gate is
    found, and `gated` says so; `gate_depth_db` tells by how much. The noise under the words stays,
    so a gated take pumps, and its noise floor flatters it. `gate_dead_fraction` tells how much of
    the phrases is dead, 50 dB or more below the voice: the nearer the gate closes to the level of
    the voice, the more of the words it takes.
    `log_spectral_std_db` tells how unsteady the spectrum of the pauses is: spectral noise reduction
    leaves a pattern there (musical noise) that raises it.
    `music_bed_score` tells how clearly music lies under the voice, or anything else whose tones
    come and go (another voice, a ringtone): above 1 it is found, and `music_bed` says so;
    `music_bed_re_speech_db` tells how loud, and `music_bed_fraction` in how much of the soft
    moments.

Method
    Gate: any of four traces. (1) Exact zeros in runs of 5 ms or more inside the pauses. (2) Noise
    that is lower in the pauses than under the speech: the softest twentieth of the frames within
    phrases is compared with the softest twentieth of the pauses in each of several bands; where no
    gate is, at least one band shows the same noise in both. The softest sounds of a voice hide
    noise some 50 dB below it, so what is left within phrases counts only where it is louder, and
    only from 3 s of phrases on: of a short sentence the softest twentieth is voice. (3)
    Noise at two levels: within phrases the levels of three bands pile up as narrowly as noise does,
    by the same 6 dB or more above the pauses, and not in the pauses. This sees a gate that closes
    inside phrases, too. (4) Each time the sound leaves its floor it rises by 50 dB within 15 ms,
    and the pauses lie below all that is heard within phrases, in every band: a voice alone seldom
    does both. Each trace is divided by the least that counts as one; the score is the largest of
    these ratios, or for a trace of two parts the smaller of the two.

    Dead are frames within phrases 50 dB or more below the active speech level. Stops are dead for a
    moment in an untouched take as well, so the fraction compares takes of the same words.

    Noise reduction: the standard deviation, over time, of the level in each bin of the spectrum of
    the pauses. The power of Gaussian noise in a bin follows an exponential distribution, whose
    logarithm has a standard deviation of 10 / ln 10 * pi / sqrt 6 = 5.57 dB, whatever the noise's
    color and level. Noise reduction that opens and closes bins raises it. So does music: where that
    lies under the voice, noise reduction is not looked for.

    Music: wherever the level is 18 dB or more below the speech for 0.35 s, tones are looked for
    that come and go (`vocheck.dsp.moving_tones`): peaks of the spectrum that stand 14 dB out of the
    noise around them and of what is always there (hum, a whine, a fan), are narrow, last for
    0.25 s, and do not die away as a vowel does in a room. Music has them in more than six of ten
    moments of a quarter of a second, at eight places of the spectrum or more, and before the first
    word, too: what is heard only after words is their echo. The score is the smallest of the three,
    each divided by the most that is not music. The level is that of these stretches.

Sources
    The value of 5.57 dB is theory; that musical noise raises the spread of the spectrum is the
    ground of Uemura, Saruwatari and others' work on it (EURASIP JASP 2010, 431347). Thresholds are
    this project's own.

Units
    dB; "re speech" is relative to the active speech level (ITU-T P.56).

Limits of validity
    Needs 0.3 s of pause (a gate that closes for less is not seen) and some speech. Where the noise
    lies 50 dB and more below the voice, a gate of less than 20 dB is often missed: hardly anybody
    hears it either; where the voice hides the noise, no depth is given. Mild noise
    reduction with a smoothed gain (6 dB, decision-directed) leaves no trace that this finds. A
    lossy codec that drops bins raises the standard deviation too.

    Music needs half a second before the first word, and stretches as soft as that after it. Drums,
    a single long chord, a drone, and music as soft as the noise are not found. The softer the
    music, the more of it is missed: see the accuracy page.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import db, levels_db
from vocheck.dsp.moving_tones import RATE_HZ, find_moving_tones
from vocheck.dsp.runs import runs_of
from vocheck.measurements.noise import MIN_PAUSE_S
from vocheck.recording import Recording, once
from vocheck.results import Group, Row
from vocheck.voice.activity import activity_of
from vocheck.voice.channel import spectrogram_of, voice_at
from vocheck.voice.level import active_level_of

_Float = TypeVar("_Float", bound=np.floating[Any])

_ZERO_RUN_S = 0.005  # noise of 24 bits holds no run of zeros as long
_ZERO_SHARE, _ZERO_S = 0.02, 0.05  # of the pauses, and in all: a dropout in a pause is no gate
_GATE_DB = 6.0  # least step of the noise that counts: half the amplitude
_SILENCE = 1e-15  # of power: below the last bit of any recording
_TOP_SHARE = 0.45  # of the rate: a band above may hold the slope of a converter's filter
_BAND_EDGES_HZ = (
    100.0, 200.0, 400.0, 800.0, 1600.0, 3200.0, 5000.0, 7000.0, 9000.0, 12000.0, 16000.0, 20000.0
)  # fmt: skip
_SOFT_PERCENTILE = 5  # of a band's power within phrases: where the voice leaves the noise bare
_VOICE_DB = -52.0  # re speech: softer moments within phrases may be the voice itself
_BARE_PHRASES_S = 3.0  # of a shorter reading the softest twentieth is still voice
_HIDDEN_DB = -55.0  # re speech: softer noise under the words cannot be told from the voice
_DEAD_DB = -50.0  # re speech: as far down as the softest sounds of a voice hide noise
_PILE_HALF_DB, _AROUND_HALF_DB = 1.25, 4.0  # noise lies within the first, other sounds spread wider
_PILE_TOP_DB, _PILE_STEP_DB = 50.0, 0.5  # piles are looked for up to this step, so finely
_PILE = 0.52  # of what lies around; clean takes have up to 0.51
_PILE_SHARE = 0.03  # of the frames within phrases: fewer make no pile
_PILE_BANDS = 3  # that must agree within 1 dB
_CLOSED_DB = 5.0  # over the median of the pauses: noise seldom swings higher
_CLOSED_FRAMES = 4  # 20 ms: a shorter dip is not taken for the floor
_RISE_FRAMES, _OPENING_FRAMES = 3, 20  # a rise within 15 ms, in the 0.1 s after the floor
_RISE_DB = 50.0  # clean takes have up to 48
_LATTICE_HZ = (200.0, 8000.0)  # above hum and rumble, below the band edge of lossy codecs
_MARGINS_S = (0.06, 0.12)  # of a phrase: the activity's pads, in which a gate may be closed already
_MIN_FRAMES = 12  # 60 ms: a percentile of fewer says little
_EDGE_S = 0.011  # half a window: frames that reach out of the pause are left out
_DISTURBED = 2.0  # of the median power of all pauses: louder frames hold a breath or a click
_SOFT_DB, _SOFT_S = -18.0, 0.35  # re speech, for so long: a voice alone seldom is, but in pauses
_SOFT_BAND_HZ = (120.0, 6000.0)  # where music has its tones; rumble and hiss left out
_SOFT_SMOOTH = 5  # frames: 25 ms
_RELEASE_S, _ONSET_S = 0.13, 0.05  # after the voice was loud, and before it is again
_TONES_TOP_HZ = 5000.0  # higher partials are too soft to be found
_MUSIC_FRACTION = 0.6  # takes without music had up to 0.51
_MUSIC_PLACES = 7  # takes without music had up to that where the fraction was above 0.51
_MUSIC_BEFORE = 0.25  # tones in a frame before the first word: music had 0.8 and more
_MUSIC_FRAMES = 12  # 0.4 s: fewer moments tell no share


@dataclass(frozen=True, kw_only=True)
class Processing(Group):
    """Traces of gating, noise reduction and music.

    Attributes
    ----------
    gate_score : float or None
        The clearest trace of a gate, over the least that counts as one: above 1 a gate is found.
    gated : bool or None
        Whether one is found.
    gate_depth_db : float or None
        How much lower the noise is in the pauses than under the words; ``None`` without a gate,
        where the gate closes to digital silence, and where the voice hides the noise.
    gate_dead_fraction : float or None
        Share of the phrases that lies 50 dB or more below the active speech level; ``None`` without
        a gate.
    log_spectral_std_db : float or None
        Standard deviation over time of the spectrum's level in the pauses; 5.57 dB for steady
        noise.
    music_bed_score : float or None
        How clearly music, or another sound of tones that come and go, lies under the voice: above 1
        it is found.
    music_bed : bool or None
        Whether it is found.
    music_bed_re_speech_db : float or None
        Its level less the active speech level, the noise included; ``None`` without music.
    music_bed_fraction : float or None
        Share of the soft moments of the take that hold such tones.
    """

    gate_score: float | None
    gated: bool | None
    gate_depth_db: float | None
    gate_dead_fraction: float | None
    log_spectral_std_db: float | None
    music_bed_score: float | None
    music_bed: bool | None
    music_bed_re_speech_db: float | None
    music_bed_fraction: float | None


ROWS: tuple[Row, ...] = (
    Row("gate_score", "clearest trace of a gate", "", digits=2),
    Row("gate_depth_db", "depth of the gate", "dB"),
    Row("gate_dead_fraction", "dead share of the phrases", "", digits=2),
    Row("log_spectral_std_db", "spread of the spectrum in pauses", "dB", digits=2),
    Row("music_bed_score", "clearness of music", "", digits=2),
    Row("music_bed_re_speech_db", "music re speech", "dB"),
    Row("music_bed_fraction", "share of soft moments with music", "", digits=2),
)


@once
def measure(recording: Recording) -> Processing:
    """Look for gating, noise reduction and music in the channel that carries the voice.

    Once for each recording, because `reverberation` needs it too.
    """
    activity = activity_of(recording)
    pause_s = math.fsum(end - start for start, end in activity.usable_pauses)
    missing: dict[str, str] = {}
    gate = _Gate(
        score=None, reason=f"only {pause_s:.2f} s of usable pause; {MIN_PAUSE_S:.1f} s are needed"
    )
    if pause_s >= MIN_PAUSE_S:
        gate = (
            _gate(recording)
            if activity.phrases
            else _Gate(score=None, reason="no speech was found")
        )
    if gate.score is None:
        missing["gate_score"] = missing["gated"] = gate.reason
    if gate.depth_db is None:
        missing["gate_depth_db"] = gate.reason
    if gate.dead_fraction is None:
        missing["gate_dead_fraction"] = gate.reason
    music = _music(recording)
    if music.score is None:
        missing["music_bed_score"] = missing["music_bed"] = music.reason
    if music.fraction is None:
        missing["music_bed_fraction"] = music.reason
    if music.level_db is None:
        missing["music_bed_re_speech_db"] = music.reason
    sounds_on = music.found or (music.found is None and music.fraction is not None)
    deviation = None if sounds_on else _log_spectral_std(recording)
    if deviation is None:
        missing["log_spectral_std_db"] = (
            "tones come and go in the pauses, and hide it"
            if sounds_on
            else "too little pause that is neither digital silence nor disturbed"
        )
    return Processing(
        gate_score=gate.score,
        gated=gate.found,
        gate_depth_db=gate.depth_db,
        gate_dead_fraction=gate.dead_fraction,
        log_spectral_std_db=deviation,
        music_bed_score=music.score,
        music_bed=music.found,
        music_bed_re_speech_db=music.level_db,
        music_bed_fraction=music.fraction,
        not_measured=missing,
    )


_FOUND = 1.0
"""Above this score: by definition, because each trace is divided by the least that counts."""


class _Gate(NamedTuple):
    score: float | None
    depth_db: float | None = None
    dead_fraction: float | None = None
    reason: str = ""  # for what is None

    @property
    def found(self) -> bool | None:
        return None if self.score is None else self.score > _FOUND


def _gate(recording: Recording) -> _Gate:
    """Look for the four traces of a gate, in a take with phrases and pauses."""
    spectrogram, activity = spectrogram_of(recording), activity_of(recording)
    hz = spectrogram.frequencies_hz
    edges = [edge for edge in _BAND_EDGES_HZ if edge <= _TOP_SHARE * recording.rate]
    bands = np.stack([(hz >= low) & (hz < high) for low, high in pairwise(edges)], axis=1)
    power = spectrogram.power @ bands.astype(np.float32)
    level = _db(power.sum(axis=1)) - active_level_of(recording).dbfs
    in_phrase = activity.mask(activity.phrases, spectrogram.times_s)
    dead = float(np.mean(level[in_phrase] <= _DEAD_DB))
    score = _zero_share(recording) / _ZERO_SHARE
    if score > _FOUND:
        return _Gate(score, None, dead, "the gate closes to digital silence")
    in_pause = activity.mask(activity.usable_pauses, spectrogram.times_s)
    in_pause &= power.sum(axis=1) > _SILENCE
    if min(in_pause.sum(), in_phrase.sum()) < _MIN_FRAMES:
        return _Gate(score, reason="no gate was found")
    floor_db = float(np.median(level[in_pause]))
    softer_db = _softer_db(power, in_pause, recording)
    softer = max(0.0, softer_db / _GATE_DB)
    phrases_s = sum(end - start for start, end in activity.phrases)
    long = phrases_s >= _BARE_PHRASES_S
    bare = softer if long and floor_db + softer_db > _VOICE_DB else 0.0
    spans = [slice(*np.searchsorted(spectrogram.times_s, phrase)) for phrase in activity.phrases]
    second, second_db = _second_level(_db(power), spans, in_pause)
    steep = min(softer, _rise_db(level, floor_db) / _RISE_DB)
    score = max(score, bare, second, steep)
    if score <= _FOUND:
        return _Gate(score, reason="no gate was found")
    depth_db = softer_db if bare > _FOUND else second_db if second > _FOUND else None
    if depth_db is None or floor_db + depth_db < _HIDDEN_DB:
        return _Gate(score, None, dead, "the voice hides the noise under it")
    return _Gate(score, depth_db, dead)


def _db(power: npt.NDArray[_Float]) -> npt.NDArray[_Float]:
    return levels_db(np.asarray(power + _SILENCE, power.dtype))


def _zero_share(recording: Recording) -> float:
    """Return the share of the pauses that lies in runs of zeros; padding at the ends left out."""
    heard = recording.voice != 0
    if not heard.any():
        return 0.0
    first, last = int(heard.argmax()), len(heard) - int(heard[::-1].argmax())
    shortest = _ZERO_RUN_S * recording.rate
    total = zeros = 0
    for start_s, end_s in activity_of(recording).usable_pauses:
        pause = heard[
            max(round(start_s * recording.rate), first) : min(round(end_s * recording.rate), last)
        ]
        total += len(pause)
        first_zeros, after = runs_of(~pause).T
        lengths = after - first_zeros
        zeros += int(lengths[lengths >= shortest].sum())
    return zeros / total if zeros >= _ZERO_S * recording.rate else 0.0


def _softer_db(
    power: npt.NDArray[np.float32], in_pause: npt.NDArray[np.bool_], recording: Recording
) -> float:
    """Return by how much the pauses lie below the softest moments of the speech, in any band.

    ``-inf`` where there is hardly any speech.
    """
    before, after = _MARGINS_S
    words = tuple(
        (a + before, b - after) for a, b in activity_of(recording).phrases if b - a > before + after
    )
    within = power[activity_of(recording).mask(words, spectrogram_of(recording).times_s)]
    if len(within) < _MIN_FRAMES:
        return -math.inf
    # The same percentile of both: where no gate is, what is left of a band is the same noise.
    open_ = _db(np.percentile(within, _SOFT_PERCENTILE, axis=0))
    return float((open_ - _closed_db(power, in_pause)).min())


def _closed_db(
    power: npt.NDArray[np.float32], in_pause: npt.NDArray[np.bool_]
) -> npt.NDArray[np.float32]:
    """Return the softest of the pauses in each band: of the middle pause, weighed by its length.

    A gate closes in most of them; a fade takes away one.
    """
    runs = runs_of(in_pause)
    sizes = runs[:, 1] - runs[:, 0]
    levels = np.stack(
        [_db(np.percentile(power[a:b], _SOFT_PERCENTILE, axis=0)) for a, b in runs.tolist()]
    )
    order = np.argsort(levels, axis=0)
    below = np.cumsum(sizes[order], axis=0)
    middle = (2 * below >= sizes.sum()).argmax(axis=0)
    found: npt.NDArray[np.float32] = np.take_along_axis(levels, order, axis=0)[
        middle, np.arange(levels.shape[1])
    ]
    return found


def _second_level(
    level: npt.NDArray[np.floating], phrases: list[slice], in_pause: npt.NDArray[np.bool_]
) -> tuple[float, float]:
    """Look for noise that lies a second time above the pauses, under the words.

    Parameters
    ----------
    level : ndarray, shape (frames, bands)
        Levels in dB.
    phrases : list of slice
        Frames of each phrase.
    in_pause : ndarray of bool, shape (frames,)

    Returns
    -------
    score : float
        How narrow the second level is: above 1 it is noise.
    step_db : float
        How far it lies above the pauses.
    """
    from scipy.ndimage import maximum_filter1d

    above = level - np.median(level[in_pause], axis=0)
    centers = np.arange(_GATE_DB, _PILE_TOP_DB, _PILE_STEP_DB)
    piles = []
    spoken = np.concatenate([above[phrase] for phrase in phrases])
    for words, rests in zip(spoken.T, above[in_pause].T, strict=True):
        near = _share_within(words, centers, _PILE_HALF_DB)
        around = _share_within(words, centers, _AROUND_HALF_DB)
        # Noise that swells for a while does so in the pauses, too.
        own = (near > _PILE_SHARE) & (near > 2.0 * _share_within(rests, centers, _AROUND_HALF_DB))
        piles.append(np.where(own, near / np.maximum(around, 1e-9), 0.0))
    if len(piles) < _PILE_BANDS:
        return 0.0, 0.0
    # 1 dB to either side: bands differ by a little.
    agreed = np.sort(maximum_filter1d(piles, 5, axis=1), axis=0)[-_PILE_BANDS]
    best = int(agreed.argmax())
    # Noise that sets in half way fills the phrases after it alone.
    piled = (np.abs(above - centers[best]) < _PILE_HALF_DB + 1.0).sum(axis=1) >= _PILE_BANDS
    holding = [piled[phrase].sum() > _PILE_SHARE * len(piled[phrase]) for phrase in phrases]
    score = float(agreed[best]) / _PILE if 2 * sum(holding) > len(holding) else 0.0
    return score, float(centers[best])


def _share_within(
    levels: npt.NDArray[np.floating], centers: npt.NDArray[np.float64], half_db: float
) -> npt.NDArray[np.float64]:
    """Return which share of the levels lies within `half_db` of each center."""
    ordered = np.sort(levels)
    above, below = (np.searchsorted(ordered, centers + side) for side in (half_db, -half_db))
    return (above - below) / len(levels)


def _rise_db(level: npt.NDArray[np.floating], floor_db: float) -> float:
    """Return how steeply the sound leaves its floor: the steepest rise within 15 ms.

    The first quartile over all times that it does.
    """
    starts, ends = runs_of(level <= floor_db + _CLOSED_DB).T
    last = len(level) - _OPENING_FRAMES - _RISE_FRAMES
    ends = ends[(ends - starts >= _CLOSED_FRAMES) & (ends <= last)]
    if not len(ends):
        return 0.0
    places = ends[:, np.newaxis] - 1 + np.arange(_OPENING_FRAMES)
    rises = (level[places + _RISE_FRAMES] - level[places]).max(axis=1)
    return float(np.percentile(rises, 25))


def _log_spectral_std(recording: Recording) -> float | None:
    """Return the standard deviation over time of the level in the bins of the pauses, in dB.

    Pooled over bins and pauses; each pause about its own mean and each frame about its own level,
    so that noise which swells or changes between pauses does not count.
    """
    spectrogram = spectrogram_of(recording)
    hz = spectrogram.frequencies_hz
    top = min(_LATTICE_HZ[1], _TOP_SHARE * recording.rate)
    bins = slice(*np.searchsorted(hz, (_LATTICE_HZ[0], top)))
    pauses = []
    for start, end in activity_of(recording).usable_pauses:
        first, last = np.searchsorted(spectrogram.times_s, (start + _EDGE_S, end - _EDGE_S))
        # Every second frame: half a window apart, so that neighbors hardly depend on each other.
        pauses.append(spectrogram.power[first:last:2, bins].astype(np.float64))
    totals = [power.sum(axis=1) for power in pauses]
    heard = np.concatenate([total[total > _SILENCE] for total in totals] or [np.zeros(0)])
    if not len(heard):
        return None
    loudest = _DISTURBED * float(np.median(heard))
    squares, freedom = 0.0, 0
    for power, total in zip(pauses, totals, strict=True):
        quiet = power[(total > _SILENCE) & (total <= loudest)]
        if len(quiet) < 2:
            continue
        level = levels_db(quiet + _SILENCE * 1e-6)
        level -= level.mean(axis=1, keepdims=True)
        level -= level.mean(axis=0)
        squares += float(np.square(level).sum())
        freedom += (level.shape[0] - 1) * (level.shape[1] - 1)
    enough = freedom >= _MIN_FRAMES * (hz[bins].size - 1) > 0
    return math.sqrt(squares / freedom) if enough else None


class _Music(NamedTuple):
    score: float | None
    fraction: float | None = None
    level_db: float | None = None
    reason: str = ""  # for what is None

    @property
    def found(self) -> bool | None:
        return None if self.score is None else self.score > _FOUND


def _music(recording: Recording) -> _Music:
    """Look for tones that come and go in the soft stretches of the take."""
    if not activity_of(recording).phrases:
        return _Music(None, reason="no speech was found")
    spans = _soft_spans(recording)
    top_hz = min(_TONES_TOP_HZ, _TOP_SHARE * recording.rate)
    tones = find_moving_tones(voice_at(recording, RATE_HZ), spans, top_hz)
    if tones.frames < _MUSIC_FRAMES:
        return _Music(None, reason="too little of the take is soft enough to hear music in")
    score = min(tones.fraction / _MUSIC_FRACTION, tones.places / _MUSIC_PLACES)
    if score <= _FOUND:
        return _Music(score, tones.fraction, reason="no music was found")
    before_voice = tones.per_frame[0] if spans[0][0] == 0.0 else None
    if before_voice is None:
        reason = "no half second before the first word, to tell music from an echo of the voice"
        return _Music(None, tones.fraction, reason=reason)
    score = min(score, before_voice / _MUSIC_BEFORE)
    if score <= _FOUND:
        return _Music(score, tones.fraction, reason="what sounds on is an echo of the voice")
    spectrogram = spectrogram_of(recording)
    power = spectrogram.band(_SOFT_BAND_HZ[0], math.inf)
    without_voice = tuple((start + _RELEASE_S, end) for start, end in spans)
    soft = power[activity_of(recording).mask(without_voice, spectrogram.times_s)]
    level_db = db(float(soft.mean())) - active_level_of(recording).dbfs
    return _Music(score, tones.fraction, level_db)


def _soft_spans(recording: Recording) -> tuple[tuple[float, float], ...]:
    """Return where the take stays well below the speech: pauses, and music in them."""
    from scipy.ndimage import uniform_filter1d

    spectrogram = spectrogram_of(recording)
    level = _db(uniform_filter1d(spectrogram.band(*_SOFT_BAND_HZ), _SOFT_SMOOTH))
    soft = level < active_level_of(recording).dbfs + _SOFT_DB
    runs = runs_of(soft)
    long = runs[(runs[:, 1] - runs[:, 0]) * spectrogram.hop_s >= _SOFT_S].tolist()
    return tuple(
        (
            first * spectrogram.hop_s,
            recording.duration_s if end == len(soft) else end * spectrogram.hop_s - _ONSET_S,
        )
        for first, end in long
    )
