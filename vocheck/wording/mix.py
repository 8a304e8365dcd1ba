"""A final mix in sentences: where it may go, and what gain and arrival do to its level."""

from __future__ import annotations

import math
from collections.abc import Mapping

from vocheck.audio.tracks import Track
from vocheck.measurements.loudness import TWO_SPEAKERS_LU
from vocheck.mix.results import (
    Arrival,
    DestinationResult,
    IndependentReading,
    MixMeasurements,
    MixResult,
    NoReading,
    StemMatch,
)
from vocheck.wording.delivery import gain_words
from vocheck.wording.vocabulary import clock, clocks, counted, listed, number


def sentence(result: MixResult) -> str:
    """Return in a sentence or two where a mix may go and where not."""
    if not result.destinations:
        return "No destination was named: measured only."
    said = []
    for verdict, words in (
        ("fail", "Not ready for {}."),
        ("warn", "Look again before it goes to {}."),
        ("pass", "Ready for {}."),
        ("not published", "No loudness is published by {}: nothing to judge it by."),
    ):
        names = [d.name for d in result.destinations if d.verdict == verdict]
        if names:
            said.append(words.format(listed(names)))
    return " ".join(said)


def gain(result: DestinationResult) -> str:
    """Return what the gain to a destination does to the peak; nothing where none can be given."""
    if result.gain_to_target_db is None:
        return ""
    return gain_words(
        result.gain_to_target_db,
        result.true_peak_after_gain_dbtp,
        result.limiter_db,
        result.peak_limit_dbtp,
    )


def two_speakers(result: MixResult) -> bool:
    """Return whether to show a mix of one channel as heard from two speakers.

    So it is where every destination reads it so; else it is shown as ITU-R BS.1770 counts it.
    """
    read = [d.two_speakers for d in result.destinations if d.one_channel is not None]
    return bool(read) and all(read)


def shown_lufs(result: MixResult, lufs: float | None) -> float | None:
    """Return a loudness of a mix by the reading in which it is shown (see `two_speakers`)."""
    return lufs + TWO_SPEAKERS_LU if lufs is not None and two_speakers(result) else lufs


def shown_target(result: MixResult, destination: DestinationResult) -> float | None:
    """Return where the target of a destination lies on the loudness scale of the page."""
    target = destination.target_lufs
    if target is None or destination.two_speakers == two_speakers(result):
        return target
    return target - TWO_SPEAKERS_LU


def loudness_words(result: MixResult) -> str:
    """Return the integrated loudness; of one channel by both readings."""
    loudness = result.measurements.loudness
    if loudness.integrated_lufs is None:
        return loudness.not_measured.get("integrated_lufs", "not measured")
    if result.source.channels != 1 or loudness.two_speakers_lufs is None:
        return number(loudness.integrated_lufs, unit="LUFS")
    as_one = f"{number(loudness.integrated_lufs, unit='LUFS')} as one channel"
    as_two = f"{number(loudness.two_speakers_lufs, unit='LUFS')} as heard from two speakers"
    return f"{as_two}, {as_one}" if two_speakers(result) else f"{as_one}, {as_two}"


def track(result: MixResult) -> str:
    """Return which audio track of a file with several was measured, and why."""
    choice = result.track
    if choice is None:
        return ""
    count, number = len(choice.tracks), choice.number
    if choice.was_asked:
        return f"Track {number} of {count} was measured, as asked."
    if choice.right is not None:
        words = f"Tracks {number} and {choice.right} of {count}, one channel each, were measured "
        words += "as left and right"
    else:
        words = f"Track {number} of {count} was measured"
    passed = [
        f"track {other.number} is {_why_not(other)}"
        for other in choice.tracks
        if other.number not in (number, choice.right) and (other.is_silent or other.is_aside)
    ]
    own = choice.tracks[number - 1]
    if own.is_silent:
        words += ": all of them are silent"
    elif passed:
        words += f": {listed(passed)}"
    elif choice.right is None:
        words += ": nothing in the file marks another as the main one"
    return f"{words}. --track measures another."


def _why_not(track: Track) -> str:
    if track.is_silent:
        return "silent"
    called = f" (“{track.title}”)" if track.title else ""
    return f"marked as no main programme{called}"


def coding(result: MixResult) -> str:
    """Return how the sound of a mix is stored: ``WAV, PCM, 24 bit, 48 kHz``."""
    source = result.source
    parts = [source.container, source.codec]
    if source.bits:
        parts.append(f"{source.bits} bit")
    if source.bitrate_kbps:
        parts.append(f"{source.bitrate_kbps:.0f} kb/s")
    return ", ".join(dict.fromkeys(part for part in parts if part))


def extent(result: MixResult) -> str:
    """Return how long picture and sound of a video are, and when the sound starts."""
    source = result.source
    if source.picture_s is None and not source.start_s:
        return ""
    words = [] if source.picture_s is None else [f"picture {source.picture_s:.1f} s"]
    sound = f"sound {source.duration_s:.1f} s"
    return ", ".join([*words, f"{sound} from {clock(source.start_s)}" if source.start_s else sound])


def stems_in_mix(found: StemMatch) -> str:
    """Return how each stem was found in the mix."""
    said = [f"{name} not in the mix" for name in found.foreign]
    for name, lag in found.lag_s.items():
        words = []
        if round(lag, 2):
            words.append(f"{abs(lag):.2f} s {'late' if lag > 0 else 'early'}")
        gain = found.gain_db[name]
        if round(gain, 1):
            words.append(f"{abs(gain):.1f} dB {'louder' if gain > 0 else 'softer'} than there")
        said.append(f"{name} {listed(words) if words else 'as in the mix'}")
    if found.null_db is not None:
        rest = number(found.null_db, 0, "dB")
        said.append(f"the mix less both leaves {rest}")
    return "; ".join(said)


def digital_silence(measured: MixMeasurements) -> str:
    """Return how long a mix is digital silence and from where; nothing where it never is."""
    if not measured.digital_silence_at:
        return ""
    length = number(measured.digital_silence_s, unit="s")
    return f"{length}, from {clocks(measured.digital_silence_at)}"


def one_channel(result: DestinationResult) -> str:
    """Return how a destination reads one channel, and what the other reading would say."""
    read = result.one_channel
    if read is None or read.other_lufs is None or not math.isfinite(read.other_lufs):
        return ""
    as_two, as_one = "as heard from two speakers", "as one (ITU-R BS.1770)"
    here, there = (as_two, as_one) if result.two_speakers else (as_one, as_two)
    words = f"One channel counts {here} here ({read.status}). Counted {there} it is at "
    words += number(read.other_lufs, unit="LUFS")
    own = next((c.verdict for c in result.checks if c.fact in _LOUDNESS), None)
    if read.other_verdict == own or read.other_verdict not in _OUTCOMES:
        return f"{words}."
    ask = ": ask which they mean" if read.status.startswith("published") else ""
    return f"{words}, which {_OUTCOMES[read.other_verdict]}{ask}."


_LOUDNESS = ("integrated_lufs", "dialogue_lufs")
_OUTCOMES = {"pass": "would pass", "warn": "would be a warning", "fail": "would fail"}


def arrival(result: DestinationResult) -> str:
    """Return what a destination does with the level of a mix, as far as it is known."""
    if result.arrival is None:
        return "What happens to the level on arrival is not published."
    return " ".join(words for words in (_moved(result.arrival), result.arrival.text) if words)


def _moved(arrival: Arrival) -> str:
    likely = "would be" if arrival.published else "would probably be"
    change, moved = arrival.change_db or 0.0, arrival.moved_db or 0.0
    words = {
        "same": "This mix would be left about as it is.",
        "down": f"This mix {likely} turned down by {-moved:.1f} dB.",
        "up": f"This mix {likely} turned up by {moved:.1f} dB.",
        "held": f"This mix {likely} turned up by {moved:.1f} of {change:.1f} dB: "
        "its peak stops it.",
        "softer": f"This mix would stay {change:.1f} LU softer than others.",
    }
    return words[arrival.kind] if arrival.kind else ""


def second_reading(result: MixResult) -> str:
    """Return what an independent meter reads; nothing where none was asked."""
    reading = result.independent
    if reading is None:
        return ""
    if reading.integrated_lufs is None:
        return f"A second reading ({reading.meter}): {reading_note(reading)}"
    ours = number(result.measurements.loudness.integrated_lufs, 2)
    return (
        f"A second reading: {number(reading.integrated_lufs, 2, 'LUFS')} by {reading.meter}, "
        f"{number(reading.difference_lu, 3)} LU from ours ({ours}). {reading_note(reading)}"
    )


def reading_note(reading: IndependentReading) -> str:
    """Return why an independent reading may differ from ours, or why there is none."""
    if reading.refusal is None:
        return _WHY_THEY_DIFFER
    return _REFUSALS[reading.refusal].format(reason=reading.reason)


_REFUSALS: Mapping[NoReading, str] = {
    "channels": "pyloudnorm measures up to 5 channels, and this mix has more.",
    "length": "The mix is longer than 15 min: pyloudnorm would need gigabytes of memory.",
    "nothing to compare": "There is nothing to compare: {reason}.",
    "no number": "pyloudnorm gave no number.",
}

_WHY_THEY_DIFFER = (
    "pyloudnorm counts a last block that is more than half full, which ITU-R BS.1770 leaves out: "
    "up to some tenths of a LU on files of a few seconds. At sample rates other than 48 kHz its "
    "filter strays from the published curve by up to 0.1 LU."
)


def mono_words(change_lu: float) -> str:
    """Return a change of loudness in mono; silence is what opposite sides leave."""
    return "the sides cancel" if change_lu == -math.inf else number(change_lu, unit="LU")


def at(words: str, time_s: float | None) -> str:
    """Return what was measured with its place: ``-9.1 LUFS at 0:03.2``."""
    return words if time_s is None else f"{words} at {clock(time_s)}"


def overs(measured: MixMeasurements) -> str:
    """Return in how many places the true peak is over the limit; nothing where it never is."""
    places = measured.peaks_over_limit
    if not places:
        return ""
    limit = number(measured.peak_limit_dbtp, unit="dBTP")
    return f"over {limit} in {counted(len(places), 'place')}"
