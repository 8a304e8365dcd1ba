"""What comparing needs of a take, beyond its facts: compact tracks over time, kept with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import db
from vocheck.measurements.loudness import energies_of
from vocheck.recording import Recording
from vocheck.results import Result
from vocheck.session.cache import MEASURING, fingerprint
from vocheck.session.settings import Settings
from vocheck.session.take import TakeResult, judge_take
from vocheck.session.takefile import TakeFile
from vocheck.takes.takemap import FRAME_S, Features, TakeMap, cepstra_of, map_takes, normalized
from vocheck.voice.activity import activity_of
from vocheck.voice.pitch import pitch_of

MADE_BY = ("takes/tracks.py", "takes/takemap.py")
"""The files that make tracks, beside those that measure."""


@dataclass(frozen=True, eq=False)
class Tracks(Result):
    """Tracks of a take, a third of a megabyte for a minute.

    Attributes
    ----------
    cepstra : ndarray of float32, shape (frames, 13)
        Mel-frequency cepstra every 10 ms.
    speech : ndarray of bool, shape (frames,)
        Whether each of these frames holds speech.
    energies : ndarray of float32, shape (frames,)
        K-weighted mean square of each frame of 10 ms.
    pitch_times_s, pitch_hz : ndarray of float32, shape (frames,)
        Pitch; 0 where unvoiced.
    """

    cepstra: npt.NDArray[np.float32]
    speech: npt.NDArray[np.bool_]
    energies: npt.NDArray[np.float32]
    pitch_times_s: npt.NDArray[np.float32]
    pitch_hz: npt.NDArray[np.float32]

    @cached_property
    def features(self) -> Features:
        """What takes are aligned by."""
        return normalized(self.cepstra, self.speech)

    def level_db(self, start_s: float, end_s: float) -> float | None:
        """Return the K-weighted level of the speech between two moments."""
        frames = slice(round(start_s / FRAME_S), round(end_s / FRAME_S))
        energies, speech = self.energies[frames], self.features.speech[frames]
        count = min(len(energies), len(speech))
        spoken = energies[:count][speech[:count]]
        level = db(float(spoken.mean())) if len(spoken) else -np.inf
        return level if np.isfinite(level) else None

    def pitch_near(self, start_s: float, end_s: float) -> float | None:
        """Return the median pitch between two moments, in semitones."""
        first, last = np.searchsorted(self.pitch_times_s, (start_s, end_s))
        hz = self.pitch_hz[first:last]
        hz = hz[hz > 0]
        return 12.0 * float(np.log2(np.median(hz))) if len(hz) else None


def tracks_of(recording: Recording) -> Tracks:
    """Keep of a recording what comparing needs."""
    pitch = pitch_of(recording)
    return Tracks(
        cepstra=cepstra_of(recording),
        speech=activity_of(recording).speech,
        energies=energies_of(recording).mean_square.astype(np.float32),
        pitch_times_s=pitch.times_s.astype(np.float32),
        pitch_hz=pitch.hz.astype(np.float32),
    )


@dataclass(frozen=True, eq=False)
class ComparedTake:
    """A take with what comparing needs: small enough to come back from another process."""

    result: TakeResult
    tracks: Tracks


def judge_with_tracks(file: TakeFile, settings: Settings) -> ComparedTake:
    """Measure and judge one take, and keep what comparing needs: work for `each`."""
    return ComparedTake(
        result=judge_take(file, settings),
        tracks=file.remember(Tracks, tracks_of, made_by=MADE_BY),
    )


def maps_onto(
    reference: ComparedTake, takes: Sequence[ComparedTake], settings: Settings
) -> list[TakeMap]:
    """Map a take onto others, unless that was done before.

    Parameters
    ----------
    reference : ComparedTake
    takes : sequence of ComparedTake
        One map comes back for each.
    settings : Settings
        Its cache and its executor count.
    """
    run = map if settings.executor is None else settings.executor.map
    cache, of_code = settings.cache, fingerprint(*MEASURING, *MADE_BY)
    keys = [(of_code, reference.result.sha256 or "", take.result.sha256 or "") for take in takes]
    maps = {key: None if cache is None else cache.recall(TakeMap, key) for key in keys}
    heard = {key: take.tracks.features for key, take in zip(keys, takes, strict=True)}
    unknown = [key for key in maps if maps[key] is None]
    onto = [reference.tracks.features] * len(unknown)
    made_maps = run(map_takes, onto, [heard[key] for key in unknown])
    for key, made in zip(unknown, made_maps, strict=True):
        maps[key] = made
        if cache is not None:
            cache.keep(key, made)
    return [found for key in keys if (found := maps[key]) is not None]
