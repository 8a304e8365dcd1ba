"""Every format comes back as it was written, and every broken file is named for what it is.

Expected samples are those that an outside library (libsndfile through soundfile, FFmpeg through
PyAV) wrote. Lossless formats must return them bit for bit.
"""

import hashlib
import os
import struct
import tracemalloc

import av
import numpy as np
import pytest
import soundfile

from vocheck.audio.readers import open_audio, read
from vocheck.errors import AudioError

TONE_HZ = {"FL": 300, "FR": 400, "FC": 500, "LFE": 60, "BL": 700, "BR": 800, "SL": 700, "SR": 800}
"""One tone per speaker; back and side share theirs, because FFmpeg calls the surrounds of 5.1 so or
so. The LFE's is below the 120 Hz that encoders leave it."""


def noise(frames, channels, bits, seed=1):
    """Return PCM noise as int32 with `bits` used bits from the top, full-scale values included."""
    values = np.random.default_rng(seed).integers(-(2**31), 2**31, (frames, channels), np.int64)
    values[:2, :] = [[-(2**31)], [2**31 - 1]]
    return (values >> (32 - bits) << (32 - bits)).astype(np.int32)


def tones(speakers, rate=48000, seconds=1.0):
    """Return one tone per speaker at -20 dBFS peak, float32 (frames, channels)."""
    time_s = np.arange(round(rate * seconds)) / rate
    tone_hz = np.array([TONE_HZ[speaker] for speaker in speakers])
    return (0.1 * np.sin(2 * np.pi * tone_hz * time_s[:, np.newaxis])).astype(np.float32)


def tone_of(channel, rate):
    """Return the frequency of the strongest component in Hz."""
    return np.argmax(np.abs(np.fft.rfft(channel))) * rate / len(channel)


def write_with_ffmpeg(path, codec, samples, layout, *, rate=48000, video=False, tracks=1):
    """Write `samples` with FFmpeg, behind a gray film if `video`, `tracks` times, ever softer."""
    with av.open(str(path), "w") as container:
        if video:
            picture = container.add_stream("mpeg4" if path.suffix != ".webm" else "libvpx", rate=25)
            picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        streams = [container.add_stream(codec, rate=rate, layout=layout) for _ in range(tracks)]
        if codec == "flac" and samples.dtype == np.int32:
            streams[0].codec_context.format = "s32"
        if video:
            gray = np.full((48, 64, 3), 128, np.uint8)
            for _ in range(round(25 * len(samples) / rate)):
                container.mux(picture.encode(av.VideoFrame.from_ndarray(gray, format="rgb24")))
            container.mux(picture.encode(None))
        for number, stream in enumerate(streams):
            planes = np.ascontiguousarray(samples.T * 0.5**number)
            kind = {"i4": "s32p", "f4": "fltp"}[planes.astype(samples.dtype).dtype.str[1:]]
            frame = av.AudioFrame.from_ndarray(
                planes.astype(samples.dtype), format=kind, layout=layout
            )
            frame.sample_rate = rate
            frame.pts = 0  # so that the encoder's delay is told to the reader
            resampler = av.AudioResampler(
                stream.codec_context.format, layout, rate, stream.codec_context.frame_size or 4800
            )
            for piece in [*resampler.resample(frame), *resampler.resample(None)]:
                container.mux(stream.encode(piece))
            container.mux(stream.encode(None))
    return path


LOSSLESS = [
    ("wav", "WAV", "PCM_U8", "WAV", "PCM", 8),
    ("wav", "WAV", "PCM_16", "WAV", "PCM", 16),
    ("wav", "WAV", "PCM_24", "WAV", "PCM", 24),
    ("wav", "WAV", "PCM_32", "WAV", "PCM", 32),
    ("wav", "WAVEX", "PCM_24", "WAV", "PCM", 24),
    ("wav", "RF64", "PCM_24", "RF64", "PCM", 24),
    ("w64", "W64", "PCM_24", "W64", "PCM", 24),
    ("aiff", "AIFF", "PCM_16", "AIFF", "PCM", 16),
    ("aiff", "AIFF", "PCM_24", "AIFF", "PCM", 24),
    ("aiff", "AIFF", "PCM_32", "AIFF", "PCM", 32),
    ("caf", "CAF", "PCM_24", "CAF", "PCM", 24),
    ("caf", "CAF", "ALAC_24", "CAF", "ALAC", 24),
    ("flac", "FLAC", "PCM_16", "FLAC", "FLAC", 16),
    ("flac", "FLAC", "PCM_24", "FLAC", "FLAC", 24),
]


@pytest.mark.parametrize("channels", [1, 2, 6, 8])
@pytest.mark.parametrize(("suffix", "form", "subtype", "container", "codec", "bits"), LOSSLESS)
def test_pcm_comes_back_bit_for_bit(
    tmp_path, suffix, form, subtype, container, codec, bits, channels
):
    """What libsndfile wrote as linear PCM is what is read, in the smallest type that holds it."""
    written = noise(5000, channels, bits)
    if codec == "ALAC":
        # libsndfile 1.2.2 does not read back its own ALAC of stereo noise that cannot be packed.
        written = written // 64 >> 8 << 8
    path = tmp_path / f"take.{suffix}"
    soundfile.write(path, written, 48000, subtype=subtype, format=form)
    recording = read(path)
    assert recording.samples.dtype == (np.float64 if bits == 32 else np.float32)
    np.testing.assert_array_equal(recording.samples * 2.0**31, written)
    source = recording.source
    assert (source.container, source.codec, source.bits) == (container, codec, bits)
    assert (source.rate_hz, source.channels, source.duration_s) == (48000, channels, 5000 / 48000)
    assert (source.missing_s, source.unfinished) == (0.0, False)
    assert len(source.layout) == channels


@pytest.mark.parametrize("suffix", ["wav", "aiff", "caf", "w64"])
@pytest.mark.parametrize(("subtype", "dtype"), [("FLOAT", "float32"), ("DOUBLE", "float64")])
def test_floats_come_back_bit_for_bit(tmp_path, suffix, subtype, dtype):
    """Floats keep their type, and values beyond full scale are not clipped."""
    written = np.random.default_rng(2).standard_normal((5000, 2)).astype(dtype) * 3
    path = tmp_path / f"take.{suffix}"
    soundfile.write(path, written, 48000, subtype=subtype)
    recording = read(path)
    assert recording.samples.dtype == dtype
    np.testing.assert_array_equal(recording.samples, written)
    assert recording.source.codec == ("32-bit float" if subtype == "FLOAT" else "64-bit float")
    assert recording.source.bits is None


@pytest.mark.parametrize("rate", [8000, 11025, 16000, 22050, 44100, 48000, 88200, 96000, 192000])
def test_any_rate_is_read_as_it_is(tmp_path, rate):
    """No rate from 8 to 192 kHz is resampled."""
    written = noise(rate // 10, 1, 24)
    soundfile.write(tmp_path / "take.wav", written, rate, subtype="PCM_24")
    recording = read(tmp_path / "take.wav")
    assert recording.rate == rate
    np.testing.assert_array_equal(recording.samples * 2.0**31, written)


@pytest.mark.parametrize(
    ("name", "codec", "container", "trade_name", "bits"),
    [
        ("mix.m4a", "alac", "M4A", "ALAC", 24),
        ("mix.mov", "pcm_s16le", "MOV", "PCM", 16),
        ("mix.mov", "pcm_s24le", "MOV", "PCM", 24),
        ("mix.mov", "pcm_s32le", "MOV", "PCM", 32),
        ("mix.mkv", "flac", "MKV", "FLAC", 24),
        ("mix.mkv", "pcm_s24le", "MKV", "PCM", 24),
    ],
)
@pytest.mark.parametrize("video", [False, True])
def test_lossless_tracks_of_video_files_come_back_bit_for_bit(
    tmp_path, name, codec, container, trade_name, bits, video
):
    """What FFmpeg wrote without loss is what is read, with or without a picture."""
    if video and name.endswith("m4a"):
        name = "mix.mp4"
        container = "MP4"
    written = noise(48000, 2, bits)
    recording = read(write_with_ffmpeg(tmp_path / name, codec, written, "stereo", video=video))
    np.testing.assert_array_equal(recording.samples * 2.0**31, written)
    assert recording.samples.dtype == (np.float64 if bits == 32 else np.float32)
    source = recording.source
    assert (source.container, source.codec, source.bits) == (container, trade_name, bits)
    assert source.missing_s == 0


LOSSY = [
    ("take.mp3", "libmp3lame", "MP3", "MP3", 0),
    ("mix.m4a", "aac", "M4A", "AAC", 1024),
    ("mix.mp4", "aac", "MP4", "AAC", 1024),
    ("mix.mov", "aac", "MOV", "AAC", 1024),
    ("mix.mkv", "libopus", "MKV", "Opus", 960),
    ("mix.webm", "libopus", "WebM", "Opus", 960),
    ("mix.mkv", "ac3", "MKV", "AC-3", 1536),
]


@pytest.mark.parametrize(("name", "codec", "container", "trade_name", "frame"), LOSSY)
def test_lossy_tracks_keep_level_length_and_place(
    tmp_path, name, codec, container, trade_name, frame
):
    """A tone burst comes back at its level and its time.

    Closed form: a sine of amplitude 0.1 has an rms of 0.0707. Tolerances: 0.2 dB for codecs at
    their default bit rate on a pure tone (LAME scales by 0.95 at its default, -0.45 dB, which is
    added to what is expected); 6 ms for the start, because FFmpeg's AC-3 is 256 samples early; the
    length may be off by one codec frame at the end.
    """
    written = np.zeros((48000, 2), np.float32)
    written[16000:40000] = tones(("FL", "FR"), seconds=0.5)
    video = name.endswith(("mp4", "mov", "mkv", "webm"))
    recording = read(write_with_ffmpeg(tmp_path / name, codec, written, "stereo", video=video))
    assert (recording.source.container, recording.source.codec) == (container, trade_name)
    assert (recording.source.bits, recording.source.missing_s) == (None, 0)
    assert abs(len(recording.samples) - 48000) <= frame
    middle = recording.samples[20000:36000]
    level_db = 20 * np.log10(np.sqrt(np.mean(np.square(middle), axis=0)) / (0.1 / np.sqrt(2)))
    expected_db = 20 * np.log10(0.95) if codec == "libmp3lame" else 0
    np.testing.assert_allclose(level_db, expected_db, atol=0.2)
    start = np.argmax(np.abs(recording.samples[:, 0]) > 0.05)
    assert abs(start / 48000 - 16000 / 48000) < 0.006


@pytest.mark.parametrize(("subtype", "trade_name"), [("VORBIS", "Vorbis"), ("OPUS", "Opus")])
@pytest.mark.parametrize("channels", [1, 2])
def test_ogg_keeps_level_and_length(tmp_path, subtype, trade_name, channels):
    """Ogg Vorbis and Opus keep length and level (0.2 dB: codec loss on a pure tone)."""
    written = tones(("FL", "FR")[:channels])
    path = tmp_path / "take.ogg"
    with soundfile.SoundFile(path, "w", 48000, channels, format="OGG", subtype=subtype) as file:
        # In pieces: libsndfile 1.2.2 overruns its stack on one long Vorbis write.
        for start in range(0, len(written), 4800):
            file.write(written[start : start + 4800])
    recording = read(path)
    assert recording.samples.shape == written.shape
    assert (recording.source.container, recording.source.codec) == ("Ogg", trade_name)
    level_db = 20 * np.log10(np.std(recording.samples[4800:-4800], axis=0) * np.sqrt(2) / 0.1)
    np.testing.assert_allclose(level_db, 0, atol=0.2)


@pytest.mark.parametrize(
    ("name", "codec"),
    [
        ("mix.wav", "pcm_s24le"),
        ("mix.flac", "flac"),
        ("mix.opus", "libopus"),
        ("mix.m4a", "aac"),
        ("mix.mov", "pcm_s24le"),
        ("mix.mkv", "ac3"),
        ("mix.webm", "libopus"),
    ],
)
@pytest.mark.parametrize(
    ("layout", "speakers"),
    [
        ("mono", ("FC",)),
        ("stereo", ("FL", "FR")),
        ("5.1", ("FL", "FR", "FC", "LFE", "BL", "BR")),
    ],
)
def test_each_speaker_is_the_channel_it_is_called(tmp_path, name, codec, layout, speakers):
    """FFmpeg wrote one tone per speaker; the channel called by that speaker's name carries it.

    This is what keeps the LFE out of a loudness and the surrounds at their weight. A bin of the
    spectrum is 1 Hz wide.
    """
    if (name, layout) == ("mix.wav", "5.1"):
        layout = "5.1"
    path = write_with_ffmpeg(tmp_path / name, codec, tones(speakers), layout)
    recording = read(path)
    found = recording.source.layout
    assert sorted(TONE_HZ[speaker] for speaker in found) == sorted(TONE_HZ[s] for s in speakers)
    for speaker, channel in zip(found, recording.samples.T, strict=True):
        assert tone_of(channel, recording.rate) == pytest.approx(TONE_HZ[speaker], abs=1.1)


def test_the_channel_mask_of_a_wav_is_read(tmp_path):
    """A mask for front left, front right, side left, side right names them (bits 0, 1, 9, 10)."""
    path = tmp_path / "quad.wav"
    soundfile.write(path, noise(100, 4, 24), 48000, subtype="PCM_24", format="WAVEX")
    raw = bytearray(path.read_bytes())
    place = raw.index(b"fmt ") + 8 + 20
    raw[place : place + 4] = struct.pack("<I", 1 << 0 | 1 << 1 | 1 << 9 | 1 << 10)
    path.write_bytes(raw)
    assert read(path).source.layout == ("FL", "FR", "SL", "SR")


def test_a_bext_chunk_makes_a_wav_a_broadcast_wav(tmp_path):
    """FFmpeg writes the chunk; the container is called by its trade name and read bit for bit."""
    path = tmp_path / "take.wav"
    written = noise(4800, 1, 24)
    with av.open(str(path), "w", options={"write_bext": "1"}) as container:
        container.metadata["description"] = "line 2 take 3"
        stream = container.add_stream("pcm_s24le", rate=48000, layout="mono")
        frame = av.AudioFrame.from_ndarray(written.T.copy(), format="s32", layout="mono")
        frame.sample_rate = 48000
        container.mux([*stream.encode(frame), *stream.encode(None)])
    recording = read(path)
    assert recording.source.container == "BWF"
    np.testing.assert_array_equal(recording.samples * 2.0**31, written)


def test_the_first_audio_track_of_a_video_is_read(tmp_path):
    """With two tracks, the second 6 dB down, the louder first one is what comes back."""
    written = noise(48000, 2, 24)
    path = write_with_ffmpeg(
        tmp_path / "mix.mov", "pcm_s24le", written, "stereo", video=True, tracks=2
    )
    np.testing.assert_array_equal(read(path).samples * 2.0**31, written)


# -- Blocks --------------------------------------------------------------------------


@pytest.mark.parametrize("frames", [1, 997, 4800, 192_000])
@pytest.mark.parametrize("name", ["take.wav", "take.flac", "take.mp3", "take.ogg", "mix.m4a"])
def test_blocks_are_the_whole(tmp_path, name, frames):
    """Whatever the block length, the blocks are full but for the last, and joined are the whole."""
    path = tmp_path / name
    written = tones(("FL", "FR"), seconds=0.3)
    if name == "mix.m4a":
        write_with_ffmpeg(path, "aac", written, "stereo")
    else:
        soundfile.write(path, written, 48000)
    whole = read(path)
    if frames == 1:
        frames = len(whole.samples) // 50 + 1  # one sample at a time would only be slow
    with open_audio(path) as file:
        blocks = list(file.blocks(frames))
        source = file.source
    assert [len(block) for block in blocks[:-1]] == [frames] * (len(blocks) - 1)
    assert 0 < len(blocks[-1]) <= frames
    np.testing.assert_array_equal(np.concatenate(blocks), whole.samples)
    assert source == whole.source


@pytest.mark.parametrize("name", ["long.wav", "long.flac", "long.mov"])
def test_blocks_need_no_more_memory_for_a_longer_file(tmp_path, name):
    """Two minutes in blocks allocate no more than half a minute (10 %: allocator grain)."""
    peaks = []
    for seconds in (30, 120):
        path = tmp_path / f"{seconds}-{name}"
        written = tones(("FL", "FR"), seconds=seconds)
        if path.suffix == ".mov":
            write_with_ffmpeg(path, "pcm_s24le", written, "stereo")
        else:
            soundfile.write(path, written, 48000, subtype="PCM_24")
        tracemalloc.start()
        with open_audio(path) as file:
            for _ in file.blocks():
                pass
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.1 * peaks[0]


# -- Files that hold less than they say ----------------------------------------------


def write_whole(path, written, rate=48000):
    """Write one second in the format of the name."""
    if path.suffix == ".mp4":
        # The index at the front, as a file prepared for the web has it.
        with av.open(str(path), "w", options={"movflags": "faststart"}) as container:
            stream = container.add_stream("alac", rate=rate, layout="stereo")
            stream.codec_context.format = "s32p"
            for start in range(0, len(written), 4096):
                planes = np.ascontiguousarray(written[start : start + 4096].T)
                frame = av.AudioFrame.from_ndarray(planes, format="s32p", layout="stereo")
                frame.sample_rate, frame.pts = rate, start
                container.mux(stream.encode(frame))
            container.mux(stream.encode(None))
    else:
        form = "RF64" if "rf64" in path.name else None
        soundfile.write(path, written, rate, subtype="PCM_24", format=form)


CUT_FORMATS = ["take.wav", "rf64.wav", "take.w64", "take.aiff", "take.caf", "take.flac", "take.mp4"]


@pytest.mark.parametrize("name", CUT_FORMATS)
@pytest.mark.parametrize("share", [0.15, 0.5, 0.87, 0.999])
def test_a_truncated_file_is_read_as_far_as_it_goes(tmp_path, name, share):
    """What is left is bit for bit the start of what was written; what is missing adds up to it.

    Formats without codec frames keep every sample that is whole; the others lose at most the frame
    (4096 samples) that the cut fell into, twice that where the container's index loses one more.
    """
    written = noise(48000, 2, 24)
    path = tmp_path / name
    write_whole(path, written)
    raw = path.read_bytes()
    path.write_bytes(raw[: int(len(raw) * share)])
    recording = read(path)
    kept = len(recording.samples)
    np.testing.assert_array_equal(recording.samples * 2.0**31, written[:kept])
    source = recording.source
    assert source.duration_s == kept / 48000
    if name in ("take.flac", "take.mp4"):
        assert share * 48000 - 2 * 4096 < kept < 48000
    else:
        assert kept == pytest.approx(share * 48000, abs=700)  # headers of up to 4 kB, 6 bytes each
    # What FFmpeg reads counts as whole when less than 0.1 s is missing.
    grain_s = 0.1 if name in ("take.flac", "take.mp4", "take.caf") else 1 / 48000
    assert source.missing_s == pytest.approx(1 - kept / 48000, abs=grain_s)
    assert not source.unfinished


@pytest.mark.parametrize("writer", ["libsndfile", "FFmpeg"])
def test_a_truncated_mp3_says_what_is_missing(tmp_path, writer):
    """An MP3 with a length tag promises its frames; half of it lacks half a second.

    Tolerance 0.1 s: the cut costs two frames of 24 ms, and bytes are not shared out evenly.
    """
    path = tmp_path / "take.mp3"
    if writer == "FFmpeg":
        write_with_ffmpeg(path, "libmp3lame", tones(("FL", "FR")), "stereo")
    else:
        soundfile.write(path, tones(("FL", "FR")), 48000)
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 2])
    source = read(path).source
    assert source.missing_s == pytest.approx(0.5, abs=0.1)
    assert source.duration_s + source.missing_s == pytest.approx(1.0, abs=1e-6)


def test_a_stream_without_a_length_lacks_nothing(tmp_path):
    """Raw AAC frames state no length, so a guess from the file size must not count as one.

    A loud second behind a silent one makes the guess by bit rate far too long or too short.
    """
    written = np.concatenate([np.zeros((48000, 2), np.float32), tones(("FL", "FR"))])
    written[48000:] += np.random.default_rng(3).standard_normal((48000, 2)).astype(np.float32) * 0.1
    path = write_with_ffmpeg(tmp_path / "take.aac", "aac", written, "stereo")
    recording = read(path)
    assert recording.source.codec == "AAC"
    assert recording.source.missing_s == 0
    assert recording.duration_s == pytest.approx(2.0, abs=0.1)


def test_a_bw64_file_is_read(tmp_path):
    """BW64 (ITU-R BS.2088) is RF64 under another name, which libsndfile does not know."""
    written = noise(4800, 2, 24)
    path = tmp_path / "take.wav"
    soundfile.write(path, written, 48000, subtype="PCM_24", format="RF64")
    path.write_bytes(b"BW64" + path.read_bytes()[4:])
    recording = read(path)
    assert recording.source.container == "BW64"
    np.testing.assert_array_equal(recording.samples * 2.0**31, written)


@pytest.mark.parametrize("name", CUT_FORMATS)
def test_wherever_a_file_is_cut_it_is_read_or_named(tmp_path, name):
    """Cut at a hundred places, a file is read or refused in one line; nothing else happens."""
    written = noise(20_000, 2, 24)
    path = tmp_path / name
    write_whole(path, written)
    raw = path.read_bytes()
    read_at_all = 0
    for length in {*range(1, 120, 7), *np.linspace(120, len(raw) - 1, 80, dtype=int).tolist()}:
        path.write_bytes(raw[:length])
        recording, message = read_or_message(path)
        if recording is None:
            assert str(path) in message
            assert "\n" not in message
            continue
        read_at_all += 1
        kept = len(recording.samples)
        np.testing.assert_array_equal(recording.samples * 2.0**31, written[:kept])
        assert recording.source.missing_s >= 0
    assert read_at_all >= 40


def read_or_message(path):
    """Return the recording and no message, or none and the message of the error."""
    try:
        return read(path), ""
    except AudioError as error:
        return None, str(error)


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF, 0x7FFFFFFF, 0x7FFFF000])
@pytest.mark.parametrize("gain", [1, 0])
def test_a_wav_whose_recorder_crashed_is_read_to_its_end(tmp_path, size, gain):
    """A data size of 0, or of a value that stands for "not known yet", hides no samples.

    Digital silence is samples, too, though its bytes could be read as empty chunks.
    """
    written = noise(48000, 2, 24) * np.int32(gain)
    path = tmp_path / "take.wav"
    soundfile.write(path, written, 48000, subtype="PCM_24")
    raw = bytearray(path.read_bytes())
    raw[4:8] = struct.pack("<I", size)
    place = raw.index(b"data") + 4
    raw[place : place + 4] = struct.pack("<I", size)
    path.write_bytes(raw)
    recording = read(path)
    np.testing.assert_array_equal(recording.samples * 2.0**31, written)
    assert (recording.source.unfinished, recording.source.missing_s) == (True, 0)
    assert recording.source.container == "WAV"


def test_a_wav_with_chunks_behind_no_samples_is_empty(tmp_path):
    """A data size of 0 with a proper chunk behind it is a take of no length, not a crash."""
    path = tmp_path / "take.wav"
    soundfile.write(path, np.zeros((0, 1)), 48000, subtype="PCM_24")
    path.write_bytes(path.read_bytes() + b"note" + struct.pack("<I", 6) + b"take 1")
    with pytest.raises(AudioError, match="holds a header but no audio"):
        read(path)


def test_a_flac_whose_encoder_crashed_is_read_to_its_end(tmp_path):
    """A total of 0 samples in STREAMINFO stands for "not known" (RFC 9639, section 8.2)."""
    written = noise(48000, 2, 24)
    path = tmp_path / "take.flac"
    soundfile.write(path, written, 48000, subtype="PCM_24")
    raw = bytearray(path.read_bytes())
    raw[21] &= 0xF0
    raw[22:26] = bytes(4)
    path.write_bytes(raw)
    recording = read(path)
    np.testing.assert_array_equal(recording.samples * 2.0**31, written)
    source = recording.source
    assert (source.unfinished, source.missing_s, source.duration_s) == (True, 0, 1.0)


def test_a_damaged_stretch_does_not_end_the_reading(tmp_path):
    """A FLAC with a stretch of nonsense in its middle still gives what stands on either side."""
    written = noise(480_000, 1, 16)
    path = tmp_path / "take.flac"
    soundfile.write(path, written, 48000, subtype="PCM_16")
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2 : len(raw) // 2 + 3000] = bytes(3000)
    path.write_bytes(raw)
    recording = read(path)
    start = recording.samples[:192_000] * 2.0**31
    np.testing.assert_array_equal(start, written[:192_000])
    assert recording.duration_s > 9


# -- Files that cannot be measured ---------------------------------------------------


def test_bad_files_get_one_line_that_names_them(tmp_path):
    """Each kind of bad file is refused in its own words."""

    def made(name, content):
        path = tmp_path / name
        path.write_bytes(content)
        return path

    header = tmp_path / "header.wav"
    soundfile.write(header, np.zeros((0, 1)), 48000, subtype="PCM_24")
    whole = tmp_path / "whole.flac"
    soundfile.write(whole, noise(48000, 1, 24), 48000, subtype="PCM_24")
    silent_film = tmp_path / "silent.mp4"
    with av.open(str(silent_film), "w") as container:
        stream = container.add_stream("mpeg4", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        frame = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")
        container.mux([*stream.encode(frame), *stream.encode(None)])
    unindexed = tmp_path / "unindexed.mov"
    write_with_ffmpeg(unindexed, "pcm_s24le", noise(48000, 2, 24), "stereo", video=True)
    unindexed.write_bytes(unindexed.read_bytes()[:100_000])
    for path, words in [
        (tmp_path / "nowhere.wav", "no such file"),
        (tmp_path, "is a folder"),
        (made("empty.wav", b""), r"is empty \(0 bytes\)"),
        (made("notes.wav", b"take 3 was the best one\n" * 50), "is not an audio file"),
        (made("picture.wav", b"\x89PNG\r\n\x1a\n" + bytes(200)), "is not an audio file"),
        (made("list.m3u8", b"#EXTM3U\n#EXTINF:1,\nheader.wav\n"), "is not an audio file"),
        (made("riff.wav", b"RIFF\x24\0\0\0WAVE"), "looks like WAV but cannot be read"),
        (header, "holds a header but no audio"),
        (made("header.flac", whole.read_bytes()[:60]), "looks like FLAC but cannot be read"),
        (made("first.flac", whole.read_bytes()[:9000]), "holds a header but no audio"),
        (silent_film, "holds no audio track"),
        (unindexed, "was never finished"),
    ]:
        with pytest.raises(AudioError, match=words) as caught:
            read(path)
        assert str(path) in str(caught.value)
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_a_nan_or_infinity_is_refused_with_its_time(tmp_path, bad, subtype):
    """A float file with a value that is no number is named, with the time of the first."""
    written = np.zeros((48000, 2))
    written[12000, 1] = bad
    path = tmp_path / "take.wav"
    soundfile.write(path, written, 48000, subtype=subtype)
    with pytest.raises(AudioError, match=r"take\.wav: holds samples that are not .* at 0\.250 s"):
        read(path)


def test_what_the_system_refuses_is_said_in_its_words(tmp_path):
    """A path that leads through a file is refused with the system's reason."""
    path = tmp_path / "take.wav"
    soundfile.write(path, np.zeros(100), 48000)
    with pytest.raises(AudioError, match="cannot be read: Not a directory"):
        read(path / "take.wav")


@pytest.mark.parametrize("name", ["take:1.wav", "http:take.mp3", "café ☕.flac", "a b\n.wav"])
def test_any_name_is_only_a_name(tmp_path, monkeypatch, name):
    """A relative name that reads like an address, or in any script, opens the file of that name."""
    monkeypatch.chdir(tmp_path)
    soundfile.write(tmp_path / name, tones(("FL",)), 48000)
    assert read(name).source.path == name


@pytest.mark.parametrize("name", ["take.wav", "take.flac", "take.mp3", "mix.mov"])
def test_sources_are_never_written_to(tmp_path, name):
    """Content, size, times and the folder are the same after reading."""
    path = tmp_path / name
    if path.suffix == ".mov":
        write_with_ffmpeg(path, "pcm_s24le", noise(4800, 2, 24), "stereo", video=True)
    else:
        soundfile.write(path, tones(("FL", "FR")), 48000)

    def state():
        facts = path.stat()
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        return digest, facts.st_mtime_ns, facts.st_mode, facts.st_ino, sorted(os.listdir(tmp_path))

    before = state()
    read(path)
    assert state() == before
