"""What a room measurement returns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from vocheck.dsp.impulses import Excitation
from vocheck.dsp.octaves import Fraction
from vocheck.policy.judge import Finding
from vocheck.results import Result

NoticeKind = Literal[
    "few responses",
    "near source",
    "next sound too soon",
    "gated",
    "overloaded",
    "sweep cut",
    "sound before",
    "short range",
    "reversed filter",
    "direct sound removed",
    "bent decay",
    "lengths differ",
    "same gain",
]


@dataclass(frozen=True, kw_only=True)
class Notice(Result):
    """Something to know about a measurement, as facts; `vocheck.wording.room` says it.

    Attributes
    ----------
    kind : NoticeKind
    value : float or None
        How many, how much, or by how much.
    limit : float or None
        What the value is held to.
    path : str or None
        The recording.
    time_s : float or None
        Where in it.
    quantity : str
        Which number it concerns, where it is one of several.
    """

    kind: NoticeKind
    value: float | None = None
    limit: float | None = None
    path: str | None = None
    time_s: float | None = None
    quantity: str = ""


@dataclass(frozen=True, kw_only=True)
class RoomBand(Result):
    """One band of a room measurement, averaged over the responses.

    Attributes
    ----------
    centre_hz : float
        Nominal mid-band frequency.
    edt_s, t20_s, t30_s : float or None
        Early decay time and reverberation times, each stated for 60 dB.
    c50_db : float or None
        Clarity: energy of the first 50 ms over the rest.
    d50 : float or None
        Definition: share of the energy within the first 50 ms.
    ts_s : float or None
        Centre time.
    dynamic_range_db : float or None
        How far the decay can be followed before it meets the noise; the best response.
    valid : bool
        Whether the reverberation time of this band may be used.
    reason : str or None
        Why not.
    responses : int
        From how many responses the reverberation time is the mean.
    t20_spread_s : float or None
        Standard deviation between the responses; ``None`` for one.
    scatter_s : float or None
        Standard deviation to be expected of the mean T20, from bandwidth, reverberation time and
        number of responses (ISO 3382-2).
    nonlinearity_permille, curvature_percent : float or None
        How straight the decay is (ISO 3382-2, annex B): below 5 per mille and 5 % it is.
    notices : tuple of Notice
        What to know about the numbers.
    not_measured : mapping of str to str
        Why a number is missing.
    decay_db : tuple of float
        The decay curve of the best response, from its onset in steps of `decay_step_s`.
    decay_step_s : float or None
    """

    centre_hz: float
    edt_s: float | None
    t20_s: float | None
    t30_s: float | None
    c50_db: float | None
    d50: float | None
    ts_s: float | None
    dynamic_range_db: float | None
    valid: bool
    reason: str | None
    responses: int
    t20_spread_s: float | None
    scatter_s: float | None
    nonlinearity_permille: float | None
    curvature_percent: float | None
    notices: tuple[Notice, ...]
    not_measured: Mapping[str, str]
    decay_db: tuple[float, ...]
    decay_step_s: float | None


@dataclass(frozen=True, kw_only=True)
class NoiseBand(Result):
    """Background noise in one octave.

    Attributes
    ----------
    centre_hz : float
        Nominal mid-band frequency.
    level_dbfs : float
    level_db : float or None
        Sound pressure level re 20 uPa; ``None`` without calibration.
    """

    centre_hz: float
    level_dbfs: float
    level_db: float | None


@dataclass(frozen=True, kw_only=True)
class HumTone(Result):
    """One tone of mains hum."""

    frequency_hz: float
    level_dbfs: float


@dataclass(frozen=True, kw_only=True)
class RoomNoise(Result):
    """Background noise of a room.

    Attributes
    ----------
    duration_s, start_s : float
        The stretch it was measured on.
    floor_dbfs, floor_a_dbfs : float
        Level, unweighted and A-weighted (IEC 61672-1).
    bands : tuple of NoiseBand
        Octaves.
    mains_hz, hum_dbfs : float or None
        Mains frequency and level of the hum; ``None`` where there is none.
    hum_tones : tuple of HumTone
    level_a_db : float or None
        A-weighted sound pressure level, where calibrated.
    nc, nr : int or None
        Noise classes, where calibrated.
    nc_bound : str or None
        ``"at most"`` or ``"at least"`` where the noise lies outside the tabulated curves.
    nc_hz, nr_hz : float or None
        The octave that sets the class.
    full_scale_db : float or None
        Sound pressure level of 0 dBFS, from the calibration tone.
    """

    duration_s: float
    start_s: float
    floor_dbfs: float
    floor_a_dbfs: float
    bands: tuple[NoiseBand, ...]
    mains_hz: float | None
    hum_dbfs: float | None
    hum_tones: tuple[HumTone, ...]
    level_a_db: float | None
    nc: int | None
    nc_bound: str | None
    nc_hz: float | None
    nr: int | None
    nr_hz: float | None
    full_scale_db: float | None


@dataclass(frozen=True, kw_only=True)
class Response(Result):
    """One impulse response that was measured.

    Attributes
    ----------
    path : str or None
    onset_s : float
        Where it starts in the recording (for a sweep: when the sweep's start arrives).
    peak_to_noise_db : float
        Peak of the response over the RMS of the noise after it.
    overloaded : bool
        The peak is cut off flat.
    """

    path: str | None
    onset_s: float
    peak_to_noise_db: float
    overloaded: bool


@dataclass(frozen=True, kw_only=True)
class Comparison(Result):
    """The mid-band reverberation time beside a published value.

    Attributes
    ----------
    title : str
        Which rooms have it.
    volume_m3 : float or None
        Of the room, where the value depends on it.
    low_s, high_s : float
    verdict : str
        ``"shorter"``, ``"within"`` or ``"longer"``.
    source, status : str
    """

    title: str
    volume_m3: float | None
    low_s: float
    high_s: float
    verdict: Literal["shorter", "within", "longer"]
    source: str
    status: str


@dataclass(frozen=True, kw_only=True)
class RoomResult(Result):
    """A room measurement.

    Attributes
    ----------
    path : str or None
        The first recording; ``None`` for an array.
    paths : tuple of str
        All of them.
    excitation : {"impulse", "sweep", "room tone"}
    fraction : {1, 3}
        Octaves or third-octaves.
    onset_s, peak_to_noise_db : float or None
        Of the first response, and the median of all.
    responses : tuple of Response
    bands : tuple of RoomBand
        Empty for room tone.
    mid_t_s : float or None
        Mean T20 of the octaves 500 and 1000 Hz, or of the third-octaves 400 to 1250 Hz.
    mid_spread_s : float or None
        Standard deviation of that mean between responses; ``None`` for one.
    mid_scatter_s : float or None
        Standard deviation to be expected of it.
    mid_c50_db : float or None
        Mean C50 of the same bands.
    voice_t_s : float or None
        Mean T20 of those of 500, 1000 and 2000 Hz that are valid.
    voice_bands_hz : tuple of float
        Which those are.
    character : str or None
        What the reverberation time means for a voice, in words.
    noise : RoomNoise or None
    comparisons : tuple of Comparison
    findings : tuple of Finding
    notices : tuple of Notice
        What to know about the measurement as a whole.
    not_measured : mapping of str to str
        Dotted name to reason.
    """

    path: str | None
    paths: tuple[str, ...]
    excitation: Excitation
    fraction: Fraction = 1
    onset_s: float | None
    peak_to_noise_db: float | None
    responses: tuple[Response, ...] = ()
    bands: tuple[RoomBand, ...] = ()
    mid_t_s: float | None
    mid_spread_s: float | None
    mid_scatter_s: float | None
    mid_c50_db: float | None
    voice_t_s: float | None
    voice_bands_hz: tuple[float, ...]
    character: str | None = None
    noise: RoomNoise | None
    comparisons: tuple[Comparison, ...] = ()
    findings: tuple[Finding, ...] = ()
    notices: tuple[Notice, ...] = ()
    not_measured: Mapping[str, str] = field(default_factory=dict)
