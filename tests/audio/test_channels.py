"""1 to 16 channels in every container and codec: each channel is read, and the mix is measured.

Independent of the code under test: FFmpeg and libsndfile wrote the files, and one tone per channel
says which channel is which.
"""

from __future__ import annotations

import struct
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import pytest

from tests.audio.files import found_hz, tone_hz, tones, write, write_by_libsndfile
from vocheck.audio.readers import read
from vocheck.mix import check_mix

UP_TO_16 = range(1, 17)
BY_FFMPEG = [
    ("mix.m4a", "aac", range(1, 9)),
    ("mix.mp4", "aac", range(1, 9)),
    ("mix.mkv", "aac", range(1, 9)),
    ("mix.ts", "aac", range(1, 9)),
    ("mix.aac", "aac", range(1, 9)),
    ("mix.m4a", "alac", range(1, 7)),
    ("mix.mp4", "libopus", (*range(1, 4), *range(5, 17))),
    ("mix.webm", "libopus", (*range(1, 4), *range(5, 17))),
    ("mix.opus", "libopus", (1, 2, *range(6, 17))),
    ("mix.mkv", "ac3", range(1, 7)),
    ("mix.mkv", "eac3", range(1, 7)),
    ("mix.mkv", "flac", range(1, 9)),
    ("mix.flac", "flac", range(1, 9)),
    ("mix.mkv", "pcm_s16le", UP_TO_16),
    ("mix.mov", "pcm_s24le", UP_TO_16),
    ("mix.mov", "pcm_s16be", UP_TO_16),
    ("mix.avi", "pcm_s16le", UP_TO_16),
    ("mix.aiff", "pcm_s24be", UP_TO_16),
    ("mix.caf", "pcm_s24be", UP_TO_16),
    ("mix.mp3", "libmp3lame", (1, 2)),
]
BY_LIBSNDFILE = [
    ("mix.wav", "WAV", "PCM_24", UP_TO_16),
    ("mix.wav", "WAVEX", "PCM_16", UP_TO_16),
    ("mix.wav", "RF64", "FLOAT", UP_TO_16),
    ("mix.w64", "W64", "PCM_24", UP_TO_16),
    ("mix.aiff", "AIFF", "PCM_16", UP_TO_16),
    ("mix.caf", "CAF", "PCM_24", UP_TO_16),
    ("mix.flac", "FLAC", "PCM_24", range(1, 9)),
    ("mix.ogg", "OGG", "VORBIS", UP_TO_16),
]


@pytest.mark.parametrize(
    ("name", "codec", "counts"), BY_FFMPEG, ids=[f"{name}-{codec}" for name, codec, _ in BY_FFMPEG]
)
def test_channels_of_ffmpeg(tmp_path: Path, name: str, codec: str, counts: Iterable[int]) -> None:
    """What FFmpeg wrote as channel k is channel k (in Ogg, Opus keeps its own order)."""
    for channels in counts:
        # Opus has an order of its own up to 8 channels, and none above (RFC 7845, section 5.1.1).
        families = {"mapping_family": "1" if channels <= 8 else "255"}
        options = families if codec == "libopus" and channels > 2 else {}
        path = write(tmp_path / f"{channels}-{name}", codec, tones(channels), **options)
        _check(path, channels, counts, sort=name == "mix.opus")


@pytest.mark.parametrize(
    ("name", "form", "subtype", "counts"),
    BY_LIBSNDFILE,
    ids=[f"{form}-{subtype}" for _, form, subtype, _ in BY_LIBSNDFILE],
)
def test_channels_of_libsndfile(
    tmp_path: Path, name: str, form: str, subtype: str, counts: Iterable[int]
) -> None:
    """What libsndfile wrote as channel k is channel k."""
    for channels in counts:
        path = write_by_libsndfile(tmp_path / f"{channels}-{name}", form, subtype, tones(channels))
        _check(path, channels, counts)


def _check(path: Path, channels: int, counts: Iterable[int], *, sort: bool = False) -> None:
    recording = read(path)
    assert recording.samples.shape[1] == recording.source.channels == channels
    assert recording.source.layout is None or len(recording.source.layout) == channels
    found, expected = found_hz(recording.samples), tone_hz(channels)
    assert (sorted(found), sorted(expected)) if sort else (found, expected) == (found, expected)
    if channels in (1, 2, 8, max(counts)) or path.name.endswith("mix.w64"):
        _check_mix(path, channels)


def _check_mix(path: Path, channels: int) -> None:
    result = check_mix(path, ["social"])  # what `mix` is asked where nothing else is said
    assert result.source.channels == channels
    (encoded,) = result.measurements.true_peak_after_encoding
    if channels <= 8:
        # Closed form: tones of 0.1 do not add up within a channel. AAC may overshoot by some dB.
        assert encoded.level_dbtp is not None
        assert -21 < encoded.level_dbtp < -12
    else:
        assert encoded.level_dbtp is None
        assert "up to 8 channels" in encoded.reason


def test_channels_in_an_order_of_their_own(tmp_path: Path) -> None:
    """Core Audio's AAC 7.1 starts with the center: FFmpeg keeps a list of the channels for it.

    PyAV frees the list of such an order twice, which ends a process; so this is tried in another.
    """
    path = write(tmp_path / "mix.mov", "pcm_s16be", tones(8))
    raw = path.read_bytes()
    place = raw.index(b"chan") + 8  # version and flags, then the layout tag
    # kAudioChannelLayoutTag_AAC_7_1 is C Lc Rc L R Ls Rs LFE (Core Audio's list of layouts).
    path.write_bytes(raw[:place] + struct.pack(">I", (127 << 16) | 8) + raw[place + 4 :])
    code = (
        "import sys, numpy; from vocheck.audio.readers import read; r = read(sys.argv[1]); "
        "print(r.source.layout, len(r.samples))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.strip() == ("('FC', 'FLC', 'FRC', 'FL', 'FR', 'SL', 'SR', 'LFE') 48000")
