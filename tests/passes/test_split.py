"""Readings of a long recording as files of their own: bit-identical copies, never over a file."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
import wavinfo

from vocheck.audio.broadcast_wav import cut
from vocheck.errors import AudioError, SessionError
from vocheck.passes.results import Pass, Passes
from vocheck.report.markers import render_passes_csv, render_passes_vtt
from vocheck.takes import split as module
from vocheck.takes.split import parts_of, split

RATE = 48_000
REFERENCE = 3_600 * RATE + 7  # an hour and seven samples after midnight


def passes(path: Path) -> Passes:
    def one(kind: str, start_s: float, line: str | None = "02_kiln", attempt: int = 1) -> Pass:
        return Pass(
            line=line, attempt=attempt, start_s=start_s, end_s=start_s + 0.6,
            kind=kind, complete=kind == "read", confidence=0.9,
        )  # fmt: skip

    found = (one("false start", 0.2), one("read", 1.0, attempt=2), one("talk", 2.0, None))
    return Passes(path=str(path), passes=(*found, one("read", 2.7, "04 bowl")))


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """Three and a half seconds of noise, 24 bits, with a time reference (EBU Tech 3285)."""
    rng = np.random.default_rng(1)
    values = rng.integers(-(2**22), 2**22, (round(3.5 * RATE), 2), dtype=np.int32) << 8
    path = tmp_path / "day.wav"
    soundfile.write(path, values, RATE, subtype="PCM_24")
    head = struct.pack(
        "<256s32s32s10s8sQH", b"day", b"", b"", b"2026-04-12", b"10:00:00", REFERENCE, 1
    )
    bext = head + bytes(602 - len(head))
    content = path.read_bytes()
    chunk = b"bext" + struct.pack("<I", len(bext)) + bext
    size = len(content) - 8 + len(chunk)
    path.write_bytes(content[:4] + struct.pack("<I", size) + b"WAVE" + chunk + content[12:])
    return path


def test_readings_are_copied_sample_by_sample(recording: Path, tmp_path: Path):
    """Word length and samples of the source, half a second on either side of a reading.

    The time reference is where the part begins, as wavinfo reads it.
    """
    before = recording.read_bytes()
    folder = tmp_path / "takes"
    split(recording, parts_of(passes(recording), folder))
    assert sorted(file.name for file in folder.iterdir()) == ["02_kiln_t2.wav", "04_bowl_t1.wav"]
    whole, _ = soundfile.read(recording, dtype="int32")
    for name, start_s, end_s in (("02_kiln_t2", 0.5, 2.1), ("04_bowl_t1", 2.2, 3.5)):
        file = folder / f"{name}.wav"
        assert soundfile.info(file).subtype == "PCM_24"
        part, rate = soundfile.read(file, dtype="int32")
        first, last = round(start_s * RATE), round(end_s * RATE)
        assert rate == RATE
        assert np.array_equal(part, whole[first:last])
        assert wavinfo.WavInfoReader(str(file)).bext.time_reference == REFERENCE + first
    assert recording.read_bytes() == before


def test_nothing_is_written_over(recording: Path, tmp_path: Path):
    """One file in the way, and none is written."""
    folder = tmp_path / "takes"
    folder.mkdir()
    (folder / "04_bowl_t1.wav").write_bytes(b"mine")
    with pytest.raises(SessionError, match="exists, and is not written over"):
        parts_of(passes(recording), folder)
    assert [file.read_bytes() for file in folder.iterdir()] == [b"mine"]


def test_a_run_that_ends_early_leaves_no_half_file(
    recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """What is written gets its name when it is whole: the second take fails, the first is whole."""
    folder = tmp_path / "takes"
    done = []

    def fails(source: Path, output: Path, start_s: float, end_s: float) -> None:
        if done:
            raise KeyboardInterrupt
        done.append(output)
        cut(source, output, start_s, end_s)

    monkeypatch.setattr(module, "cut", fails)
    with pytest.raises(KeyboardInterrupt):
        split(recording, parts_of(passes(recording), folder))
    (file,) = folder.iterdir()
    assert soundfile.info(file).frames == round(1.6 * RATE)


def test_what_is_lossy_is_refused(tmp_path: Path):
    """A decoded part would be no copy."""
    path = tmp_path / "day.ogg"
    soundfile.write(path, np.zeros((RATE, 1)), RATE)
    with pytest.raises(AudioError, match="linear PCM"):
        cut(path, tmp_path / "part.wav", 0.1, 0.5)


@pytest.mark.quick
def test_markers_of_passes(recording: Path):
    """WebVTT and CSV name the line, the attempt and what it is."""
    found = passes(recording)
    vtt = render_passes_vtt(found)
    assert "00:00:01.000 --> 00:00:01.600\n02_kiln t2, read whole\n" in vtt
    assert (
        render_passes_csv(found).splitlines()[1].endswith("0.2,0.8,02_kiln,1,false start,False,0.9")
    )
