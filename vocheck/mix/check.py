"""One mix from file to verdict, read once from start to end in constant memory.

The blocks of the file go through all meters at the same time: loudness, true peak, the sides, mono,
and one encoder and decoder for each codec that is to be tried. Nothing of the file is kept but
a few numbers per 10 ms.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from vocheck.audio.codecs import Coding, RoundTrip
from vocheck.audio.readers import MOST_PLACES
from vocheck.dsp.threads import one_thread
from vocheck.errors import TargetError
from vocheck.measurements.loudness import Loudness, LoudnessMeter, LoudnessReading
from vocheck.measurements.true_peak import TruePeakMeter
from vocheck.mix.alignment import ThinMeter
from vocheck.mix.cinema import LeqMMeter
from vocheck.mix.independent import independent_reading
from vocheck.mix.judge import encoded_checks, judge, rule_checks
from vocheck.mix.meters import (
    FLOOR_STEPS,
    STEPS_PER_S,
    MonoMeter,
    OversMeter,
    SidesMeter,
    SidesReading,
)
from vocheck.mix.results import (
    EncodedPeak,
    LoudnessOverTime,
    MixMeasurements,
    MixResult,
    PeakOver,
    Stems,
    in_file_time,
)
from vocheck.mix.sound import TrackChoice, open_mix
from vocheck.mix.stems import compare, dialogue_lufs, doubts, lead_over_time, match, read_stems
from vocheck.policy.config import Config
from vocheck.policy.delivery import Verdict, worst
from vocheck.policy.destinations import ANY_MIX, Destination
from vocheck.policy.every import Policy, policy_for
from vocheck.recording import Source
from vocheck.results import SILENCE
from vocheck.voice.level import active_level

_ONE_CHANNEL = "the mix does not have two channels"
_NOT_ASKED = "no destination asks for it"
ACTIVE_LEVEL_MOST_S = 300.0
"""P.56 needs the whole file at once: only prompts are delivered by it, and they are short."""

FINE_STEP_S, COARSE_STEP_S, FINE_MOST_S = 0.1, 1.0, 600.0
"""Loudness over time comes in steps of 0.1 s, of 1 s for more than 10 min."""

Progress = Callable[[float, float], None]
"""Called with the seconds done and the seconds in all."""


@one_thread()
def check_mix(
    path: str | os.PathLike[str],
    targets: Sequence[str] = (),
    stems: Mapping[str, str | os.PathLike[str]] | None = None,
    encode: Sequence[Coding] | None = None,
    *,
    track: int | None = None,
    verify: bool = False,
    config: Config | None = None,
    progress: Progress | None = None,
) -> MixResult:
    """Measure a final mix and hold it against its destinations.

    Parameters
    ----------
    path : path-like
        An audio file, or a video file whose main audio track is measured. It is only read.
    targets : sequence of str
        Names of destinations; none measures only.
    stems : mapping of str to path-like, optional
        ``"voice"`` and ``"bed"``: stems of the same mix, starting together with it.
    encode : sequence of Coding, optional
        Codecs to try. Where omitted, the destinations' own; an empty sequence tries none.
    track : int, optional
        Which audio track of a file with several, from 1. Where omitted, the first that is a main
        programme and not silent; two tracks that are left and right are measured as stereo.
    verify : bool
        Whether to read the loudness with a second, independent meter too.
    config : Config, optional
        A studio's settings; where omitted, of the nearest ``vocheck.toml`` at or above the mix.
    progress : callable, optional
        Called with the seconds done and the seconds in all.

    Returns
    -------
    MixResult

    Raises
    ------
    AudioError
        If the mix or a stem cannot be read.
    TargetError
        If a destination is unknown.
    """
    path = os.fspath(path)
    policy = policy_for(path) if config is None else Policy(config)
    destinations = policy.find_destinations(targets)
    (any_mix,) = policy.find_destinations([ANY_MIX])
    codings = _codings(destinations) if encode is None else tuple(dict.fromkeys(encode))
    sounds = read_stems(stems or {})
    asked = {rule.fact for destination in destinations for rule in destination.rules}
    asked |= {"stem_lag_s"} if sounds else set()
    read = _read(path, track, codings, asked, _peak_limit(destinations), progress)
    stem_results, lead = None, None
    readings: dict[str, LoudnessReading] = {}
    doubted: dict[str, str] = {}
    if stems:
        found = match(read.thin, sounds)
        doubted = doubts(found, any_mix)
        readings = {n: sound.reading for n, sound in sounds.items() if n not in doubted}
        stem_results, lead = compare(stems, readings, read.loudness, found, doubted)
        if "both" in doubted:
            readings.pop("bed", None)
    voice = readings.get("voice")
    measured = _measurements(
        read,
        stems=stem_results,
        voice_to_bed_lu=lead,
        dialogue=None if voice is None else dialogue_lufs(read.loudness, voice),
        why_not="; ".join(doubted.values()),
    )
    measured = in_file_time(measured, read.source.start_s)
    rule = any_mix.rule("encoded_dbtp")
    checks = rule_checks(any_mix, read.source, measured)
    if rule is not None and encode is not None:
        checks += tuple(encoded_checks(rule, measured))
    results = tuple(
        judge(destination, read.source, measured, rule if encode is None else None, policy)
        for destination in destinations
    )
    return MixResult(
        path=path,
        source=read.source,
        track=read.choice,
        measurements=measured,
        verdict=_overall(worst(checks, publishes_level=True), [r.verdict for r in results]),
        checks=checks,
        destinations=results,
        over_time=_over_time(read.loudness, read.source, readings),
        independent=independent_reading(path, track, read.source, measured.loudness)
        if verify
        else None,
    )


def _codings(destinations: Iterable[Destination]) -> tuple[Coding, ...]:
    """Return what the destinations make of the sound, each once."""
    encodings = [d.encoding for d in destinations if d.encoding is not None]
    return tuple(dict.fromkeys(Coding(e.codec, e.bitrate_kbps) for e in encodings))


def _peak_limit(destinations: Iterable[Destination]) -> float:
    """Return the lowest limit for the true peak; 0 dBTP where no destination has one."""
    rules = [destination.rule("level_dbtp") for destination in destinations]
    return min(
        (rule.maximum for rule in rules if rule is not None and rule.maximum is not None),
        default=0.0,
    )


def _overall(general: Verdict, destinations: Sequence[Verdict]) -> Verdict:
    """Return the worst verdict; *not published* only where that is all there is to say."""
    verdicts = {general, *destinations}
    if "fail" in verdicts:
        return "fail"
    if "warn" in verdicts:
        return "warn"
    return "not published" if {*destinations} == {"not published"} else "pass"


@dataclass(frozen=True, eq=False)
class _Read:
    """What one pass over the file leaves behind."""

    source: Source
    choice: TrackChoice | None
    thin: npt.NDArray[np.float32]
    loudness: LoudnessReading
    peak: TruePeakMeter
    peak_limit_dbtp: float
    overs: tuple[PeakOver, ...]
    sides: SidesReading
    mono: MonoMeter | None
    encoded: tuple[EncodedPeak, ...]
    active_dbfs: float | None
    active_reason: str
    leq_m_db: float | None


class _Encoded:
    """The true peak behind one codec."""

    def __init__(self, coding: Coding, source: Source) -> None:
        self._coding = coding
        self._reason = ""
        self._trip: RoundTrip | None = None
        try:
            self._trip = RoundTrip(coding, source.rate_hz, source.channels)
        except TargetError as error:
            self._reason = str(error)
        else:
            self._peak = TruePeakMeter(source.channels, self._trip.rate_hz)

    def feed(self, block: npt.NDArray[np.floating]) -> None:
        if self._trip is not None:
            for decoded in self._trip.feed(block):
                self._peak.feed(decoded)

    def result(self) -> EncodedPeak:
        level = None
        if self._trip is not None:
            for decoded in self._trip.finish():
                self._peak.feed(decoded)
            level = self._peak.result().level_dbtp
        return EncodedPeak(
            codec=self._coding.name,
            bitrate_kbps=self._coding.bitrate_kbps,
            encoder=str(self._coding),
            level_dbtp=level,
            reason=self._reason,
        )


def _read(
    path: str,
    track: int | None,
    codings: Sequence[Coding],
    asked: set[str],
    peak_limit_dbtp: float,
    progress: Progress | None,
) -> _Read:
    with open_mix(path, track) as file:
        source = file.source
        rate, channels = source.rate_hz, source.channels
        loudness = LoudnessMeter(rate, channels, source.layout)
        peak = TruePeakMeter(channels, rate)
        overs = OversMeter(channels, rate, peak_limit_dbtp)
        sides = SidesMeter(rate, channels)
        mono = MonoMeter(rate) if channels == 2 else None
        thin = ThinMeter(rate, channels) if "stem_lag_s" in asked else None
        encoded = [_Encoded(coding, source) for coding in codings]
        leq_m = LeqMMeter(rate, channels, source.layout) if "leq_m_db" in asked else None
        want_active = "active_dbfs" in asked
        keep = want_active and source.duration_s <= ACTIVE_LEVEL_MOST_S
        kept: list[npt.NDArray[np.float32]] = []
        done = 0
        for block in file.blocks():
            loudness.feed(block)
            peak.feed(block)
            overs.feed(block)
            sides.feed(block)
            for meter in (mono, leq_m, thin):
                if meter is not None:
                    meter.feed(block)
            for codec in encoded:
                codec.feed(block)
            if keep:
                kept.append(block.mean(axis=1, dtype=np.float32))
            done += len(block)
            if keep and done > ACTIVE_LEVEL_MOST_S * rate:  # longer than its header told
                keep = False
                kept.clear()
            if progress is not None:
                progress(done / rate, source.duration_s)
        source, choice = file.source, file.choice  # what was promised has become what was found
    peaks = tuple(codec.result() for codec in encoded)
    del encoded  # encoders hold some 20 MB
    reading = sides.result()
    return _Read(
        source=source,
        choice=choice,
        thin=np.zeros(0, np.float32) if thin is None else thin.result(),
        loudness=loudness.result(),
        peak=peak,
        peak_limit_dbtp=peak_limit_dbtp,
        overs=overs.result(),
        sides=reading,
        mono=mono,
        encoded=peaks,
        active_dbfs=active_level(np.concatenate(kept), rate).dbfs if keep else None,
        active_reason="longer than 5 min" if want_active else _NOT_ASKED,
        leq_m_db=leq_m.result(reading.sound_s) if leq_m else None,
    )


_Part = tuple[dict[str, Any], dict[str, str]]
"""Fields of `MixMeasurements`, and why some of them are ``None``."""


def _measurements(
    read: _Read,
    *,
    stems: Stems | None,
    voice_to_bed_lu: float | None,
    dialogue: float | None,
    why_not: str,
) -> MixMeasurements:
    loudness = read.loudness.summary()
    facts: dict[str, Any] = {}
    missing: dict[str, str] = {}
    for found, reasons in (
        _in_mono(read, loudness),
        _sides(read.sides, two_channels=read.mono is not None),
        _levels(read),
        _against_voice(loudness, dialogue, voice_to_bed_lu, why_not),
    ):
        facts |= found
        missing |= reasons
    return MixMeasurements(
        loudness=loudness,
        true_peak=read.peak.result(),
        peak_limit_dbtp=read.peak_limit_dbtp,
        peaks_over_limit=read.overs,
        true_peak_after_encoding=read.encoded,
        silent_channels=_silent_channels(read.source, read.sides),
        stems=stems,
        **facts,
        not_measured=missing,
    )


def _in_mono(read: _Read, loudness: Loudness) -> _Part:
    """Return what a fold-down to mono changes, over all and where it changes most."""
    missing: dict[str, str] = {}
    change = worst_lu = worst_s = None
    if read.mono is None:
        missing["mono_fold_down_lu"] = _ONE_CHANNEL
    elif loudness.integrated_lufs is None:
        missing["mono_fold_down_lu"] = loudness.not_measured["integrated_lufs"]
    else:
        change = read.mono.change_lu(read.loudness)
        if change is None:
            missing["mono_fold_down_lu"] = "silence"
        if (found := read.mono.worst(read.loudness)) is not None:
            worst_lu, worst_s = found
    if worst_lu is None:
        reason = missing.get("mono_fold_down_lu", "shorter than 3 s")
        missing["mono_worst_lu"] = missing["mono_worst_s"] = reason
    facts = {"mono_fold_down_lu": change, "mono_worst_lu": worst_lu, "mono_worst_s": worst_s}
    return facts, missing


def _sides(sides: SidesReading, *, two_channels: bool) -> _Part:
    """Return how alike left and right are, and which of them is louder."""
    missing: dict[str, str] = {}
    why = "a side is silent" if two_channels else _ONE_CHANNEL
    correlation = sides.correlation
    if correlation is None:
        missing["correlation"] = why
    balance, side = _balance(sides)
    if balance is None:
        missing["balance_db"] = why
    if side is None:
        missing["louder_side"] = missing.get("balance_db", "the sides are alike")
    return {"correlation": correlation, "balance_db": balance, "louder_side": side}, missing


def _levels(read: _Read) -> _Part:
    """Return the levels of the whole mix, and the silence at its ends."""
    sides, missing = read.sides, {}
    if read.active_dbfs is None:
        missing["active_dbfs"] = read.active_reason
    leq_m = read.leq_m_db
    if leq_m is None or leq_m == -np.inf:
        missing["leq_m_db"] = _NOT_ASKED if leq_m is None else SILENCE
        leq_m = None
    edges = sides.edges_s
    if edges is None:
        missing["head_s"] = missing["tail_s"] = "silence"
    floor = sides.floor_dbfs
    if floor is None:
        missing["floor_dbfs"] = _no_floor(read)
    silence = sides.digital_silence_s
    facts = {
        "rms_dbfs": sides.rms_dbfs,
        "active_dbfs": read.active_dbfs,
        "leq_m_db": leq_m,
        "floor_dbfs": floor,
        "digital_silence_s": sum(end - start for start, end in silence),
        "digital_silence_at": tuple(start for start, _ in silence[:MOST_PLACES]),
        "head_s": None if edges is None else edges[0],
        "tail_s": None if edges is None else edges[1],
    }
    return facts, missing


def _no_floor(read: _Read) -> str:
    if read.source.duration_s < FLOOR_STEPS / STEPS_PER_S:
        return "shorter than 0.5 s"
    return SILENCE if read.sides.edges_s is None else "every pause is digital silence"


def _against_voice(
    loudness: Loudness, dialogue: float | None, voice_to_bed_lu: float | None, why_not: str
) -> _Part:
    """Return how the mix stands to its voice, where the stems are there."""
    missing: dict[str, str] = {}
    if dialogue is None:
        missing["dialogue_lufs"] = why_not or "needs the voice stem"
    integrated = loudness.integrated_lufs
    ratio = None if dialogue is None or integrated is None else integrated - dialogue
    if ratio is None:
        missing["loudness_to_dialogue_lu"] = why_not or "needs the voice stem"
    if voice_to_bed_lu is None:
        missing["voice_to_bed_lu"] = why_not or "needs the stems of voice and bed"
    facts = {
        "dialogue_lufs": dialogue,
        "loudness_to_dialogue_lu": ratio,
        "voice_to_bed_lu": voice_to_bed_lu,
    }
    return facts, missing


def _balance(sides: SidesReading) -> tuple[float | None, str | None]:
    """Return the level difference of two sides and which is louder, where it can be seen."""
    levels = sides.levels_dbfs
    if sides.mean_product is None or not np.isfinite(levels).all():
        return None, None
    difference = levels[0] - levels[1]
    if round(abs(difference), 1) == 0.0:
        return abs(difference), None
    return abs(difference), "left" if difference > 0 else "right"


def _silent_channels(source: Source, sides: SidesReading) -> int:
    """Count the channels without any signal, unless everything is silent."""
    names = source.layout or ("?",) * source.channels
    silent = [
        level == -np.inf
        for level, name in zip(sides.levels_dbfs, names, strict=True)
        if name != "LFE"
    ]
    return 0 if all(silent) else sum(silent)


def _over_time(
    reading: LoudnessReading, source: Source, stems: Mapping[str, LoudnessReading]
) -> LoudnessOverTime:
    step_s = FINE_STEP_S if source.duration_s <= FINE_MOST_S else COARSE_STEP_S
    return LoudnessOverTime(
        start_s=source.start_s,
        step_s=step_s,
        momentary_lufs=tuple(reading.momentary_lufs(step_s).tolist()),
        short_term_lufs=tuple(reading.short_term_lufs(step_s).tolist()),
        voice_to_bed_lu=lead_over_time(stems, step_s),
    )
