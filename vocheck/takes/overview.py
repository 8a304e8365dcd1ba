"""A session ready to be shown: its takes ranked, compared phrase by phrase, and pictured.

The page and the sheet need more than results: waveforms and spectrograms. Each take is read once;
everything that is shown of it is made while its samples are in memory.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from vocheck.dsp.decibels import levels_db
from vocheck.policy.limits import Limits
from vocheck.recording import Recording
from vocheck.script.text import Script
from vocheck.session.each import Failure, each
from vocheck.session.names import Notes, open_session
from vocheck.session.take import load_take
from vocheck.takes.comp import CompSheet, LoadedTake, loaded, make_sheet
from vocheck.takes.rank import Ranking
from vocheck.voice.channel import spectrogram_of

WAVE_COLUMNS = 600
SPECTRUM_COLUMNS, SPECTRUM_ROWS = 480, 96
SPECTRUM_HZ = (60.0, 16_000.0)
SPECTRUM_RANGE_DB = 75.0


@dataclass(frozen=True, eq=False)
class Picture:
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

    sheets: tuple[CompSheet, ...]
    pictures: Mapping[str, Picture]
    failures: tuple[Failure, ...] = ()
    left_out: tuple[str, ...] = ()

    @property
    def ranking(self) -> Ranking:
        """The session as `vocheck.rank_takes` gives it."""
        return Ranking(
            lines=tuple(sheet.ranking for sheet in self.sheets),
            failures=self.failures,
            left_out=self.left_out,
        )


_Shown = tuple[LoadedTake, Picture]


def make_overview(
    paths: Iterable[str | os.PathLike[str]],
    limits: Limits | None = None,
    targets: Sequence[str] = (),
    *,
    notes: Notes | None = None,
    pattern: str | None = None,
    executor: Executor | None = None,
    progress: Callable[[Iterable[_Shown | Failure], int], Iterable[_Shown | Failure]] | None = None,
    script: Script | None = None,
) -> Overview:
    """Rank, compare and picture the takes of a session.

    The parameters are those of `vocheck.rank_takes`, and so are the errors raised.
    """
    session = open_session(paths, pattern, notes)
    work = partial(_show, limits=limits, targets=tuple(targets), pattern=pattern, script=script)
    names = list(map(os.fspath, session.paths))
    done: Iterable[_Shown | Failure] = each(work, names, executor)
    if progress is not None:
        done = progress(done, len(names))
    results = dict(zip(names, done, strict=True))
    sheets = []
    for line, takes in session.lines.items():
        mine = [results[os.fspath(path)] for path, _ in takes]
        usable = [shown[0] for shown in mine if isinstance(shown, tuple)]
        if usable:
            failed = tuple(shown for shown in mine if isinstance(shown, Failure))
            sheets.append(make_sheet(line, usable, session.notes, failed, executor))
    return Overview(
        sheets=tuple(sheets),
        pictures={path: s[1] for path, s in results.items() if isinstance(s, tuple)},
        failures=tuple(s for s in results.values() if isinstance(s, Failure)),
        left_out=tuple(os.fspath(path) for path in session.left_out),
    )


def _show(
    path: str,
    limits: Limits | None,
    targets: tuple[str, ...],
    pattern: str | None,
    script: Script | None,
) -> _Shown:
    recording, result = load_take(path, limits, targets, pattern=pattern, script=script)
    return loaded(recording, result), draw(recording)


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
