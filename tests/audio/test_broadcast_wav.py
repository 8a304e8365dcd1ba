"""A stamped copy: read back by wavinfo (an independent reader) and by libsndfile."""

from __future__ import annotations

import hashlib
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from wavinfo import WavInfoReader

from vocheck.audio import broadcast_wav
from vocheck.audio.broadcast_wav import UNUSED, LoudnessFields, Marker, carry, mark, stamp
from vocheck.audio.riff import wave_chunks
from vocheck.errors import AudioError, VocheckError

FIELDS = LoudnessFields(
    integrated_lufs=-23.014,
    range_lu=4.256,
    level_dbtp=-1.5,
    momentary_max_lufs=-18.777,
    short_term_max_lufs=-20.0,
)


def noise(frames: int = 4801, channels: int = 2) -> np.ndarray:
    return np.random.default_rng(3).uniform(-1, 1, (frames, channels))


def chunk_names(path: Path) -> list[bytes]:
    data = path.read_bytes()
    names, position = [], 12
    while position + 8 <= len(data):
        name, length = struct.unpack_from("<4sI", data, position)
        names.append(name)
        position += 8 + length + length % 2
    return names


def test_loudness_fields_are_read_back(tmp_path: Path) -> None:
    """The five fields hold the values times 100, rounded, as EBU Tech 3285 v2 says."""
    soundfile.write(tmp_path / "mix.wav", noise(), 48000, "PCM_24")
    stamp(tmp_path / "mix.wav", tmp_path / "out.wav", FIELDS)
    bext = WavInfoReader(str(tmp_path / "out.wav")).bext
    assert bext.version == 2
    read = (
        bext.loudness_value,
        bext.loudness_range,
        bext.max_true_peak,
        bext.max_momentary_loudness,
        bext.max_shortterm_loudness,
    )
    # EBU Tech 3285: the field is round(100 x value), so two decimals survive exactly
    assert read == (-23.01, 4.26, -1.5, -18.78, -20.0)
    assert bext.description == "mix"
    assert bext.originator == "vocheck"


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("frames", [1, 4800, 4801])
def test_samples_are_bit_identical(tmp_path: Path, subtype: str, frames: int) -> None:
    """The data chunk of a WAV is copied byte by byte, odd lengths included."""
    source, copy = tmp_path / "a.wav", tmp_path / "b.wav"
    soundfile.write(source, noise(frames, 1), 48000, subtype)
    before = hashlib.sha256(source.read_bytes()).hexdigest()
    stamp(source, copy, FIELDS)
    old, rate = soundfile.read(source, dtype="float64", always_2d=True)
    new, new_rate = soundfile.read(copy, dtype="float64", always_2d=True)
    assert rate == new_rate
    np.testing.assert_array_equal(old, new)
    assert soundfile.info(copy).subtype == subtype
    assert hashlib.sha256(source.read_bytes()).hexdigest() == before


@pytest.mark.parametrize(
    ("name", "subtype"),
    [("a.flac", "PCM_24"), ("a.aiff", "PCM_24"), ("a.caf", "FLOAT"), ("a.w64", "PCM_16"),
     ("a.rf64", "PCM_24")],
)  # fmt: skip
@pytest.mark.parametrize("channels", [1, 2, 6])
def test_lossless_files_of_other_kinds(
    tmp_path: Path, name: str, subtype: str, channels: int
) -> None:
    """FLAC, AIFF, CAF, W64 and RF64 become WAV with the very same sample values and word length."""
    soundfile.write(tmp_path / name, noise(channels=channels), 44100, subtype)
    stamp(tmp_path / name, tmp_path / "out.wav", FIELDS)
    old, _ = soundfile.read(tmp_path / name, dtype="float64", always_2d=True)
    new, rate = soundfile.read(tmp_path / "out.wav", dtype="float64", always_2d=True)
    assert rate == 44100
    np.testing.assert_array_equal(old, new)
    assert soundfile.info(tmp_path / "out.wav").subtype == subtype
    assert WavInfoReader(str(tmp_path / "out.wav")).bext.loudness_value == -23.01
    assert [p.name for p in tmp_path.iterdir() if p.name not in (name, "out.wav")] == []


def test_existing_bext_keeps_its_words(tmp_path: Path) -> None:
    """Description, time reference and coding history survive; version and loudness are new."""
    old = LoudnessFields(
        integrated_lufs=None,
        range_lu=None,
        level_dbtp=None,
        momentary_max_lufs=None,
        short_term_max_lufs=None,
    )
    soundfile.write(tmp_path / "a.wav", noise(), 48000, "PCM_16")
    stamp(tmp_path / "a.wav", tmp_path / "b.wav", old)
    data = bytearray((tmp_path / "b.wav").read_bytes())
    at = data.index(b"bext") + 8
    data[at : at + 6] = b"potter"
    data[at + 338 : at + 346] = struct.pack("<Q", 5_000_000_000)
    data[at + 346 : at + 348] = struct.pack("<H", 1)
    data[at + 348 : at + 352] = b"UMID"
    history = b"A=PCM,F=48000,W=16,M=stereo\r\n"  # 29 bytes: an odd length needs a pad byte
    grown = bytearray(data[: at + 602]) + history + b"\0" + data[at + 602 :]
    grown[at - 4 : at] = struct.pack("<I", 602 + len(history))
    grown[4:8] = struct.pack("<I", len(grown) - 8)
    (tmp_path / "c.wav").write_bytes(grown)
    stamp(tmp_path / "c.wav", tmp_path / "d.wav", FIELDS)
    bext = WavInfoReader(str(tmp_path / "d.wav")).bext
    assert bext.description.startswith("potter")
    assert bext.time_reference == 5_000_000_000
    assert bext.umid[:4] == b"UMID"
    assert bext.coding_history == history.decode()
    assert (bext.version, bext.loudness_value) == (2, -23.01)
    assert chunk_names(tmp_path / "d.wav").count(b"bext") == 1


def test_other_chunks_are_kept(tmp_path: Path) -> None:
    """A chunk that vocheck does not know travels along, before and after the samples."""
    soundfile.write(tmp_path / "a.wav", noise(), 48000, "PCM_16")
    data = (tmp_path / "a.wav").read_bytes()
    data += b"zzzz" + struct.pack("<I", 3) + b"abc\0"
    (tmp_path / "a.wav").write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])
    stamp(tmp_path / "a.wav", tmp_path / "b.wav", FIELDS)
    assert chunk_names(tmp_path / "b.wav") == [b"bext", b"fmt ", b"data", b"zzzz"]
    assert b"abc\0" in (tmp_path / "b.wav").read_bytes()


def test_unused_fields() -> None:
    """What was not measured, and silence, hold the value that means no value."""
    nothing = LoudnessFields(
        integrated_lufs=-float("inf"),
        range_lu=None,
        level_dbtp=-120.0,
        momentary_max_lufs=99.99,
        short_term_max_lufs=None,
    )
    assert nothing.packed() == struct.pack("<5h", UNUSED, UNUSED, UNUSED, 9999, UNUSED)


def test_large_files_become_rf64(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond what 32 bits can tell, the copy is RF64 and both readers accept it."""
    soundfile.write(tmp_path / "a.wav", noise(), 48000, "PCM_24")
    monkeypatch.setattr(broadcast_wav, "LARGEST_RIFF", 20_000)
    stamp(tmp_path / "a.wav", tmp_path / "b.wav", FIELDS)
    assert (tmp_path / "b.wav").read_bytes()[:4] == b"RF64"
    old, _ = soundfile.read(tmp_path / "a.wav", dtype="int32")
    new, _ = soundfile.read(tmp_path / "b.wav", dtype="int32")
    np.testing.assert_array_equal(old, new)
    assert WavInfoReader(str(tmp_path / "b.wav")).bext.max_true_peak == -1.5
    assert struct.unpack_from("<Q", (tmp_path / "b.wav").read_bytes(), 20)[0] == (
        (tmp_path / "b.wav").stat().st_size - 8
    )


def test_a_large_rf64_source(tmp_path: Path) -> None:
    """The 64-bit length of a source over 4 GiB (a hole in the file system) is understood."""
    frames = 0x1_0000_0000 // 4 + 1000
    source = tmp_path / "long.wav"
    head = struct.pack("<4sI4s", b"RF64", 0xFFFF_FFFF, b"WAVE")
    head += struct.pack("<4sIQQQI", b"ds64", 28, frames * 4 + 72, frames * 4, frames, 0)
    head += struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 2, 48000, 192000, 4, 16)
    head += struct.pack("<4sI", b"data", 0xFFFF_FFFF)
    with source.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + frames * 4)
    with source.open("rb") as file:
        chunks = list(wave_chunks(file))
    assert [chunk.name for chunk in chunks] == [b"ds64", b"fmt ", b"data"]
    assert chunks[-1].length == frames * 4


def test_a_recording_that_was_never_finished(tmp_path: Path) -> None:
    """A WAV whose data size was left at 0 is copied to the end of the file, sizes filled in."""
    soundfile.write(tmp_path / "a.wav", noise(), 48000, "PCM_16")
    data = bytearray((tmp_path / "a.wav").read_bytes())
    at = data.index(b"data")
    data[at + 4 : at + 8] = bytes(4)
    (tmp_path / "b.wav").write_bytes(data)
    stamp(tmp_path / "b.wav", tmp_path / "c.wav", FIELDS)
    assert soundfile.info(tmp_path / "c.wav").frames == 4801


def test_the_source_itself_is_refused(tmp_path: Path) -> None:
    """Stamping a file onto itself is an error and leaves it alone."""
    soundfile.write(tmp_path / "a.wav", noise(), 48000, "PCM_16")
    before = (tmp_path / "a.wav").read_bytes()
    with pytest.raises(VocheckError, match="is one of the files that are read"):
        stamp(tmp_path / "a.wav", tmp_path / "a.wav", FIELDS)
    assert (tmp_path / "a.wav").read_bytes() == before


@pytest.mark.parametrize("content", [b"", b"not audio at all", b"RIFF\0\0\0\0WAVE"])
def test_what_is_no_audio_is_refused(tmp_path: Path, content: bytes) -> None:
    """A file without audio gives one clear line and no output file."""
    (tmp_path / "a.wav").write_bytes(content)
    with pytest.raises(AudioError, match=r"a\.wav"):
        stamp(tmp_path / "a.wav", tmp_path / "b.wav", FIELDS)
    assert not (tmp_path / "b.wav").exists()


def test_lossy_files_are_refused(tmp_path: Path) -> None:
    """There is no bit-identical WAV of an Ogg Vorbis file."""
    soundfile.write(tmp_path / "a.ogg", noise(), 48000)
    with pytest.raises(AudioError, match="not linear PCM"):
        stamp(tmp_path / "a.ogg", tmp_path / "b.wav", FIELDS)


def test_markers_as_wavinfo_reads_them(tmp_path: Path) -> None:
    """Cue points at their frames, labels of odd and even size; a stretch has its length."""
    soundfile.write(tmp_path / "a.wav", noise(48_000), 48_000, "PCM_16")
    markers = [Marker(0.25, 0.25, "pop"), Marker(0.5, 0.75, "hum!")]
    mark(tmp_path / "a.wav", tmp_path / "b.wav", markers)
    cues = WavInfoReader(str(tmp_path / "b.wav")).cues
    assert list(cues.each_cue()) == [(1, 12_000), (2, 24_000)]
    raw = (tmp_path / "b.wav").read_bytes()
    at = raw.index(b"cue ") + 12
    for i, frame in enumerate((12_000, 24_000), start=1):
        # 24 bytes each: identity, position, the chunk with the samples, 0, 0, frame
        found = struct.unpack_from("<II4sIII", raw, at + 24 * (i - 1))
        assert found == (i, frame, b"data", 0, 0, frame)
    at = raw.index(b"ltxt") + 8
    assert struct.unpack_from("<II4sHHHH", raw, at) == (2, 12_000, b"rgn ", 0, 0, 0, 0)
    assert [cues.label_and_note(n)[0] for n in (1, 2)] == ["pop", "hum!"]
    assert raw.count(b"ltxt") == 1
    assert chunk_names(tmp_path / "b.wav") == [b"cue ", b"LIST", b"fmt ", b"data"]


def test_only_old_markers_go(tmp_path: Path) -> None:
    """Another list (names of an editor) stays; markers of before are replaced."""
    soundfile.write(tmp_path / "a.wav", noise(4800), 48_000, "PCM_16")
    info = b"INFOINAM" + struct.pack("<I", 6) + b"river\0"
    add_chunk(tmp_path / "a.wav", b"LIST", info)
    mark(tmp_path / "a.wav", tmp_path / "b.wav", [Marker(0.01, 0.01, "one")])
    mark(tmp_path / "b.wav", tmp_path / "c.wav", [Marker(0.02, 0.02, "two")])
    names = chunk_names(tmp_path / "c.wav")
    assert names.count(b"LIST") == 2
    assert names.count(b"cue ") == 1
    assert b"INAM" in (tmp_path / "c.wav").read_bytes()
    assert b"one" not in (tmp_path / "c.wav").read_bytes()


def add_chunk(path: Path, name: bytes, body: bytes) -> None:
    """Write a chunk behind the others."""
    data = path.read_bytes() + name + struct.pack("<I", len(body)) + body
    path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])


@pytest.mark.parametrize("large", [False, True])
def test_what_32_bits_do_not_hold_becomes_rf64(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, large: bool
) -> None:
    """From one byte over the largest size on, sizes stand in ds64 (EBU Tech 3306)."""
    soundfile.write(tmp_path / "a.wav", noise(4800), 48_000, "PCM_16")
    stamp(tmp_path / "a.wav", tmp_path / "b.wav", FIELDS)
    size = (tmp_path / "b.wav").stat().st_size - 8
    monkeypatch.setattr("vocheck.audio.broadcast_wav.LARGEST_RIFF", size - large)
    stamp(tmp_path / "a.wav", tmp_path / "c.wav", FIELDS)
    raw = (tmp_path / "c.wav").read_bytes()
    assert raw[:4] == (b"RF64" if large else b"RIFF")
    if large:
        name, length, riff, data, samples, table = struct.unpack_from("<4sIQQQI", raw, 12)
        assert (name, length, samples, table) == (b"ds64", 28, 0, 0)
        assert (riff, data) == (len(raw) - 8, 2 * noise(4800).size)
    old, _ = soundfile.read(tmp_path / "a.wav", dtype="int16")
    new, _ = soundfile.read(tmp_path / "c.wav", dtype="int16")
    np.testing.assert_array_equal(old, new)


@pytest.mark.parametrize("has_bext", [False, True])
def test_new_samples_carry_what_their_source_says(tmp_path: Path, has_bext: bool) -> None:
    """Words, time and other chunks go along; the identity and what tells of old samples do not."""
    soundfile.write(tmp_path / "a.wav", noise(4800), 48_000, "PCM_16")
    source = tmp_path / "a.wav"
    if has_bext:
        stamp(source, tmp_path / "s.wav", FIELDS)
        raw = bytearray((tmp_path / "s.wav").read_bytes())
        at = raw.index(b"bext") + 8
        raw[at : at + 6] = b"potter"
        raw[at + 348 : at + 352] = b"UMID"
        source = tmp_path / "s.wav"
        source.write_bytes(raw)
    add_chunk(source, b"zzzz", b"abcd")
    add_chunk(source, b"PEAK", b"12345678")
    soundfile.write(tmp_path / "new.wav", 0.5 * noise(2400), 48_000, "PCM_24")
    step = "A=PCM,F=48000,W=24,M=stereo,T=vocheck"
    carried = carry(tmp_path / "new.wav", source, tmp_path / "out.wav", FIELDS, step)
    assert carried == (("bext", "zzzz") if has_bext else ("zzzz",))
    names = chunk_names(tmp_path / "out.wav")
    assert names[:2] == [b"bext", b"zzzz"]
    assert b"PEAK" not in names
    bext = WavInfoReader(str(tmp_path / "out.wav")).bext
    assert bext.loudness_value == -23.01
    assert bext.coding_history == f"{step}\r\n"
    assert bext.description.startswith("potter" if has_bext else "a")
    assert not any(bext.umid or b"")
    again = carry(tmp_path / "new.wav", tmp_path / "out.wav", tmp_path / "two.wav", FIELDS, "B")
    assert again == ("bext", "zzzz")
    assert WavInfoReader(str(tmp_path / "two.wav")).bext.coding_history == f"{step}\r\nB\r\n"
    new, _ = soundfile.read(tmp_path / "two.wav", dtype="int32")
    np.testing.assert_array_equal(new, soundfile.read(tmp_path / "new.wav", dtype="int32")[0])
    soundfile.write(tmp_path / "other.flac", noise(4800), 48_000, "PCM_16")
    assert (
        carry(tmp_path / "new.wav", tmp_path / "other.flac", tmp_path / "f.wav", FIELDS, "B") == ()
    )
