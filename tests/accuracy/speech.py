"""Accuracy of speech activity, syllable rate and pitch."""

from __future__ import annotations

import numpy as np

from tests import speech as voices
from tests.accuracy.sections import write_section
from tests.accuracy.takes import RATE, SPEECH_DBFS, colored, scaled
from vocheck.dsp.activity import FRAME_S
from vocheck.measurements import speech
from vocheck.recording import Recording

ROOMS_DB = (-np.inf, -60.0, -40.0, -30.0, -20.0, -10.0)


def truth(take: voices.Speech, frames: int) -> np.ndarray:
    """Return which frames of 10 ms hold a phone."""
    times = (np.arange(frames) + 0.5) * FRAME_S
    spoken = np.zeros(frames, bool)
    for phone in take.phones:
        if phone.label not in voices.SILENT:
            spoken[np.searchsorted(times, phone.start_s) : np.searchsorted(times, phone.end_s)] = 1
    return spoken


def vowels(take: voices.Speech) -> int:
    """Return the number of vowels and syllabic consonants: the number of syllables."""
    return len(take.of(voices.VOWELS))


def takes(room_db: float) -> list[tuple[voices.Speech, Recording]]:
    made = []
    for seed, voice in enumerate(voices.TEST_VOICES):
        take = voices.take(
            voice, voices.TEST_LINES, rate=RATE, level_dbfs=SPEECH_DBFS, room_db=-np.inf
        )
        x = take.samples
        if room_db > -np.inf:
            room = colored("room", len(x), np.random.default_rng(seed))
            x = x + scaled(room, SPEECH_DBFS + room_db)
        made.append((take, Recording(x, RATE)))
    return made


def activity_table() -> str:
    lines = [
        "| SNR | frame recall | frame precision | F1 | pauses >= 0.4 s found | false pauses |",
        "|---|---|---|---|---|---|",
    ]
    for room in ROOMS_DB:
        hits = said = true = found = pauses = false = 0
        for take, recording in takes(room):
            active = recording.activity.speech
            spoken = truth(take, len(active))
            hits += int((active & spoken).sum())
            said += int(active.sum())
            true += int(spoken.sum())
            edges = np.flatnonzero(np.diff(spoken.astype(int)))
            silences = [
                (a * FRAME_S, b * FRAME_S)
                for a, b in zip(edges[1:-1:2], edges[2::2], strict=True)
                if (b - a) * FRAME_S >= 0.4
            ]
            inner = [(p.start_s, p.end_s) for p in speech.measure(recording).pauses]
            touched = [any(a < e and s < b for s, e in inner) for a, b in silences]
            pauses += len(silences)
            found += sum(touched)
            false += sum(
                spoken[round(s / FRAME_S) : round(e / FRAME_S)].mean() > 0.5 for s, e in inner
            )
        recall, precision = hits / true, hits / said
        f1 = 2 * recall * precision / (recall + precision)
        name = "no noise" if room == -np.inf else f"{-room:.0f} dB"
        lines.append(
            f"| {name} | {recall:.3f} | {precision:.3f} | {f1:.3f} | {found}/{pauses} | {false} |"
        )
    return "\n".join(lines)


def syllable_table() -> str:
    lines = [
        "| voice | syllables | counted / true, by line | mean error by line |",
        "|---|---|---|---|",
    ]
    for voice in voices.TEST_VOICES:
        ratios = []
        total = 0
        for line in voices.TEST_LINES:
            take = voices.take(voice, [line], rate=RATE, level_dbfs=SPEECH_DBFS, room_db=-60.0)
            counted = speech.measure(Recording(take.samples, RATE)).syllables or 0
            ratios.append(counted / vowels(take))
            total += vowels(take)
        error = np.mean(np.abs(np.array(ratios) - 1))
        lines.append(f"| {voice} | {total} | {np.mean(ratios):.2f} | {error:.0%} |")
    return "\n".join(lines)


def pitch_table() -> str:
    import parselmouth

    lines = [
        "| reader | gross errors (> 1 st) | fine, median | voicing differs | median differs | "
        "range differs |",
        "|---|---|---|---|---|---|",
    ]
    synthetic = [
        voices.take(voice, voices.TEST_LINES[:4], rate=RATE, room_db=-60.0)
        for voice in voices.TEST_VOICES
    ]
    for take in [*synthetic, *voices.labelled()[:1], *voices.unlabelled()[:2]]:
        recording = Recording(take.samples, take.rate)
        track = recording.pitch
        praat = parselmouth.Sound(take.samples.astype(float), take.rate).to_pitch_ac(
            time_step=0.01, pitch_floor=60.0, pitch_ceiling=500.0
        )
        theirs = praat.selected_array["frequency"]
        nearest = np.abs(track.times_s[:, np.newaxis] - praat.xs()).argmin(axis=0)
        ours = track.hz[nearest]
        both = (ours > 0) & (theirs > 0)
        cents = 1200 * np.abs(np.log2(ours[both] / theirs[both]))
        a, b = (12 * np.log2(np.percentile(x[x > 0], (10, 50, 90))) for x in (ours, theirs))
        lines.append(
            f"| {take.name} | {(cents > 100).mean():.1%} | {np.median(cents):.1f} cents | "
            f"{((ours > 0) != (theirs > 0)).mean():.1%} | {abs(a[1] - b[1]):.2f} st | "
            f"{(a[2] - a[0]) - (b[2] - b[0]):+.2f} st |"
        )
    return "\n".join(lines)


def main() -> None:
    body = f"""
{len(voices.TEST_VOICES)} synthetic voices read {len(voices.TEST_LINES)} lines with 0.7 s between
them; their phone times are the synthesisers' own. Nothing was tuned on these voices and lines.

**Activity**, in frames of 10 ms. The detector starts 30 ms early and ends 60 ms late on purpose,
which costs precision. A pause is found if any of it is; it is false if most of it is speech.

{activity_table()}

**Syllables**, true = vowels and syllabic consonants of the synthesiser. Line by line, room at
-60 dB:

{syllable_table()}

**Pitch** against Praat's autocorrelation method (an independent implementation), 60 to 500 Hz:

{pitch_table()}
"""
    write_section("speech", "Speech activity, syllables, pitch", body)


if __name__ == "__main__":
    main()
