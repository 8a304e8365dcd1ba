"""A copy of a mix that passes where it goes: `write_mix`.

The copy is the mix times one gain, where its peaks allow that; else a look-ahead limiter holds them
(`vocheck.mix.limiter`). What was written is measured as any other mix is, and tried with the codec
of its destination. Where that passes the limit after encoding, the ceiling goes down and the copy
is made anew. Nothing gets its name before all of it is in order.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from vocheck.audio.broadcast_wav import LoudnessFields, carry
from vocheck.audio.codecs import Coding
from vocheck.audio.video import VIDEO_SUFFIXES, TrackForm, form_of, replace_tracks
from vocheck.audio.writers import WaveWriter, word_length_of
from vocheck.dsp.decibels import amplitude_db, amplitude_levels_db, amplitude_ratio
from vocheck.dsp.peak_envelope import PeakEnvelope
from vocheck.dsp.threads import one_thread
from vocheck.errors import VocheckError
from vocheck.files import protecting, replacing, temporary_file
from vocheck.measurements.loudness import LoudnessMeter, LoudnessReading
from vocheck.mix.check import COARSE_STEP_S, FINE_MOST_S, FINE_STEP_S, Progress, check_mix
from vocheck.mix.limiter import Ride, Timing, gain_of, step_frames
from vocheck.mix.results import Limiting, MixResult, Refusal, WrittenMix
from vocheck.mix.sound import open_mix
from vocheck.policy.destinations import ANY_MIX, Destination
from vocheck.policy.every import Policy, policy_for
from vocheck.policy.mixing import LimiterRow
from vocheck.recording import Samples

Floats = npt.NDArray[np.float32]

MOST_ATTEMPTS = 8
"""Two are enough for a plain copy; each codec that overshoots asks for one or two more."""

_NEAR_LU = 0.03  # of the target: a third of what a reader sees
_LOSSY_NEAR_LU = 0.08  # a lossy codec moves the loudness by some hundredths, each time by others
_UNCHANGED_DB = 0.005  # a gain that rounds to 0.00 dB is none
_OVER_DB = 0.005  # of the exact meter: what it may read over the ceiling
_MARGIN_DB = 0.01  # by which the limiter stays below it
_LOSSY_MARGIN_DB = 0.05  # by which the ceiling goes down further where a codec passed it
_SEARCH_DB = 1.5  # below the ceiling peaks are known too: later attempts may need them
_SEARCHES = 8  # each brings the predicted loudness some ten times nearer
_PART_FRAMES = 1 << 14  # worked on at a time
_MOVED_DB = 0.1  # what counts as turned down: less is not heard


class _Refused(Exception):
    """No copy can be written; says why."""

    def __init__(self, refusal: Refusal) -> None:
        super().__init__(refusal.kind)
        self.refusal = refusal


@dataclass(frozen=True, eq=False)
class _Plan:
    """How a copy is made.

    `gain` is that of the limiter by step, ``None`` where there is none.
    """

    gain_db: float
    ceiling_dbtp: float
    gain: Floats | None

    @property
    def changes(self) -> bool:
        """Whether any sample changes."""
        return self.gain is not None or abs(self.gain_db) >= _UNCHANGED_DB


@one_thread()
def write_mix(
    result: MixResult,
    output: str | os.PathLike[str],
    stems: Mapping[str, str | os.PathLike[str]] | None = None,
    encode: Sequence[Coding] | None = None,
    *,
    policy: Policy | None = None,
    progress: Progress | None = None,
) -> MixResult:
    """Write a copy of a mix at the target of its destination.

    Parameters
    ----------
    result : MixResult
        As `check_mix` gives it, for one destination.
    output : path-like
        The copy: WAV, or of a video the same kind of file, its picture copied bit for bit. A
        recording that stands there already is not replaced.
    stems, encode
        As for `check_mix`.
    policy : Policy, optional
        Where omitted, that of the mix.
    progress : callable, optional
        Called with the seconds done and the seconds in all, of each reading.

    Returns
    -------
    MixResult
        The same, with what was written or why nothing was.

    Raises
    ------
    VocheckError
        If the result is not for one destination, or the copy may not stand where it is asked for.
    AudioError
        If the mix cannot be read again.
    """
    if len(result.destinations) != 1:
        raise VocheckError("a copy is written for one destination")
    policy = policy or policy_for(result.path)
    (destination,) = policy.find_destinations([result.destinations[0].name])
    work = _Work(result, Path(output), destination, policy, stems or {}, encode, progress)
    try:
        with protecting([result.path]), replacing(output) as temporary:
            written = work.write(temporary)
    except _Refused as refused:
        written = WrittenMix(path=None, destination=destination.name, refused=refused.refusal)
    return replace(result, written=written)


class _Work:
    """One copy, from the mix to the file."""

    def __init__(
        self,
        result: MixResult,
        output: Path,
        destination: Destination,
        policy: Policy,
        stems: Mapping[str, str | os.PathLike[str]],
        encode: Sequence[Coding] | None,
        progress: Progress | None,
    ) -> None:
        self._result = result
        self._source = result.source
        self._output = output
        self._destination = destination
        self._policy = policy
        self._rules: LimiterRow = policy.mix.limiter
        self._stems = stems
        self._encode = encode
        self._progress = progress
        choice = result.track
        self._track = None if choice is None or choice.right is not None else choice.number
        self._form = self._form_of(output)
        is_lossy = self._form is not None and self._form.kbps is not None
        self._near_lu = _LOSSY_NEAR_LU if is_lossy else _NEAR_LU
        self._margin_db = _LOSSY_MARGIN_DB if is_lossy else _MARGIN_DB
        self._step = step_frames(self._source.rate_hz)
        self._peaks: Floats | None = None
        self._peaks_from = 0.0
        self._loudness: LoudnessReading | None = None
        (any_mix,) = policy.find_destinations([ANY_MIX])
        rule = any_mix.rule("encoded_dbtp")
        self._encoded_limit = None if rule is None else rule.highest

    def write(self, temporary: Path) -> WrittenMix:
        """Write the copy under a temporary name and return what it is."""
        gain_db, asked_dbtp = self._start()
        ceiling_dbtp = asked_dbtp
        why: str = "limiting"
        suffix = ".wav" if self._form is None else self._output.suffix
        for attempt in range(1, MOST_ATTEMPTS + 1):
            plan = self._plan(gain_db, ceiling_dbtp, why)
            with temporary_file(temporary.parent, suffix) as file:
                left_out = self._render(plan, file)
                copy = self._measured(file)
                error = copy.destinations[0].gain_to_target_db or 0.0
                peak = copy.measurements.true_peak.level_dbtp or 0.0
                encoded = self._over_encoded(copy)
                is_near = abs(error) <= self._near_lu or not plan.changes
                if not is_near or peak > asked_dbtp + _OVER_DB:
                    gain_db += 0.0 if is_near else error
                    over = peak - asked_dbtp
                    ceiling_dbtp -= over + self._margin_db if over > _OVER_DB else 0.0
                elif encoded > 0.0:
                    # A codec gives back some of what the ceiling takes: a little more at once.
                    ceiling_dbtp = min(ceiling_dbtp, peak) - encoded - _LOSSY_MARGIN_DB
                    why = "encoding"
                else:
                    self._refuse_failing(copy)
                    done = self._described(plan, copy, attempt)
                    if self._form is None:
                        return replace(done, carried=self._carry(plan, copy, file, temporary))
                    os.replace(file, temporary)
                    return replace(done, left_out=left_out)
        raise _Refused(Refusal(kind="not reached"))

    def _form_of(self, output: Path) -> TrackForm | None:
        """Return how the new track of a video is coded; ``None`` for a WAV file."""
        suffix = output.suffix.lower()
        if suffix not in VIDEO_SUFFIXES:
            return None
        own = Path(self._result.path).suffix.lower()
        if suffix != own:
            raise VocheckError(
                f"{output}: a copy of a {own or 'file without suffix'} is written as WAV"
                f"{f' or as {own}' if own in VIDEO_SUFFIXES else ''}"
            )
        return form_of(self._source, self._policy.mix.copy.kbps_per_channel)

    def _start(self) -> tuple[float, float]:
        """Return the gain to the target and the ceiling; refuse what no gain can mend."""
        (before,) = self._result.destinations
        gain_db = before.gain_to_target_db
        if gain_db is None or self._result.measurements.true_peak.level_dbtp is None:
            raise _Refused(Refusal(kind="no level"))
        fixed = [
            check for check in before.checks if check.fact == "range_lu" and check.verdict == "fail"
        ]
        if fixed:
            raise _Refused(Refusal(kind="checks", checks=tuple(fixed)))
        return gain_db, self._ceiling()

    def _ceiling(self) -> float:
        """Return the highest true peak that passes without a warning at the target loudness."""
        rule, level = self._destination.rule("level_dbtp"), self._destination.level
        if rule is None or rule.highest is None:
            return self._rules.ceiling_dbtp
        loud = rule.loud_from_lufs is not None and rule.loud_warn_above is not None
        if loud and level is not None and level.fact == "integrated_lufs":
            target = level.target
            if target is not None and target > (rule.loud_from_lufs or 0.0):
                return min(rule.highest, rule.loud_warn_above or 0.0)
        return rule.highest

    def _plan(self, gain_db: float, ceiling_dbtp: float, why: str) -> _Plan:
        """Return how to make a copy whose loudness is predicted to be the target.

        Parameters
        ----------
        gain_db : float
            That would bring the mix to the target if nothing were limited.
        ceiling_dbtp : float
        why : str
            Kind of the refusal where too much would be limited.
        """
        peak = self._result.measurements.true_peak.level_dbtp or 0.0
        over_db = peak + gain_db - ceiling_dbtp
        if over_db <= 0.0:
            return _Plan(gain_db, ceiling_dbtp, None)
        self._refuse_above(over_db, why)
        level = self._destination.level
        if level is None or level.fact != "integrated_lufs":
            # What is written is measured, and the next attempt follows that.
            return _Plan(gain_db, ceiling_dbtp, self._limited(gain_db, ceiling_dbtp))
        used_db, slope, last = gain_db, -1.0, (0.0, 0.0)
        for _ in range(_SEARCHES):
            gain = self._limited(used_db, ceiling_dbtp)
            short_lu = gain_db + self._lost_lu(gain) - used_db
            if abs(short_lu) < _NEAR_LU / 5:
                break
            if last[1]:
                slope = min(-0.1, (short_lu - last[1]) / (used_db - last[0]))
            last = (used_db, short_lu)
            used_db -= short_lu / slope
            self._refuse_above(peak + used_db - ceiling_dbtp, why)
        else:
            gain = self._limited(used_db, ceiling_dbtp)
        return _Plan(used_db, ceiling_dbtp, gain)

    def _refuse_above(self, over_db: float, why: str) -> None:
        rules = self._rules
        if round(over_db, 1) > rules.most_db:
            raise _Refused(
                Refusal(
                    kind="encoding" if why == "encoding" else "limiting",
                    value=over_db,
                    limit=rules.most_db,
                    source=rules.source,
                    status=rules.status,
                )
            )

    def _limited(self, gain_db: float, ceiling_dbtp: float) -> Floats:
        """Return the gain of the limiter by step, behind a plain gain."""
        limit = amplitude_ratio(ceiling_dbtp - _MARGIN_DB - gain_db)
        if self._peaks is None or limit < self._peaks_from:
            self._survey(limit * amplitude_ratio(-_SEARCH_DB))
        assert self._peaks is not None
        timing = Timing(
            attack_s=self._rules.attack_ms / 1000.0,
            hold_s=self._rules.hold_ms / 1000.0,
            release_db_per_s=self._rules.release_db_per_s,
        )
        return gain_of(self._peaks, limit, timing, self._step / self._source.rate_hz)

    def _survey(self, least: float) -> None:
        """Read the mix for its peaks over time, and its loudness over time."""
        source = self._source
        peaks = PeakEnvelope(source.channels, self._step, least)
        loudness = LoudnessMeter(source.rate_hz, source.channels, source.layout)
        with open_mix(self._result.path, self._track) as file:
            for block in file.blocks():
                peaks.feed(block)
                if self._loudness is None:
                    loudness.feed(block)
        self._peaks, self._peaks_from = peaks.result(), least
        self._loudness = self._loudness or loudness.result()

    def _lost_lu(self, gain: Floats) -> float:
        """Return how much softer the limiter makes the mix, from its energies of 10 ms."""
        assert self._loudness is not None
        energies = self._loudness.energies
        per_step = self._step / self._source.rate_hz * 100.0
        edges = np.minimum(
            np.ceil(np.arange(len(energies.mean_square)) / per_step), len(gain) - 1
        ).astype(np.intp)
        counts = np.diff(np.append(edges, len(gain)))
        squares = np.add.reduceat(np.square(gain), edges) / np.maximum(counts, 1)
        moved = replace(energies, mean_square=energies.mean_square * squares)
        after = LoudnessReading(moved, self._loudness.channels).integrated_lufs
        lost = self._loudness.integrated_lufs - after
        return float(lost) if np.isfinite(lost) else 0.0

    def _render(self, plan: _Plan, output: Path) -> tuple[str, ...]:
        """Write the sound of a copy, in its video where it has one; return what that left out."""
        source = self._source
        if self._form is not None:
            return replace_tracks(
                replace(source, path=self._result.path),
                output,
                self._tracks(),
                self._blocks(plan),
                self._form,
                dither=plan.changes,
            )
        with WaveWriter(output, source, dither=plan.changes) as writer:
            for block in self._blocks(plan):
                writer.write(block)
        return ()

    def _blocks(self, plan: _Plan) -> Iterator[npt.NDArray[np.float64]]:
        """Yield the sound of a copy."""
        ride = None if plan.gain is None else Ride(plan.gain, self._step)
        factor = amplitude_ratio(plan.gain_db) if plan.changes else 1.0
        with open_mix(self._result.path, self._track) as file:
            for block in _in_parts(file.blocks()):
                moved = np.multiply(block, factor, dtype=np.float64)
                gain = None if ride is None else ride.next(len(block))
                if gain is not None:
                    moved *= gain[:, np.newaxis]
                yield moved

    def _tracks(self) -> dict[int, slice]:
        """Return which channels go into which audio track of a video."""
        choice = self._result.track
        if choice is None or choice.right is None:
            return {1 if choice is None else choice.number: slice(None)}
        return {choice.number: slice(0, 1), choice.right: slice(1, 2)}

    def _measured(self, copy: Path) -> MixResult:
        """Measure a copy as any mix is measured."""
        return check_mix(
            copy,
            [self._destination.name],
            self._stems,
            self._encode,
            track=None if self._form is None else self._track,
            config=self._policy.config,
            progress=self._progress,
        )

    def _over_encoded(self, copy: MixResult) -> float:
        """Return by how many dB a codec puts the copy over the limit; 0 where none does."""
        if self._encoded_limit is None:
            return 0.0
        peaks = [peak.level_dbtp for peak in copy.measurements.true_peak_after_encoding]
        over = [peak - self._encoded_limit for peak in peaks if peak is not None]
        return max(0.0, round(max(over, default=0.0), 1))

    def _refuse_failing(self, copy: MixResult) -> None:
        """Refuse a copy that fails by what its level decides."""
        failing = [
            check
            for check in copy.destinations[0].checks
            if check.verdict == "fail" and check.fact in _MOVED_FACTS
        ]
        if failing:
            raise _Refused(Refusal(kind="checks", checks=tuple(failing)))

    def _carry(self, plan: _Plan, copy: MixResult, sound: Path, temporary: Path) -> tuple[str, ...]:
        """Give the samples of a copy the chunks of their source; return their names."""
        loudness = copy.measurements.loudness
        return carry(
            sound,
            self._result.path,
            temporary,
            LoudnessFields(
                integrated_lufs=loudness.integrated_lufs,
                range_lu=loudness.range_lu,
                level_dbtp=copy.measurements.true_peak.level_dbtp,
                momentary_max_lufs=loudness.momentary_max_lufs,
                short_term_max_lufs=loudness.short_term_max_lufs,
            ),
            self._history(plan),
        )

    def _described(self, plan: _Plan, copy: MixResult, attempts: int) -> WrittenMix:
        """Say what a copy is."""
        before, form = self._result, self._form
        words = word_length_of(self._source)
        dithers = words.is_dithered if form is None else form.bits in (16, 24)
        level = self._destination.level
        (destination,) = copy.destinations
        return WrittenMix(
            path=os.fspath(self._output),
            destination=destination.name,
            means="limiter" if plan.gain is not None else "gain" if plan.changes else "none",
            gain_db=plan.gain_db if plan.changes else 0.0,
            level=None if level is None else level.fact,
            level_before=_level(before, level.target if level else None),
            level_after=_level(copy, level.target if level else None),
            dbtp_before=before.measurements.true_peak.level_dbtp,
            dbtp_after=copy.measurements.true_peak.level_dbtp,
            limiting=None if plan.gain is None else self._limiting(plan, plan.gain),
            after_encoding=copy.measurements.true_peak_after_encoding,
            coding=f"WAV, {words}" if form is None else form.words,
            dithered=plan.changes and dithers,
            attempts=attempts,
            verdict=destination.verdict,
            checks=destination.checks,
        )

    def _history(self, plan: _Plan) -> str:
        source, bits = self._source, word_length_of(self._source).bits
        mode = {1: "mono", 2: "stereo"}.get(source.channels, "multitrack")
        did = f"gain {plan.gain_db:+.2f} dB" if plan.changes else "copied"
        did += f"; limited at {plan.ceiling_dbtp:.2f} dBTP" if plan.gain is not None else ""
        return (
            f"A=PCM,F={source.rate_hz},W={bits},M={mode},T=vocheck; {did} "
            f"for {self._destination.name}"
        )

    def _limiting(self, plan: _Plan, gain: Floats) -> Limiting:
        """Say what the limiter did, over time."""
        rules, step_s = self._rules, self._step / self._source.rate_hz
        told_s = FINE_STEP_S if self._source.duration_s <= FINE_MOST_S else COARSE_STEP_S
        edges = np.ceil(np.arange(0.0, len(gain) * step_s, told_s) / step_s).astype(np.intp)
        lowest = np.minimum.reduceat(gain, edges[edges < len(gain)])
        reduction = np.maximum(0.0, -amplitude_levels_db(lowest.astype(np.float64)))
        moved = float(np.mean(gain <= amplitude_ratio(-_MOVED_DB)))
        return Limiting(
            ceiling_dbtp=plan.ceiling_dbtp,
            most_db=-amplitude_db(float(gain.min())),
            share=moved,
            attack_ms=rules.attack_ms,
            hold_ms=rules.hold_ms,
            release_db_per_s=rules.release_db_per_s,
            step_s=told_s,
            reduction_db=tuple(np.round(reduction, 2).tolist()),
        )


def _in_parts(blocks: Iterator[Samples]) -> Iterator[Samples]:
    """Yield blocks in parts that stay in the cache."""
    for block in blocks:
        for start in range(0, len(block), _PART_FRAMES):
            yield block[start : start + _PART_FRAMES]


_MOVED_FACTS = (
    *("integrated_lufs", "dialogue_lufs", "rms_dbfs", "active_dbfs", "leq_m_db"),
    *("level_dbtp", "sample_peak_dbfs", "short_term_max_lufs", "momentary_max_lufs", "range_lu"),
)
"""What a gain moves; a wrong rate or a missing channel is not mended by not writing."""


def _level(result: MixResult, target: float | None) -> float | None:
    """Return the level that the destination is about, by the reading that it takes."""
    gain = result.destinations[0].gain_to_target_db
    return None if target is None or gain is None else target - gain
