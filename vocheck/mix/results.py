"""What is said of a mix: frozen facts, checks and verdicts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, Literal

from vocheck.measurements.loudness import Loudness
from vocheck.measurements.true_peak import TruePeak
from vocheck.mix.sound import TrackChoice
from vocheck.policy.delivery import Check, CheckVerdict, Verdict
from vocheck.policy.destinations import Reading
from vocheck.policy.rule import Status
from vocheck.recording import Source
from vocheck.results import SCHEMA, Group, Result


@dataclass(frozen=True, kw_only=True)
class EncodedPeak(Result):
    """The true peak after a lossy codec: a prediction with the encoder that is named.

    Attributes
    ----------
    codec : str
        Trade name.
    bitrate_kbps : int
        As asked for; what an encoder spends differs a little.
    encoder : str
        In words: ``"FFmpeg's AAC at 128 kb/s"``.
    level_dbtp : float or None
        True peak of what the decoder gives; ``None`` where the codec takes no such sound.
    reason : str
        Why there is no level.
    """

    codec: str
    bitrate_kbps: int
    encoder: str
    level_dbtp: float | None
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class PeakOver(Result):
    """A place where the true peak is over the limit.

    Attributes
    ----------
    time_s : float
        Where it is highest there.
    level_dbtp : float
    """

    time_s: float
    level_dbtp: float


@dataclass(frozen=True, kw_only=True)
class LoudnessOverTime(Result):
    """Loudness along the mix, for a drawing.

    Attributes
    ----------
    start_s : float
        When the first window begins in the time of the file.
    step_s : float
        Distance of the windows.
    momentary_lufs : tuple of float
        Of 400 ms; window ``i`` begins at ``start_s + i * step_s``; ``-inf`` for silence.
    short_term_lufs : tuple of float
        Of 3 s, in the same way.
    voice_to_bed_lu : tuple of (float or None), or None
        How far the voice stands over its bed in the same 3 s, the least of each step; ``None`` in
        it where the voice is active in less than half of them, and altogether without the stems.
    """

    start_s: float = 0.0
    step_s: float
    momentary_lufs: tuple[float, ...]
    short_term_lufs: tuple[float, ...]
    voice_to_bed_lu: tuple[float | None, ...] | None = None


@dataclass(frozen=True, kw_only=True)
class StemMatch(Result):
    """How the stems are found in the mix; a silent stem is not looked for.

    Attributes
    ----------
    lag_s : mapping of str to float
        How much later each stem starts than in the mix.
    gain_db : mapping of str to float
        How much louder each stem is than in the mix.
    foreign : tuple of str
        Stems that are not in the mix.
    null_db : float or None
        What is left of the mix when both stems are taken away as they are, against the mix;
        ``None`` without both.
    """

    lag_s: Mapping[str, float]
    gain_db: Mapping[str, float]
    foreign: tuple[str, ...]
    null_db: float | None

    @property
    def latest_s(self) -> float | None:
        """The lag that is farthest from none."""
        return max(self.lag_s.values(), key=abs, default=None)

    @property
    def balance_db(self) -> float | None:
        """How much louder the voice is against the bed than in the mix; of one stem, its gain."""
        gains = self.gain_db
        if {"voice", "bed"} <= gains.keys():
            return gains["voice"] - gains["bed"]
        return next(iter(gains.values()), None)


@dataclass(frozen=True, kw_only=True)
class Stems(Group):
    """The voice against its bed, measured on their stems.

    Attributes
    ----------
    voice, bed : str or None
        The files.
    voice_lufs : float or None
        Loudness of the voice stem where the voice is active (see `vocheck.mix.blocks`).
    bed_lufs : float or None
        Loudness of the bed in the same places.
    voice_active : float or None
        Share of the mix in which the voice is active, 0 to 1.
    closest_lu : float or None
        Smallest lead of the voice over the bed in any 3 s in which it is active.
    closest_s : float or None
        Where: the middle of those 3 s.
    in_mix : StemMatch
    """

    voice: str | None
    bed: str | None
    voice_lufs: float | None
    bed_lufs: float | None
    voice_active: float | None
    closest_lu: float | None
    closest_s: float | None
    in_mix: StemMatch


@dataclass(frozen=True, kw_only=True)
class MixMeasurements(Group):
    """Facts about a mix. Places are in the time of the file, in which a track may start later.

    Attributes
    ----------
    loudness : Loudness
    true_peak : TruePeak
    peak_limit_dbtp : float
        The lowest limit of the destinations for it, or 0 where none has one.
    peaks_over_limit : tuple of PeakOver
        Where it is over that limit; places less than half a second apart are one.
    true_peak_after_encoding : tuple of EncodedPeak
    mono_fold_down_lu : float or None
        Loudness in mono, both sides added at half their amplitude and played on both speakers,
        less the loudness in stereo: 0 for equal sides, -3 for unrelated ones, ``-inf`` for
        opposite ones.
    mono_worst_lu, mono_worst_s : float or None
        The 3 s that lose most, and the middle of them.
    correlation : float or None
        Of the two sides over the whole mix, -1 to 1.
    balance_db : float or None
        Level difference of the two sides, without sign; ``None`` where one is silent.
    louder_side : str or None
        ``"left"`` or ``"right"`` where they differ by 0.1 dB or more.
    silent_channels : int
        How many channels hold no signal (low-frequency effects aside).
    rms_dbfs : float or None
        Over the whole file and all channels, pauses included.
    active_dbfs : float or None
        ITU-T P.56, of files up to 5 min.
    leq_m_db : float or None
        Leq(m) from the first to the last sound, as played in a cinema at the reference level (see
        `vocheck.mix.cinema`); only where a destination asks for it.
    floor_dbfs : float or None
        RMS of the softest half second of the pauses, digital silence left out; where no pause
        stands between the sounds, of what lies before and after them.
    digital_silence_s : float
        How long the mix is digital silence, in stretches of 0.1 s or more.
    digital_silence_at : tuple of float
        Where the first 20 of these stretches start.
    head_s, tail_s : float or None
        What lies before and after the sound: frames of 10 ms more than 25 dB below the loud ones.
    dialogue_lufs : float or None
        Loudness of the mix where the voice stem is active, one channel counted as one.
    loudness_to_dialogue_lu : float or None
        Integrated loudness less `dialogue_lufs`.
    voice_to_bed_lu : float or None
        How far the voice stands over the bed where it is active.
    stems : Stems or None
    """

    loudness: Loudness
    true_peak: TruePeak
    peak_limit_dbtp: float
    peaks_over_limit: tuple[PeakOver, ...]
    true_peak_after_encoding: tuple[EncodedPeak, ...]
    mono_fold_down_lu: float | None
    mono_worst_lu: float | None
    mono_worst_s: float | None
    correlation: float | None
    balance_db: float | None
    louder_side: str | None
    silent_channels: int
    rms_dbfs: float | None
    active_dbfs: float | None
    leq_m_db: float | None
    floor_dbfs: float | None
    digital_silence_s: float
    digital_silence_at: tuple[float, ...]
    head_s: float | None
    tail_s: float | None
    dialogue_lufs: float | None
    loudness_to_dialogue_lu: float | None
    voice_to_bed_lu: float | None
    stems: Stems | None

    def reasons(self) -> dict[str, str]:
        """Return the dotted names that carry no number, each with its reason."""
        reasons = super().reasons()
        for field in fields(self):
            group = getattr(self, field.name)
            if isinstance(group, Group):
                reasons |= {f"{field.name}.{key}": why for key, why in group.reasons().items()}
        return reasons


def in_file_time(measured: MixMeasurements, start_s: float) -> MixMeasurements:
    """Return facts whose places are in the time of the track in that of its file.

    Parameters
    ----------
    measured : MixMeasurements
    start_s : float
        When the track starts in the time of its file.
    """
    if not start_s:
        return measured

    def later(time_s: float | None) -> float | None:
        return None if time_s is None else time_s + start_s

    loudness, peak, stems = measured.loudness, measured.true_peak, measured.stems
    return replace(
        measured,
        loudness=replace(
            loudness,
            momentary_max_s=later(loudness.momentary_max_s),
            short_term_max_s=later(loudness.short_term_max_s),
        ),
        true_peak=replace(peak, time_s=later(peak.time_s)),
        peaks_over_limit=tuple(
            replace(over, time_s=over.time_s + start_s) for over in measured.peaks_over_limit
        ),
        digital_silence_at=tuple(time_s + start_s for time_s in measured.digital_silence_at),
        mono_worst_s=later(measured.mono_worst_s),
        stems=None if stems is None else replace(stems, closest_s=later(stems.closest_s)),
    )


@dataclass(frozen=True, kw_only=True)
class Arrival(Result):
    """What a destination does with the level of a mix when it arrives.

    Attributes
    ----------
    kind : {"same", "down", "up", "held", "softer"} or None
        Left about as it is, turned down, turned up, turned up as far as its peak allows, or softer
        than others because nothing is turned up there; ``None`` where it cannot be told.
    change_db : float or None
        What would bring the mix to the loudness of the destination.
    moved_db : float or None
        What the destination does of it.
    published : bool
        Whether the destination says so itself.
    text : str
        What its table adds.
    """

    kind: Literal["same", "down", "up", "held", "softer"] | None
    change_db: float | None
    moved_db: float | None
    published: bool
    text: str


@dataclass(frozen=True, kw_only=True)
class OneChannelReading(Result):
    """The two readings of the loudness of one channel, and which of them was judged.

    Attributes
    ----------
    reading : {"one channel", "two speakers"}
        What was judged: as ITU-R BS.1770 counts one channel, or 3.01 LU more, as heard from two
        speakers.
    level_lufs, other_lufs : float or None
        The level that was judged, and by the other reading.
    other_verdict : {"pass", "warn", "fail", "not published", "cannot tell"}
        Of the other reading.
    note, source, date, status
        Why this reading, and on whose word.
    """

    reading: Reading
    level_lufs: float | None
    other_lufs: float | None
    other_verdict: CheckVerdict
    note: str
    source: str
    date: str
    status: Status


@dataclass(frozen=True, kw_only=True)
class DestinationResult(Result):
    """A mix against one destination.

    Attributes
    ----------
    name, title : str
    verdict : {"pass", "warn", "fail", "not published"}
    checks : tuple of Check
        One per rule that applies.
    gain_to_target_db : float or None
        What brings the level to the destination's target.
    true_peak_after_gain_dbtp : float or None
        Where the true peak would then be.
    limiter_db : float or None
        How far the peaks have to be limited before that gain.
    peak_limit_dbtp : float or None
        What passes at the destination.
    arrival : Arrival or None
        What the destination does with the level; ``None`` where nothing is known of it.
    one_channel : OneChannelReading or None
        How the loudness of one channel was read; ``None`` for more channels, and where no loudness
        is asked for.
    note : str
        What the destination's table adds.
    """

    name: str
    title: str
    verdict: Verdict
    checks: tuple[Check, ...]
    gain_to_target_db: float | None
    true_peak_after_gain_dbtp: float | None
    limiter_db: float | None
    peak_limit_dbtp: float | None
    arrival: Arrival | None
    one_channel: OneChannelReading | None
    note: str

    @property
    def two_speakers(self) -> bool:
        """Whether the loudness of one channel was read as heard from two speakers."""
        return self.one_channel is not None and self.one_channel.reading == "two speakers"

    @property
    def target_lufs(self) -> float | None:
        """The loudness that the destination aims at, where it aims at one."""
        check = next((check for check in self.checks if check.fact == "integrated_lufs"), None)
        if check is None or not isinstance(check.value, float) or self.gain_to_target_db is None:
            return None
        return round(check.value + self.gain_to_target_db, 1)


NoReading = Literal["channels", "length", "nothing to compare", "no number"]


@dataclass(frozen=True, kw_only=True)
class IndependentReading(Result):
    """The integrated loudness by a second, independent meter.

    Attributes
    ----------
    meter : str
    integrated_lufs : float or None
    difference_lu : float or None
        Theirs less ours.
    refusal : {"channels", "length", "nothing to compare", "no number"} or None
        Why there is no reading.
    reason : str
        Why there is nothing to compare.
    """

    meter: str
    integrated_lufs: float | None
    difference_lu: float | None
    refusal: NoReading | None = None
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class Limiting(Result):
    """What a limiter did to a copy.

    Attributes
    ----------
    ceiling_dbtp : float
        Where it held the true peak.
    most_db : float
        The most by which it turned the sound down.
    share : float
        Part of the mix, 0 to 1, that was turned down by 0.1 dB or more.
    attack_ms, hold_ms, release_db_per_s : float
        How fast it moved.
    step_s : float
        Distance of the places below.
    reduction_db : tuple of float
        The most in each step of time from the start of the sound.
    """

    ceiling_dbtp: float
    most_db: float
    share: float
    attack_ms: float
    hold_ms: float
    release_db_per_s: float
    step_s: float
    reduction_db: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Refusal(Result):
    """Why no copy was written.

    Attributes
    ----------
    kind : {"no level", "limiting", "encoding", "checks", "not reached"}
        There is no level to bring to a target; more would be limited than is allowed; the same, so
        that the sound passes once encoded; a copy at the target would still fail; target and
        ceiling were not reached together.
    value, limit : float or None
        What would be limited, and how much may be.
    source, status : str
        Of the limit.
    checks : tuple of Check
        That would fail.
    """

    kind: Literal["no level", "limiting", "encoding", "checks", "not reached"]
    value: float | None = None
    limit: float | None = None
    source: str = ""
    status: Status = "our choice"
    checks: tuple[Check, ...] = ()


@dataclass(frozen=True, kw_only=True)
class WrittenMix(Result):
    """A copy of a mix at a destination's target, or why there is none.

    Attributes
    ----------
    path : str or None
        The copy; ``None`` where it was refused.
    destination : str
    means : {"none", "gain", "limiter"} or None
        What brought it there: nothing was needed, a plain gain, or a gain and a limiter.
    gain_db : float or None
    level : str or None
        The fact that the destination sets a level for.
    level_before, level_after : float or None
    dbtp_before, dbtp_after : float or None
    limiting : Limiting or None
    after_encoding : tuple of EncodedPeak
        Predictions for the copy.
    coding : str
        How its sound is stored.
    dithered : bool
    carried : tuple of str
        Chunks of the source that the copy carries on.
    left_out : tuple of str
        Tracks of the source that the copy could not take.
    attempts : int
        How many copies were made and measured.
    verdict : {"pass", "warn", "fail", "not published"} or None
        Of the copy.
    checks : tuple of Check
        Of the copy.
    refused : Refusal or None
    """

    path: str | None
    destination: str
    means: Literal["none", "gain", "limiter"] | None = None
    gain_db: float | None = None
    level: str | None = None
    level_before: float | None = None
    level_after: float | None = None
    dbtp_before: float | None = None
    dbtp_after: float | None = None
    limiting: Limiting | None = None
    after_encoding: tuple[EncodedPeak, ...] = ()
    coding: str = ""
    dithered: bool = False
    carried: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    attempts: int = 0
    verdict: Verdict | None = None
    checks: tuple[Check, ...] = ()
    refused: Refusal | None = None


LineState = Literal["chosen", "in part", "another take", "missing", "cannot tell"]
LineBalance = Literal["clear", "weak", "sunk"]


@dataclass(frozen=True, kw_only=True)
class LineInMix(Result):
    """A line of the voice-over in the mix.

    Attributes
    ----------
    line : str
    chosen : str
        Path of the take that should be there.
    found : str or None
        Path of the take that is.
    state : {"chosen", "in part", "another take", "missing", "cannot tell"}
        The chosen take was found; half of it or less; another take of the line in its place; none.
    balance : {"clear", "weak", "sunk"} or None
        How far the voice stands over the bed, against the limits; ``None`` where it was not found.
    verdict : {"pass", "warn", "fail"}
    start_s, end_s : float or None
        Where the take lies in the time of the file.
    share : float or None
        How much of what is spoken in the take was found there, 0 to 1.
    gain_db : float or None
        How much louder it is there than in the take.
    voice_to_bed_lu : float or None
        Where the voice is active.
    closest_lu, closest_s : float or None
        The least in any 3 s, and their middle.
    clipped_s : tuple of float
        Where the mix is cut flat there, the first 20 places.
    why : {"", "not found", "too long"}
    source, status
        Of the limits.
    """

    line: str
    chosen: str
    found: str | None = None
    state: LineState
    balance: LineBalance | None = None
    verdict: Literal["pass", "warn", "fail"]
    start_s: float | None = None
    end_s: float | None = None
    share: float | None = None
    gain_db: float | None = None
    voice_to_bed_lu: float | None = None
    closest_lu: float | None = None
    closest_s: float | None = None
    clipped_s: tuple[float, ...] = ()
    why: Literal["", "not found", "too long"] = ""
    source: str = ""
    status: Status = "our choice"


@dataclass(frozen=True, kw_only=True)
class MixResult(Result):
    """Everything vocheck says of one mix.

    Attributes
    ----------
    path : str
    source : Source
    track : TrackChoice or None
        Which track was measured, of a file with several.
    measurements : MixMeasurements
    verdict : {"pass", "warn", "fail", "not published"}
        The worst of the general checks and the destinations; *not published* only where no
        destination publishes a number.
    checks : tuple of Check
        What every mix is held to, wherever it goes.
    destinations : tuple of DestinationResult
    over_time : LoudnessOverTime
    independent : IndependentReading or None
        With ``verify``.
    written : WrittenMix or None
        Where a copy at the target was asked for (`vocheck.mix.write.write_mix`).
    lines : tuple of LineInMix or None
        Where the takes were given (`vocheck.mix.lines.find_lines`).
    """

    path: str
    source: Source
    track: TrackChoice | None = None
    measurements: MixMeasurements
    verdict: Verdict
    checks: tuple[Check, ...]
    destinations: tuple[DestinationResult, ...]
    over_time: LoudnessOverTime
    independent: IndependentReading | None = None
    written: WrittenMix | None = None
    lines: tuple[LineInMix, ...] | None = None

    @property
    def not_measured(self) -> dict[str, str]:
        """Dotted names that carry no number, each with its reason."""
        return self.measurements.reasons()

    def to_dict(self) -> dict[str, Any]:
        """Return the result as plain data, under the names of the result schema."""
        plain = super().to_dict()
        del plain["source"]["path"]
        facts = list(plain)
        facts.insert(facts.index("measurements") + 1, "not_measured")
        plain["not_measured"] = self.not_measured
        return {"schema": SCHEMA, **{key: plain[key] for key in facts}}
