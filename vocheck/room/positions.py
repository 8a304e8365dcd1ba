"""Two microphones or two positions in one booth, compared.

What it is
    The differences between two recordings of the same words, or of the same clap: level, noise,
    room and tone, a sentence each, and which of the two is better.
Method
    Words: the active speech level (ITU-T P.56), the noise under the voice, the reverberation
    estimated from the voice, and the third-octave spectra with their mean level taken off. Claps:
    the reverberation time of ISO 3382-2, the clarity C50, the noise below the response, and the
    spectra of the first 50 ms. Room tone alone: its A-weighted level.
    Noise and room decide which is better. Tone and level are described only: tone is a matter of
    taste, and level of the gain.
Units
    Decibels and seconds.
Source
    From where on a difference counts, and on whose word, stands in ``policy/positions.toml``.
Limits of validity
    As good as the recordings are alike: the same words at the same effort, or the same clap at the
    same place. Levels compare only where the gain was the same; noise is given below the voice, so
    it compares in any case.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from vocheck.audio.readers import read
from vocheck.dsp.decibels import db
from vocheck.dsp.impulses import recognise, trim_silence
from vocheck.dsp.octaves import bands
from vocheck.errors import AudioError
from vocheck.measurements import noise, reverberation, tone
from vocheck.policy.every import Policy, policy_for
from vocheck.policy.rule import Judgment
from vocheck.policy.tolerances import Audible
from vocheck.recording import Recording
from vocheck.results import Result
from vocheck.room import Notice, PathLike, RoomResult, measure_room
from vocheck.voice.level import active_level_of

Side = Literal["first", "second"]
Kind = Literal["words", "impulse", "room tone"]

# As a mixer calls them.
_REGIONS_HZ = (
    ("in the bass, 80 to 250 Hz", 80.0, 250.0),
    ("in the low middle, 315 to 800 Hz", 315.0, 800.0),
    ("in the middle, 1 to 2.5 kHz", 1000.0, 2500.0),
    ("in the presence region, 3.15 to 6.3 kHz", 3150.0, 6300.0),
    ("in the top, 8 to 12.5 kHz", 8000.0, 12500.0),
)
_EARLY_S = 0.05  # what C50 counts as early


@dataclass(frozen=True, kw_only=True)
class Difference(Judgment):
    """One thing in which the two recordings were compared.

    Attributes
    ----------
    name : str
        ``"level"``, ``"noise"``, ``"room"``, ``"clarity"`` or ``"tone"``.
    first, second : float or None
        Its value in both; ``None`` where it could not be measured.
    beyond : float
        From which difference on they are not alike; of the reverberation time a ratio.
    better : {"first", "second"} or None
        ``None`` where they are alike, cannot be told, or it is no matter of better.
    alike : bool or None
        Whether the two differ by less than would be heard; ``None`` where they cannot be compared.
    region : str
        Of the tone: where the spectrum differs.
    unit : str
        Of the two values.
    source, status : str
        On whose word `beyond` stands.
    """

    name: str
    first: float | None
    second: float | None
    beyond: float
    better: Side | None
    alike: bool | None
    region: str = ""


@dataclass(frozen=True, kw_only=True)
class BandDifference(Result):
    """Level of the second recording over the first in one third-octave, mean level taken off."""

    centre_hz: float
    difference_db: float


@dataclass(frozen=True, kw_only=True)
class PositionsResult(Result):
    """Two microphones or positions, compared.

    Attributes
    ----------
    first, second : str or None
        The recordings.
    kind : {"words", "impulse", "room tone"}
    differences : tuple of Difference
    tone : tuple of BandDifference
    better : {"first", "second"} or None
    notices : tuple of Notice
    """

    first: str | None
    second: str | None
    kind: Kind
    differences: tuple[Difference, ...]
    tone: tuple[BandDifference, ...]
    better: Side | None
    notices: tuple[Notice, ...]


def compare_positions(
    first: PathLike | Recording,
    second: PathLike | Recording,
    policy: Policy | None = None,
) -> PositionsResult:
    """Compare two recordings of the same words, or of the same clap.

    Parameters
    ----------
    first, second : path or Recording
    policy : Policy, optional
        From where on a difference counts; where omitted: as shipped, with the overrides of the
        ``vocheck.toml`` nearest to the first.

    Raises
    ------
    AudioError
        If a file cannot be read or is silent, or the two are of different kinds.
    """
    pair = tuple(item if isinstance(item, Recording) else read(item) for item in (first, second))
    kinds = [_kind(recording) for recording in pair]
    if kinds[0] != kinds[1]:
        raise AudioError(
            f"{_name(pair[0])} holds {_WORD[kinds[0]]}, {_name(pair[1])} {_WORD[kinds[1]]}: "
            "compare the same words, or the same clap"
        )
    compare = {"words": _words, "impulse": _impulses, "room tone": _tones}[kinds[0]]
    if policy is None:
        path = pair[0].source.path
        policy = policy_for(path) if path else Policy()
    differences, spectra = compare(pair[0], pair[1], policy.positions)
    return PositionsResult(
        first=pair[0].source.path,
        second=pair[1].source.path,
        kind=kinds[0],
        differences=tuple(differences),
        tone=spectra,
        better=_better(differences),
        notices=tuple(_notices(kinds[0], pair[0], pair[1], policy.positions["length"].beyond)),
    )


_WORD = {"words": "words", "impulse": "claps", "room tone": "room tone"}


def _name(recording: Recording) -> str:
    return recording.source.path or "a recording"


def _kind(recording: Recording) -> Kind:
    x = recording.voice.astype(np.float64)
    start, end = trim_silence(x)
    x = x[start:end]
    if not len(x):
        raise AudioError(f"{_name(recording)}: holds nothing but digital silence")
    found = recognise(x - x.mean(), recording.rate)
    return "words" if found is None or found == "sweep" else found


def _notices(kind: Kind, first: Recording, second: Recording, ratio: float) -> Iterator[Notice]:
    lengths = sorted((first.duration_s, second.duration_s))
    if kind == "words" and lengths[1] > ratio * lengths[0]:
        yield Notice(kind="lengths differ", value=lengths[1] / lengths[0], limit=ratio)
    if kind == "room tone":
        yield Notice(kind="same gain")


Rows = Mapping[str, Audible]
Spectrum = dict[float, float]
Compared = tuple[list[Difference], tuple[BandDifference, ...]]


def _words(first: Recording, second: Recording, rows: Rows) -> Compared:
    floors = [noise.measure(recording) for recording in (first, second)]
    rooms = [reverberation.measure(recording) for recording in (first, second)]
    levels = [active_level_of(recording).dbfs for recording in (first, second)]
    differences = [
        _compared(rows["level"], levels, "dBFS"),
        # How far the noise lies below the voice or the response.
        _compared(rows["noise"], [floor.snr_db for floor in floors], "dB", best="more"),
        _compared(rows["room"], [room.rt60_s for room in rooms], "s", best="less"),
    ]
    ltas = [
        {band.centre_hz: band.level_db for band in tone.measure(recording).ltas or ()}
        for recording in (first, second)
    ]
    return _with_tone(differences, ltas[0], ltas[1], rows["tone"])


def _impulses(first: Recording, second: Recording, rows: Rows) -> Compared:
    rooms = [measure_room(recording, excitation="impulse") for recording in (first, second)]
    levels = [_response_level(r, room) for r, room in _zip(first, second, rooms)]
    times = [room.mid_t_s or room.voice_t_s for room in rooms]
    differences = [
        _compared(rows["level"], levels, "dBFS"),
        _compared(rows["noise"], [room.peak_to_noise_db for room in rooms], "dB", best="more"),
        _compared(rows["room"], times, "s", best="less"),
        _compared(rows["clarity"], [room.mid_c50_db for room in rooms], "dB", best="more"),
    ]
    spectra = [_early_spectrum(r, room) for r, room in _zip(first, second, rooms)]
    return _with_tone(differences, spectra[0], spectra[1], rows["tone"])


def _tones(first: Recording, second: Recording, rows: Rows) -> Compared:
    rooms = [measure_room(recording, excitation="room tone") for recording in (first, second)]
    levels = [room.noise.floor_a_dbfs if room.noise else None for room in rooms]
    return [_compared(rows["noise"], levels, "dBFS", best="less")], ()


def _zip(
    first: Recording, second: Recording, rooms: list[RoomResult]
) -> list[tuple[Recording, RoomResult]]:
    return list(zip((first, second), rooms, strict=True))


def _early(
    recording: Recording, room: RoomResult
) -> list[np.ndarray[tuple[int], np.dtype[np.float64]]]:
    """Return the first 50 ms of each response."""
    length = round(_EARLY_S * recording.rate)
    starts = [round(response.onset_s * recording.rate) for response in room.responses]
    return [recording.voice[start : start + length].astype(np.float64) for start in starts]


def _response_level(recording: Recording, room: RoomResult) -> float | None:
    energies = [float(early @ early) for early in _early(recording, room)]
    return db(float(np.mean(energies)) / recording.rate / _EARLY_S) if energies else None


def _early_spectrum(recording: Recording, room: RoomResult) -> Spectrum:
    """Return the third-octave levels of the first 50 ms, from 160 Hz on (too short below)."""
    wanted = bands(3, 160.0, min(12500.0, 0.4 * recording.rate))
    total = np.zeros(len(wanted))
    for early in _early(recording, room):
        padded = np.pad(early, (recording.rate // 20, recording.rate // 10))
        spectrum = np.abs(np.fft.rfft(padded)) ** 2
        edges = np.arange(len(spectrum)) * recording.rate / len(padded)
        for index, band in enumerate(wanted):
            inside = (edges >= band.low_hz) & (edges < band.high_hz)
            total[index] += spectrum[inside].sum()
    return {band.nominal_hz: db(float(power)) for band, power in zip(wanted, total, strict=True)}


def _compared(
    row: Audible,
    values: Sequence[float | None],
    unit: str,
    best: Literal["more", "less"] | None = None,
) -> Difference:
    """Compare a quantity of both; `best` says which of two that differ is the better one."""
    a, b = values
    side: Side | None = None
    alike: bool | None = None
    if a is not None and b is not None and np.isfinite([a, b]).all():
        alike = row.is_alike(a, b)
        if not alike and best is not None:
            side = "first" if (a > b) == (best == "more") else "second"
    return _difference(row, a, b, unit, better=side, alike=alike)


def _difference(
    row: Audible,
    first: float | None,
    second: float | None,
    unit: str,
    *,
    better: Side | None = None,
    alike: bool | None,
    region: str = "",
) -> Difference:
    return Difference(
        name=row.name,
        first=first,
        second=second,
        unit=unit,
        beyond=row.beyond,
        better=better,
        alike=alike,
        region=region,
        source=row.source,
        status=row.status,
    )


def _with_tone(
    differences: list[Difference], first: Spectrum, second: Spectrum, row: Audible
) -> Compared:
    common = [hz for hz in first if hz in second and 80.0 <= hz <= 12500.0]
    finite = [hz for hz in common if np.isfinite(first[hz]) and np.isfinite(second[hz])]
    if len(finite) < 5:
        differences.append(_difference(row, None, None, "dB", alike=None))
        return differences, ()
    delta = np.array([second[hz] - first[hz] for hz in finite])
    delta -= delta.mean()
    for region, low, high in _REGIONS_HZ:
        inside = [d for hz, d in zip(finite, delta, strict=True) if low <= hz <= high]
        change = float(np.mean(inside)) if inside else 0.0
        if not row.is_alike(0.0, change):
            found = _difference(row, 0.0, change, "dB", alike=False, region=region)
            differences.append(found)
    if not any(difference.name == "tone" for difference in differences):
        differences.append(_difference(row, 0.0, 0.0, "dB", alike=True))
    return differences, tuple(
        BandDifference(centre_hz=hz, difference_db=float(d))
        for hz, d in zip(finite, delta, strict=True)
    )


def _better(differences: list[Difference]) -> Side | None:
    """Return which is better in something and worse in nothing."""
    sides = {difference.better for difference in differences} - {None}
    return sides.pop() if len(sides) == 1 else None
