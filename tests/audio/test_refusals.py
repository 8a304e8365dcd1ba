"""Heads that lie, and formats that are not read: one clear line, and no memory or time for it."""

from __future__ import annotations

import struct
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.audio.files import RATE, found_hz, tone_hz, tones, write
from vocheck.audio import Coding, Marker, RoundTrip, mark, open_audio, read
from vocheck.audio.readers import BLOCK_FRAMES
from vocheck.errors import AudioError


def wave(
    path: Path, rate: int = RATE, channels: int = 1, bits: int = 16, code: int = 1, size: int = 96
) -> Path:
    align = channels * bits // 8 & 0xFFFF
    form = struct.pack("<HHIIHH", code, channels, rate, rate * align & 0xFFFFFFFF, align, bits)
    path.write_bytes(
        struct.pack("<4sI4s", b"RIFF", min(36 + size, 2**32 - 1), b"WAVE")
        + struct.pack("<4sI", b"fmt ", 16)
        + form
        + struct.pack("<4sI", b"data", size)
        + bytes(min(size, 4800))
    )
    return path


def flac(path: Path, rate: int, channels: int, frames: int) -> Path:
    """Write a FLAC file and put other numbers into its STREAMINFO (RFC 9639, section 8.2)."""
    soundfile.write(path, tones(1), RATE, subtype="PCM_16")
    raw = bytearray(path.read_bytes())
    packed = rate << 44 | (channels - 1) << 41 | 15 << 36 | frames
    raw[18:26] = packed.to_bytes(8)
    path.write_bytes(raw)
    return path


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: wave(path, rate=2**31 - 1), "sample rate of 2147483647 Hz"),
        (lambda path: wave(path, rate=2**31), "sample rate|cannot be read"),
        (lambda path: wave(path, rate=0), "sample rate|cannot be read"),
        (lambda path: wave(path, rate=4000), "sample rate of 4000 Hz"),
        (lambda path: wave(path, channels=1000), "1000 channels"),
        (lambda path: wave(path, channels=0), "channels|cannot be read"),
        (lambda path: wave(path, bits=64), "coded as|cannot be read"),
        (lambda path: wave(path, code=0x55), "coded as|cannot be read|no audio"),
        (lambda path: flac(path, 1, 1, 48000), "sample rate|codec that is not read"),
    ],
)
def test_a_head_that_asks_for_too_much(
    tmp_path: Path, make: Callable[[Path], Path], words: str
) -> None:
    """The file is refused in one line, for less memory than two blocks take."""
    path = make(tmp_path / "take.wav")
    tracemalloc.start()
    try:
        with pytest.raises(AudioError, match=words) as caught:
            read(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert peak < 2 * 8 * BLOCK_FRAMES


@pytest.mark.parametrize("size", [2**31, 2**32 - 2])
def test_a_huge_frame_count_costs_no_memory(tmp_path: Path, size: int) -> None:
    """A head that promises hours of samples gives those that are there."""
    recording = read(wave(tmp_path / "take.wav", size=size))
    assert len(recording.samples) == 2400
    promised = flac(tmp_path / "take.flac", RATE, 1, 2**36 - 1)
    recording = read(promised)
    assert len(recording.samples) == RATE
    assert recording.source.missing_s > 1e6


@pytest.mark.parametrize("name", ["notes.snd", "notes.au", "notes.raw", "notes.vox", "notes.gsm"])
def test_text_is_no_sound_whatever_its_name(tmp_path: Path, name: str) -> None:
    """Libsndfile would go by the name and take the letters for samples."""
    path = tmp_path / name
    path.write_text("take 3 was the best one, take 4 has a noise\n" * 500)
    with pytest.raises(AudioError, match="is not an audio file"):
        read(path)


def test_integers_of_64_bits(tmp_path: Path) -> None:
    """FFmpeg writes and reads them, but no array here holds them."""
    for name in ("take.wav", "take.mkv"):
        try:
            path = write(tmp_path / name, "pcm_s64le", tones(1))
        except ValueError:
            continue  # that writer refuses it
        with pytest.raises(AudioError, match="coded as pcm_s64le, which is not read"):
            read(path)
    assert list(tmp_path.iterdir())


def test_a_transport_stream_of_an_unknown_codec(tmp_path: Path) -> None:
    """A stream type that nobody has defined (0x7F in the program map, ISO/IEC 13818-1).

    AAC is found by its bytes all the same; behind noise there is no codec, and one line says so.
    """
    path = write(tmp_path / "take.ts", "aac", tones(2))
    raw = bytearray(path.read_bytes())
    changed = 0
    for start in range(0, len(raw), 188):
        if raw[start + 1] & 0x40 and raw[start + 5] == 2 and raw[start + 4] == 0:
            length = (raw[start + 6] & 0x0F) << 8 | raw[start + 7]
            section = raw[start + 5 : start + 8 + length - 4]
            assert section[12] == 0x0F  # AAC
            section[12] = 0x7F
            whole = section + mpeg_crc(section).to_bytes(4)
            raw[start + 5 : start + 5 + len(whole)] = whole
            changed += 1
    assert changed
    path.write_bytes(raw)
    assert found_hz(read(path).samples) == tone_hz(2)
    noise = np.random.default_rng(1)
    for start in range(0, len(raw), 188):
        if (raw[start + 1] & 0x1F) << 8 | raw[start + 2] == 0x100:  # the stream of the sound
            raw[start + 12 : start + 188] = noise.bytes(176)
    path.write_bytes(raw)
    with pytest.raises(AudioError, match=r"take\.ts: ") as caught:
        read(path)
    assert "\n" not in str(caught.value)


def mpeg_crc(section: bytes) -> int:
    """Return the check sum of a section (ISO/IEC 13818-1, Annex A), from its definition."""
    crc = 0xFFFF_FFFF
    for byte in section:
        for bit in range(7, -1, -1):
            carry = (crc >> 31) ^ (byte >> bit & 1)
            crc = (crc << 1 & 0xFFFF_FFFF) ^ (0x04C1_1DB7 if carry else 0)
    return crc


@pytest.mark.parametrize("value", [1e11, -1e20, 3e38])
def test_floats_that_are_no_samples(tmp_path: Path, value: float) -> None:
    """A number beyond +200 dB is refused with its time."""
    samples = tones(1)
    samples[12000] = value
    soundfile.write(tmp_path / "take.wav", samples, RATE, subtype="FLOAT")
    with pytest.raises(AudioError, match=r"no converter gives .* first at 0\.250 s"):
        read(tmp_path / "take.wav")


@pytest.mark.parametrize("codec", ["aac", "mp3", "opus", "mulaw"])
def test_encoders_come_back_from_huge_floats(codec: str) -> None:
    """Samples of 1e10 are clipped before they reach an encoder (AAC never came back)."""
    channels = 1 if codec == "mulaw" else 2
    block = tones(channels, 0.5) * np.float32(1e11)
    trip = RoundTrip(Coding(codec, 128), RATE, channels)
    start = time.monotonic()
    decoded = np.concatenate([*trip.feed(block), *trip.finish()])
    assert np.isfinite(decoded).all()
    assert time.monotonic() - start < 20  # it was minutes


def test_zeros_are_no_chunks(tmp_path: Path) -> None:
    """100 MB of zeros behind a head of RIFF are looked at once, not as 12 million chunks."""
    path = tmp_path / "take.wav"
    with path.open("wb") as file:
        file.write(struct.pack("<4sI4s", b"RIFF", 100_000_000, b"WAVE"))
        file.truncate(100_000_000)
    start = time.monotonic()
    tracemalloc.start()
    try:
        with pytest.raises(AudioError):
            read(path)
        with pytest.raises(AudioError):
            mark(path, tmp_path / "marked.wav", [Marker(0, 0, "here")])
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 5e6
    assert time.monotonic() - start < 10  # it was minutes


def test_empty_chunks_are_bounded(tmp_path: Path) -> None:
    """A million chunks with proper names end the walk, too."""
    path = tmp_path / "take.wav"
    chunks = struct.pack("<4sI", b"note", 0) * 1_000_000
    path.write_bytes(struct.pack("<4sI4s", b"RIFF", len(chunks) + 4, b"WAVE") + chunks)
    start = time.monotonic()
    with pytest.raises(AudioError):
        read(path)
    assert time.monotonic() - start < 10


def test_a_name_that_reads_like_a_chunk(tmp_path: Path) -> None:
    """An AIFF whose NAME holds "COMM" promises what its COMM says, not what its name says."""
    path = tmp_path / "take.aiff"
    soundfile.write(path, tones(1), RATE, subtype="PCM_24")
    raw = path.read_bytes()
    name = b"COMM\0\0\0\x12\0\x01\x7f\xff\xff\xff river"
    raw = (
        raw[:12]
        + struct.pack(">4sI", b"NAME", len(name))
        + name
        + b"\0" * (len(name) % 2)
        + raw[12:]
    )
    path.write_bytes(raw[:4] + struct.pack(">I", len(raw) - 8) + raw[8:])
    recording = read(path)
    assert (recording.source.missing_s, len(recording.samples)) == (0, RATE)


def test_any_failure_of_a_decoder_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever a library raises, the file is named and nothing else gets through."""
    path = write(tmp_path / "take.m4a", "aac", tones(2))
    plain = tmp_path / "take.wav"
    soundfile.write(plain, tones(2), RATE)
    for error in (RuntimeError("one\ntwo"), struct.error("x"), MemoryError(), UnicodeError("y")):

        def fail(*_: object, error: Exception = error, **__: object) -> None:
            raise error

        for target, file in [
            ("vocheck.audio.ffmpeg.open_container", path),
            ("vocheck.audio.ffmpeg.to_array", path),
            ("soundfile.SoundFile", plain),
            ("soundfile.SoundFile.read", plain),
        ]:
            with monkeypatch.context() as patch:
                patch.setattr(target, fail)
                with pytest.raises(AudioError) as caught:
                    read(file)
                assert str(file) in str(caught.value)
                assert "\n" not in str(caught.value)


def test_the_consumer_s_own_errors_stay(tmp_path: Path) -> None:
    """What is raised between two blocks is not the file's fault."""
    soundfile.write(tmp_path / "take.wav", tones(1), RATE)

    def consume() -> None:
        with open_audio(tmp_path / "take.wav") as file:
            for _ in file.blocks():
                raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        consume()
