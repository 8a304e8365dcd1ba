"""A session ready to be shown: its takes ranked, compared phrase by phrase, and pictured.

The page and the sheet need more than results: waveforms and spectrograms. Each take is read once;
everything that is shown of it is made while its samples are in memory.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Unpack

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import levels_db
from vocheck.recording import Recording
from vocheck.results import Result
from vocheck.session.each import Failure, each
from vocheck.session.settings import Options, Settings, settings_or
from vocheck.session.takefile import TakeFile
from vocheck.takes.comp import Comp, CompSheet, compare
from vocheck.takes.rank import Progress, Ranking, in_progress
from vocheck.takes.tracks import ComparedTake, judge_with_tracks
from vocheck.takes.unnamed import open_lines
from vocheck.voice.channel import spectrogram_of

WAVE_COLUMNS = 600  # about a pixel each on a page
SPECTRUM_COLUMNS, SPECTRUM_ROWS = 480, 96  # as many as a picture of a few kB holds
SPECTRUM_HZ = (60.0, 16_000.0)  # the voice and its hiss
SPECTRUM_RANGE_DB = 75.0  # from the loudest sound to the noise of a good booth


@dataclass(frozen=True, eq=False)
class Picture(Result):
    """What is drawn of one take.

    Attributes
    ----------
    low, high : ndarray of float32, shape (columns,)
        Least and greatest sample of each column, full scale 1.0.
    spectrum : ndarray of uint8, shape (rows, columns)
        Level over time and frequency, high frequencies first: 255 is the loudest, 0 is 75 dB less.
    """

    low: npt.NDArray[np.float32]
    high: npt.NDArray[np.float32]
    spectrum: npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Overview:
    """A session: a comp sheet per line, pictures by path, and what could not be done."""

    comp: Comp
    pictures: Mapping[str, Picture]

    @property
    def sheets(self) -> tuple[CompSheet, ...]:
        """The comp sheet of each line that there is anything to show of."""
        return tuple(sheet for sheet in self.comp.sheets if sheet.takes)

    @property
    def failures(self) -> tuple[Failure, ...]:
        """Files that could not be done."""
        return self.comp.failures

    @property
    def left_out(self) -> tuple[str, ...]:
        """Files whose names are not those of takes."""
        return self.comp.left_out

    @property
    def ranking(self) -> Ranking:
        """The session as `vocheck.rank_takes` gives it."""
        return self.comp.ranking


@dataclass(frozen=True, eq=False)
class _Shown:
    """A take compared and pictured."""

    compared: ComparedTake
    picture: Picture


def make_overview(
    paths: Iterable[str | os.PathLike[str]],
    settings: Settings | None = None,
    *,
    progress: Progress | None = None,
    **options: Unpack[Options],
) -> Overview:
    """Rank, compare and picture the takes of a session.

    The parameters are those of `vocheck.rank_takes`, and so are the errors raised.
    """
    paths = list(paths)
    settings = settings_or(settings, paths, options)
    session = open_lines(paths, settings)
    settings = replace(settings, notes=session.notes)
    done = each(partial(_show, settings=settings), session.paths, settings)
    shown = in_progress(done, session, progress)
    compared = {
        path: take.compared if isinstance(take, _Shown) else take for path, take in shown.items()
    }
    return Overview(
        comp=compare(session, compared, settings),
        pictures={
            os.fspath(path): take.picture
            for path, take in shown.items()
            if isinstance(take, _Shown)
        },
    )


def _show(file: TakeFile, settings: Settings) -> _Shown:
    return _Shown(
        compared=judge_with_tracks(file, settings),
        picture=file.remember(Picture, draw, made_by=("takes/overview.py",)),
    )


def draw(recording: Recording) -> Picture:
    """Return the waveform and the spectrogram of a recording's voice, reduced to columns."""
    voice = recording.voice
    edges = np.linspace(0, len(voice), WAVE_COLUMNS + 1).astype(np.intp)[:-1]
    if len(voice) >= WAVE_COLUMNS:
        low, high = np.minimum.reduceat(voice, edges), np.maximum.reduceat(voice, edges)
    else:
        low = high = np.zeros(WAVE_COLUMNS, np.float32)
    return Picture(low=low, high=high, spectrum=_spectrum(recording))


def _spectrum(recording: Recording) -> npt.NDArray[np.uint8]:
    """Return the spectrogram on a logarithmic frequency axis, the loudest bin of each cell."""
    spectrogram = spectrogram_of(recording)
    power = spectrogram.power
    if len(power) < SPECTRUM_COLUMNS:
        return np.zeros((SPECTRUM_ROWS, SPECTRUM_COLUMNS), np.uint8)
    times = np.linspace(0, len(power), SPECTRUM_COLUMNS + 1).astype(np.intp)[:-1]
    power = np.maximum.reduceat(power, times, axis=0)
    top = min(SPECTRUM_HZ[1], recording.rate / 2)
    centres = np.geomspace(SPECTRUM_HZ[0], top, SPECTRUM_ROWS)
    bins = np.clip(np.searchsorted(spectrogram.frequencies_hz, centres), 1, power.shape[1] - 1)
    level = levels_db(power[:, bins], 1e-16)
    # Lifted by 3 dB an octave, breaths and esses show as clearly as they are heard.
    level += 3.0 * np.log2(centres / centres[0])
    scaled = np.clip((level - level.max()) / SPECTRUM_RANGE_DB + 1.0, 0.0, 1.0)
    return np.ascontiguousarray((255 * scaled).astype(np.uint8).T[::-1])
