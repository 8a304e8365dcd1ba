"""Names and remarks inside a file may be in any encoding: the sound is read all the same."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from tests.audio.files import RATE, found_hz, tone_hz, tones, write
from vocheck.audio import read

MARK = "MARKMARKMARK"


@pytest.mark.parametrize(
    ("name", "codec"),
    [
        ("take.mp3", "libmp3lame"),
        ("take.mp4", "aac"),
        ("take.m4a", "alac"),
        ("take.mov", "pcm_s24le"),
        ("take.mkv", "flac"),
        ("take.webm", "libopus"),
        ("take.opus", "libopus"),
        ("take.flac", "flac"),
        ("take.wav", "pcm_s24le"),
        ("take.avi", "pcm_s16le"),
    ],
)
@pytest.mark.parametrize("letter", [b"\xe9", b"\xff", b"\x80", b"\n"])
def test_a_tag_that_is_not_utf8(tmp_path: Path, name: str, codec: str, letter: bytes) -> None:
    """Title and artist hold Latin-1, or bytes of no encoding at all."""
    path = tmp_path / name
    text = (letter * len(MARK)).decode("latin-1")
    with av.open(str(path), "w", metadata_encoding="latin-1") as container:
        container.metadata["title"] = text
        container.metadata["artist"] = text
        stream = container.add_stream(codec, rate=RATE, layout="stereo")
        stream.metadata["title"] = text
        packed = np.ascontiguousarray(tones(2)).reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(packed, format="flt", layout="stereo")
        frame.sample_rate, frame.pts = RATE, 0
        context = stream.codec_context
        cut = av.AudioResampler(context.format, "stereo", RATE, context.frame_size or 4800)
        for piece in [*cut.resample(frame), *cut.resample(None)]:
            container.mux(stream.encode(piece))
        container.mux(stream.encode(None))
    assert letter * len(MARK) in path.read_bytes()
    recording = read(path)
    assert found_hz(recording.samples) == tone_hz(2)


def test_tags_that_libsndfile_wrote(tmp_path: Path) -> None:
    """The title of a WAV in Latin-1."""
    path = tmp_path / "take.wav"
    with soundfile.SoundFile(path, "w", RATE, 1, "PCM_24") as file:
        file.title = MARK
        file.write(tones(1))
    path.write_bytes(path.read_bytes().replace(MARK.encode(), b"\xe9" * len(MARK)))
    assert found_hz(read(path).samples) == tone_hz(1)


def test_a_handler_name_that_is_not_utf8(tmp_path: Path) -> None:
    """Cameras write the name of a MOV track in their own encoding."""
    path = write(tmp_path / "take.mov", "pcm_s24le", tones(2))
    raw = path.read_bytes()
    assert b"SoundHandler" in raw
    path.write_bytes(raw.replace(b"SoundHandler", b"S\xf6und\xe9\xff\x80ler\xc3"))
    assert found_hz(read(path).samples) == tone_hz(2)
