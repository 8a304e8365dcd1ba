"""Bytes overwritten in the middle of a file are told, where its format can show them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.audio.files import RATE, write, write_by_libsndfile
from vocheck.audio import read
from vocheck.measurements import dropouts
from vocheck.measurements.format import measure
from vocheck.policy.judge import judge
from vocheck.policy.limits import load_limits

DEMO = Path(__file__).parents[2] / "fixtures" / "session"
SECONDS = 4
TIMES = 40


def speechlike() -> np.ndarray:
    """Return noise that swells and fades, of which a codec's packets differ in size."""
    rng = np.random.default_rng(1)
    time_s = np.arange(SECONDS * RATE)[:, np.newaxis] / RATE
    swell = 0.05 + np.clip(np.sin(2 * np.pi * 2.5 * time_s), 0, None)
    tone = np.sin(2 * np.pi * 180 * time_s)
    noise = rng.standard_normal((SECONDS * RATE, 1))
    return (0.1 * swell * (tone + 0.1 * noise)).astype(np.float32)


def damaged_copies(path: Path, times: int = TIMES):
    """Overwrite the file with 64 random bytes in one place after another; yield the place."""
    raw = path.read_bytes()
    rng = np.random.default_rng(2)
    for _ in range(times):
        place = int(rng.integers(len(raw) // 5, len(raw) * 4 // 5))
        copy = bytearray(raw)
        copy[place : place + 64] = rng.integers(0, 256, 64, np.uint8).tobytes()
        path.write_bytes(copy)
        yield place / len(raw)


def is_told(path: Path) -> bool:
    source = read(path).source
    return source.damaged > 0 or source.missing_s > 0


WRITERS = {
    "take.flac": lambda path: write_by_libsndfile(path, "FLAC", "PCM_24", speechlike()),
    "ffmpeg.flac": lambda path: write(path, "flac", speechlike()),
    "take.mkv": lambda path: write(path, "flac", speechlike()),
    "take.ac3": lambda path: write(path, "ac3", speechlike()),
    "vorbis.ogg": lambda path: write_by_libsndfile(path, "OGG", "VORBIS", speechlike()),
    "opus.ogg": lambda path: write_by_libsndfile(path, "OGG", "OPUS", speechlike()),
    "take.m4a": lambda path: write(path, "aac", speechlike()),
    "take.aac": lambda path: write(path, "aac", speechlike()),
    "take.mp3": lambda path: write(path, "libmp3lame", speechlike()),
    "alac.m4a": lambda path: write(path, "alac", speechlike()),
}


@pytest.mark.parametrize(
    ("name", "least"),
    [
        # All of it where check sums cover every byte.
        *[("take.flac", 40), ("ffmpeg.flac", 40), ("take.mkv", 40), ("take.ac3", 40)],
        *[("vorbis.ogg", 40), ("opus.ogg", 40)],
        # Only what breaks the grammar of the codec elsewhere. Regression snapshots, rounded down.
        *[("take.m4a", 30), ("take.aac", 30), ("take.mp3", 8), ("alac.m4a", 8)],
    ],
)
def test_overwritten_bytes_are_told(tmp_path: Path, name: str, least: int) -> None:
    """Of 40 files with 64 bytes overwritten, so many are told; the whole one is not."""
    path = WRITERS[name](tmp_path / name)
    assert not is_told(path)
    assert sum(is_told(path) for _ in damaged_copies(path)) >= least


@pytest.mark.parametrize("name", ["take.flac", "ffmpeg.flac", "take.mkv"])
def test_what_follows_damage_keeps_its_place(tmp_path: Path, name: str) -> None:
    """The length stays, and but for some frames so does every sample.

    A damaged frame costs 4096 samples, and the one behind it too where its head was hit.
    """
    path = WRITERS[name](tmp_path / name)
    whole = read(path).samples
    for place in damaged_copies(path, 10):
        recording = read(path)
        source = recording.source
        assert (source.missing_s, len(recording.samples)) == (0, len(whole))
        changed = np.flatnonzero((recording.samples != whole).any(axis=1))
        assert 0 < changed[-1] - changed[0] < 3 * 4096
        assert source.damaged >= 1
        # The places of bytes and of time agree roughly, because the packets differ in size.
        assert source.damaged_s[0] == pytest.approx(changed[0] / RATE, abs=4096 / RATE)
        assert source.damaged_s[0] == pytest.approx(place * SECONDS, abs=0.25 * SECONDS)


def test_a_damaged_take_is_no_keep(tmp_path: Path) -> None:
    """The damage is a finding that says when, and asks for the take again."""
    path = WRITERS["take.flac"](tmp_path / "take.flac")
    next(damaged_copies(path))
    recording = read(path)
    facts = measure(recording)
    assert facts.damaged == recording.source.damaged
    assert [place.time_s for place in facts.damage] == list(recording.source.damaged_s)
    from vocheck.measurements import measure as measure_all

    findings = {finding.name: finding for finding in judge(measure_all(recording), load_limits())}
    found = findings["damaged_audio"]
    assert (found.severity, found.times_s) == ("retake", recording.source.damaged_s)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_a_damaged_plain_take_is_no_keep(tmp_path: Path, subtype: str) -> None:
    """PCM has no check sum, but 64 random bytes are no sound: of 12 places 11 are told at least.

    The sound is that of the demo session, on which nothing was tuned.
    """
    samples, _ = soundfile.read(DEMO / "03_hands_t1.flac", dtype="float32", always_2d=True)
    path = write_by_libsndfile(tmp_path / "take.wav", "WAV", subtype, samples)
    assert dropouts.measure(read(path)).events == ()
    told = sum(bool(dropouts.measure(read(path)).events) for _ in damaged_copies(path, 12))
    assert told >= 11
