"""A copy of a film: its picture bit for bit, one track of sound at the target, nothing moved.

The outside reader is FFmpeg (PyAV), which demuxes both files.
"""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from tests.material.demo_session import FOLDER
from tests.mix.films import RATE, Sound, film, packets
from tests.mix.test_write import tried
from vocheck.audio.readers import read
from vocheck.audio.video import form_of
from vocheck.errors import AudioError, VocheckError
from vocheck.measurements import loudness
from vocheck.recording import Recording, Source

VOICE, _ = soundfile.read(FOLDER / "mix.flac", start=3 * RATE, frames=4 * RATE, always_2d=True)
STEREO = np.repeat(VOICE[:, :1], 2, axis=1)
KINDS = [(".mov", "pcm_s24le", "s32"), (".mp4", "aac", "fltp"), (".mkv", "flac", "s32")]


def lag(one: np.ndarray, other: np.ndarray) -> int:
    """Return by how many samples the other one is later, by cross-correlation."""
    size = 2 * max(len(one), len(other))
    cross = np.fft.irfft(np.fft.rfft(one, size).conj() * np.fft.rfft(other, size))
    place = int(np.argmax(cross))
    return place if place < size / 2 else place - size


@pytest.mark.parametrize(("suffix", "codec", "kind"), KINDS)
def test_the_picture_is_copied_and_one_track_is_replaced(
    tmp_path: Path, suffix: str, codec: str, kind: str
):
    """Packets and times of picture and other sound are equal; the new sound is in its place."""
    sounds = [Sound(STEREO, codec, kind), Sound(0.3 * STEREO, codec, kind, title="M&E")]
    source = film(tmp_path / f"film{suffix}", sounds)
    before = source.read_bytes()
    output = tmp_path / f"copy{suffix}"
    copy = tried(source, output)
    assert copy.path is not None, copy.refused
    assert source.read_bytes() == before
    assert packets(output, "video") == packets(source, "video")
    assert packets(output, "audio", 1) == packets(source, "audio", 1)
    old, new = read(source, track=1), read(output, track=1)
    assert lag(old.samples[:, 0], new.samples[:, 0]) == 0
    assert new.source.duration_s == pytest.approx(old.source.duration_s, abs=0.03)
    assert loudness.measure(Recording(new.samples, RATE)).integrated_lufs == pytest.approx(
        -14.0, abs=0.1
    )
    with av.open(str(output)) as made:
        assert made.metadata["title"] == "Portrait of a potter"
        assert made.streams.audio[0].metadata["language"] == "eng"
        assert made.streams.audio[0].codec_context.name == codec


def test_sound_that_starts_later_still_does(tmp_path: Path):
    """Half a second after the picture, before and after."""
    source = film(tmp_path / "film.mov", [Sound(STEREO, start_s=0.5)])
    copy = tried(source, tmp_path / "copy.mov")
    assert copy.path is not None
    starts = [packets(Path(path), "audio")[0][0] for path in (source, copy.path)]
    assert starts == [0.5, 0.5]
    assert packets(Path(copy.path), "video") == packets(source, "video")


def test_two_tracks_of_one_channel_are_both_replaced(tmp_path: Path):
    """Left and right lie in tracks of their own, and so they do in the copy."""
    sounds = [Sound(STEREO[:, :1]), Sound(0.8 * STEREO[:, :1])]
    source = film(tmp_path / "film.mov", sounds)
    copy = tried(source, tmp_path / "copy.mov")
    assert copy.path is not None
    factor = 10 ** ((copy.gain_db or 0.0) / 20)
    left, right = (read(copy.path, track=number).samples[:, 0] for number in (1, 2))
    assert np.corrcoef(left, right)[0, 1] > 0.999
    quiet = np.abs(VOICE[:, 0]) < 0.1
    assert left[quiet] == pytest.approx(factor * VOICE[quiet, 0], abs=0.05)
    assert np.std(left) / np.std(right) == pytest.approx(1.25, rel=0.01)


def test_the_time_code_goes_along(tmp_path: Path):
    """The copy starts at ten o'clock as the film does."""
    source = film(tmp_path / "film.mov", [Sound(STEREO)], timecode="10:00:00:00")
    copy = tried(source, tmp_path / "copy.mov")
    assert copy.path is not None
    assert copy.left_out == ()
    with av.open(copy.path) as made:
        assert made.streams.video[0].metadata["timecode"] == "10:00:00:00"


def test_a_copy_is_of_the_kind_of_its_source(tmp_path: Path):
    """A film as what it is, or its sound alone as WAV; never a WAV file as a film."""
    source = film(tmp_path / "film.mov", [Sound(STEREO)])
    with pytest.raises(VocheckError, match=r"is written as WAV or as \.mov"):
        tried(source, tmp_path / "copy.mkv")
    sound = tried(source, tmp_path / "copy.wav")
    assert sound.path is not None
    assert soundfile.info(sound.path).subtype == "PCM_24"
    with pytest.raises(VocheckError, match="a copy of a .wav is written as WAV"):
        tried(tmp_path / "copy.wav", tmp_path / "other.mov")


def test_a_codec_that_nobody_here_writes_is_told():
    """One line, with what to do."""
    source = Source(path="film.mkv", codec="Vorbis", rate_hz=RATE, channels=2, duration_s=1.0)
    with pytest.raises(AudioError, match="coded as Vorbis, which is not written: name a WAV file"):
        form_of(source, 160.0)
