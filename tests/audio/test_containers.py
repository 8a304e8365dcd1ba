"""Tracks, edit lists and starts of video files, as FFmpeg wrote them."""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from tests.audio.files import RATE, found_hz, tones, write
from vocheck.audio import open_audio, read
from vocheck.errors import AudioError


def sound(hertz: int, seconds: float = 1.0, level: float = 0.1) -> np.ndarray:
    time_s = np.arange(round(seconds * RATE)) / RATE
    return (level * np.sin(2 * np.pi * hertz * time_s)).astype(np.float32)[:, np.newaxis]


def write_tracks(
    path: Path,
    codec: str,
    tracks: list[tuple[np.ndarray, dict[str, str], int]],
    *,
    picture_s: float = 0.0,
    start_s: float = 0.0,
) -> Path:
    """Write tracks with their metadata and flags, behind a picture if it has a length."""
    with av.open(str(path), "w") as container:
        if picture_s:
            picture = container.add_stream("mpeg2video", rate=25)
            picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        streams = []
        for _, metadata, flags in tracks:
            stream = container.add_stream(codec, rate=RATE, layout="mono")
            stream.metadata.update(metadata)
            stream.disposition = flags
            streams.append(stream)
        for number in range(round(25 * picture_s)):
            gray = av.VideoFrame.from_ndarray(np.full((48, 64, 3), 128, np.uint8), format="rgb24")
            gray.pts, gray.time_base = number, Fraction(1, 25)
            container.mux(picture.encode(gray))
        if picture_s:
            container.mux(picture.encode(None))
        for stream, (samples, _, _) in zip(streams, tracks, strict=True):
            frame = av.AudioFrame.from_ndarray(samples.reshape(1, -1), format="flt", layout="mono")
            frame.sample_rate, frame.pts = RATE, round(start_s * RATE)
            frame.time_base = Fraction(1, RATE)
            context = stream.codec_context
            cut = av.AudioResampler(context.format, "mono", RATE, context.frame_size or 1920)
            for piece in [*cut.resample(frame), *cut.resample(None)]:
                container.mux(stream.encode(piece))
            container.mux(stream.encode(None))
    return path


SILENT = np.zeros((RATE, 1), np.float32)


@pytest.mark.parametrize(
    ("name", "codec", "tracks", "chosen"),
    [
        ("mix.mov", "pcm_s24le", [(sound(300), {}, 0), (sound(500), {}, 0)], 1),
        ("mix.mov", "pcm_s24le", [(SILENT, {}, 0), (sound(500), {}, 0)], 2),
        ("mix.mkv", "flac", [(SILENT, {}, 0), (SILENT, {}, 0), (sound(500), {}, 0)], 3),
        ("mix.mkv", "flac", [(sound(300), {"title": "M&E"}, 0), (sound(500), {}, 0)], 2),
        ("mix.mkv", "flac", [(sound(300), {"title": "Commentary"}, 0), (sound(500), {}, 0)], 2),
        ("mix.mkv", "flac", [(sound(300), {}, 1 << 3), (sound(500), {}, 0)], 2),
        ("mix.mkv", "flac", [(sound(300), {}, 0), (sound(500), {}, 1)], 2),
        ("mix.mkv", "flac", [(SILENT, {}, 0), (SILENT, {}, 0)], 1),
    ],
)
def test_the_track_is_chosen_by_flags_and_content(
    tmp_path: Path, name: str, codec: str, tracks: list, chosen: int
) -> None:
    """The main programme that is not silent; and the choice is said."""
    path = write_tracks(tmp_path / name, codec, tracks)
    recording = read(path)
    assert (recording.source.track, recording.source.tracks) == (chosen, len(tracks))
    assert found_hz(recording.samples) == found_hz(tracks[chosen - 1][0])
    for number, (samples, _, _) in enumerate(tracks, start=1):
        asked = read(path, track=number)
        assert asked.source.track == number
        assert found_hz(asked.samples) == found_hz(samples)
    with (
        pytest.raises(AudioError, match=f"{len(tracks)} audio tracks; there is no track 9"),
        open_audio(path, track=9),
    ):
        pass


def test_a_file_with_one_track(tmp_path: Path) -> None:
    """Track 1 is there, and no other."""
    path = write(tmp_path / "take.wav", "pcm_s24le", tones(2))
    assert read(path, track=1).source.tracks == 1
    with pytest.raises(AudioError, match="one audio track; there is no track 2"):
        read(path, track=2)


def test_an_edit_list_is_not_missing_audio(tmp_path: Path) -> None:
    """A list that plays from 0.25 s for half a second gives that half second, and lacks nothing.

    ISO/IEC 14496-12, section 8.6.6: duration in the film's time, start in the track's.
    """
    path = write(tmp_path / "mix.mov", "pcm_s24le", tones(1))
    raw = bytearray(path.read_bytes())
    place = raw.index(b"elst") + 4
    assert struct.unpack_from(">II", raw, place) == (0, 1)  # version 0, one entry
    scale = struct.unpack_from(">I", raw, raw.index(b"mvhd") + 16)[0]
    struct.pack_into(">Ii", raw, place + 8, scale // 2, RATE // 4)
    path.write_bytes(raw)
    source = read(path).source
    assert source.missing_s == 0
    assert source.duration_s == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize(("name", "codec"), [("mix.mov", "pcm_s24le"), ("mix.mkv", "flac")])
def test_the_start_of_a_track(tmp_path: Path, name: str, codec: str) -> None:
    """Sound that starts 0.4 s after the picture says so, and is no longer for it."""
    tracks = [(sound(500), {}, 0)]
    path = write_tracks(tmp_path / name, codec, tracks, picture_s=2.0, start_s=0.4)
    source = read(path).source
    assert source.start_s == pytest.approx(0.4, abs=0.002)
    assert (source.duration_s, source.missing_s) == (pytest.approx(1.0, abs=0.001), 0)
    if name.endswith("mov"):
        assert source.picture_s == pytest.approx(2.0, abs=0.001)


def test_mxf_is_read(tmp_path: Path) -> None:
    """FFmpeg writes MPEG-2 with one track of linear PCM; only the sound is decoded."""
    path = write_tracks(tmp_path / "mix.mxf", "pcm_s16le", [(sound(500), {}, 0)], picture_s=1.0)
    recording = read(path)
    source = recording.source
    assert (source.container, source.codec, source.bits) == ("MXF", "PCM", 16)
    assert found_hz(recording.samples) == [500]
    assert source.missing_s == 0


def test_the_profile_of_aac(tmp_path: Path) -> None:
    """FFmpeg's encoder makes the low-complexity profile."""
    assert read(write(tmp_path / "mix.m4a", "aac", tones(2))).source.profile == "LC"


def test_pictures_are_not_decoded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What FFmpeg says of the picture shows that no decoder looked at it."""
    import vocheck.audio.ffmpeg as module

    path = write_tracks(tmp_path / "mix.mkv", "flac", [(sound(500), {}, 0)], picture_s=1.0)
    opened = []
    real = module.open_container

    def remember(file: object) -> object:
        opened.append(real(file))
        return opened[-1]

    monkeypatch.setattr(module, "open_container", remember)
    with open_audio(path):
        (picture,) = opened[0].streams.video
        assert picture.codec_context.pix_fmt is None
