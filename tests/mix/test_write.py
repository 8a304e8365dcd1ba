"""A copy at the target: as libebur128 and wavinfo read it; a refusal leaves nothing behind."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
import soundfile
from scipy import signal
from wavinfo import WavInfoReader

from tests.material.demo_session import FOLDER
from tests.mix.signals import noise, tone, write
from vocheck.audio.broadcast_wav import LoudnessFields, Marker, mark, stamp
from vocheck.audio.codecs import Coding
from vocheck.cli import run
from vocheck.errors import VocheckError
from vocheck.mix import Refusal, WrittenMix, check_mix, write_mix
from vocheck.policy.config import load_config
from vocheck.policy.every import Policy

RATE = 48000
Capture = pytest.CaptureFixture[str]


def programme(seconds: float = 12.0, peaks: float = 2.5, seed: int = 4) -> np.ndarray:
    """Return phrases of noise below 16 kHz with peaks over a bed, shape (frames, 2)."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * RATE)
    white = rng.standard_normal((frames, 2))
    soft = signal.lfilter(signal.firwin(129, 0.66), 1.0, white, axis=0)
    loud = np.repeat(rng.uniform(0.3, 1.0, int(seconds) * 4), RATE // 4)[:frames, None]
    hits = np.ones(frames)
    for place in rng.integers(0, frames - 999, 12):
        hits[place : place + 480] = peaks
    return 0.08 * soft * loud * hits[:, None]


def ebur128(path: Path) -> tuple[float, float]:
    """Return loudness and true peak as libebur128 reads them."""
    samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    modes = pyebur128.MeasurementMode
    state = pyebur128.R128State(samples.shape[1], rate, modes.MODE_I | modes.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
    peak = max(pyebur128.get_true_peak(state, c) for c in range(samples.shape[1]))
    return pyebur128.get_loudness_global(state), 20 * np.log10(peak)


def tried(
    source: Path,
    output: Path,
    to: str = "social",
    encode: tuple[Coding, ...] = (),
    policy: Policy | None = None,
) -> WrittenMix:
    """Return what came of a copy."""
    checked = check_mix(source, [to], encode=encode)
    copy = write_mix(checked, output, encode=encode, policy=policy).written
    return copy


def refusal(*how: Any, **more: Any) -> Refusal:
    """Return why a copy was not written, and see that there is none."""
    copy = tried(*how, **more)
    assert copy.path is None
    assert not Path(how[1]).exists()
    assert copy.refused is not None
    return copy.refused


def test_a_gain_alone_is_the_mix_times_a_number(tmp_path: Path):
    """Of a float mix: every sample is that of the mix times one factor, to the last bit."""
    samples = 0.3 * programme(peaks=1.0)
    source = write(tmp_path / "mix.wav", samples)
    copy = tried(source, tmp_path / "copy.wav", "ebu-r128")
    assert copy.means == "gain"
    assert copy.limiting is None
    before, _ = soundfile.read(source, dtype="float64")
    after, _ = soundfile.read(tmp_path / "copy.wav", dtype="float32")
    factor = 10 ** (copy.gain_db / 20)
    assert np.array_equal(after, (before * factor).astype(np.float32))
    assert ebur128(tmp_path / "copy.wav")[0] == pytest.approx(-23.0, abs=0.1)


def test_whole_numbers_are_dithered_and_keep_their_length(tmp_path: Path):
    """16 bits: what rounding adds is triangular dither: 0.5 steps RMS (closed form)."""
    source = write(tmp_path / "mix.wav", 0.3 * programme(peaks=1.0), subtype="PCM_16")
    copy = tried(source, tmp_path / "copy.wav", "ebu-r128")
    assert copy.dithered
    assert soundfile.info(tmp_path / "copy.wav").subtype == "PCM_16"
    before, _ = soundfile.read(source, dtype="float64")
    after, _ = soundfile.read(tmp_path / "copy.wav", dtype="float64")
    error = (after - before * 10 ** (copy.gain_db / 20)) * 2**15
    assert np.abs(error).max() <= 1.5
    assert np.sqrt(np.mean(error**2)) == pytest.approx(0.5, abs=0.01)
    assert abs(np.corrcoef(error[:, 0], before[:, 0])[0, 1]) < 0.01


def test_a_mix_at_the_target_is_copied_bit_for_bit(tmp_path: Path):
    """No gain, no dither: the same samples."""
    source = write(tmp_path / "mix.wav", tone(5, -23.0069), subtype="PCM_24")
    tried(source, tmp_path / "first.wav", "ebu-r128")
    second = tried(tmp_path / "first.wav", tmp_path / "second.wav", "ebu-r128")
    assert second.means == "none"
    assert not second.dithered
    first, _ = soundfile.read(tmp_path / "first.wav", dtype="int32")
    again, _ = soundfile.read(tmp_path / "second.wav", dtype="int32")
    assert np.array_equal(first, again)


@pytest.mark.parametrize("subtype", ["PCM_24", "FLOAT"])
def test_peaks_are_limited_and_the_loudness_is_still_met(tmp_path: Path, subtype: str):
    """As libebur128 reads the copy: within 0.1 LU, and no peak 0.1 dB over the ceiling."""
    source = write(tmp_path / "mix.wav", programme(), subtype=subtype)
    copy = tried(source, tmp_path / "copy.wav")
    assert copy.means == "limiter"
    assert copy.verdict == "pass"
    lufs, dbtp = ebur128(tmp_path / "copy.wav")
    assert lufs == pytest.approx(-14.0, abs=0.1)
    assert dbtp <= -0.9
    limiting = copy.limiting
    assert 1.0 < limiting.most_db <= 6.0
    assert max(limiting.reduction_db) == pytest.approx(limiting.most_db, abs=0.02)
    assert len(limiting.reduction_db) == 120
    assert copy.attempts <= 2


def test_one_channel_is_brought_to_the_reading_of_its_destination(tmp_path: Path):
    """`social` reads one channel as heard from two speakers: 3.01 LU more than libebur128 does."""
    source = write(tmp_path / "mix.wav", programme(peaks=1.0)[:, :1])
    tried(source, tmp_path / "copy.wav")
    assert ebur128(tmp_path / "copy.wav")[0] == pytest.approx(-17.0, abs=0.1)


def test_more_than_the_limit_of_limiting_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    """It says how much and how much may be, exits with 2, and leaves no file behind."""
    source = write(tmp_path / "mix.wav", 0.3 * programme(peaks=8.0))
    output = tmp_path / "copy.wav"
    assert run(["mix", str(source), "--encode", "none", "--write", str(output)]) == 2
    flat = " ".join(capsys.readouterr().out.split())
    assert (
        "NOT WRITTEN No copy was written for social. The peaks would have to be limited by" in flat
    )
    assert "at most 6 dB are" in flat
    assert [path.name for path in tmp_path.iterdir()] == ["mix.wav"]


def test_a_studio_moves_that_limit(tmp_path: Path):
    """The number is policy: with 1 dB allowed, 2 dB are refused, and the studio is the source."""
    (tmp_path / "vocheck.toml").write_text("[mix.limiter]\nmost_db = 1.0\n")
    source = write(tmp_path / "mix.wav", programme())
    refused = refusal(source, tmp_path / "copy.wav")
    assert refused.limit == 1.0
    assert refused.source.endswith("vocheck.toml")


def test_a_loudness_range_that_does_not_fit_is_refused(tmp_path: Path):
    """No gain mends it: 20 s at -20 and 20 s at -35, twice, have 15 LU (EBU Tech 3342)."""
    (tmp_path / "vocheck.toml").write_text(
        '[destinations.narrow]\nlike = "ebu-r128"\ntitle = "Narrow"\nsource = "A contract"\n'
        "[destinations.narrow.rules.range_lu]\nmaximum = 8.0\n"
    )
    samples = np.concatenate([tone(20, -20), tone(20, -35)] * 2)
    source = write(tmp_path / "mix.wav", samples)
    refused = refusal(source, tmp_path / "copy.wav", "narrow")
    (check,) = refused.checks
    assert check.fact == "range_lu"
    assert check.value == pytest.approx(15.0, abs=0.5)


def test_silence_has_no_level_to_bring_anywhere(tmp_path: Path):
    """Refused, not divided by."""
    source = write(tmp_path / "mix.wav", np.zeros((RATE * 2, 2)))
    refused = refusal(source, tmp_path / "copy.wav")
    assert refused.kind == "no level"


def voice_of_the_demo(drive: float) -> np.ndarray:
    """Return 4 s of the demo mix, its peaks bent over by a drive of more than 1."""
    samples, _ = soundfile.read(FOLDER / "mix.flac", start=3 * RATE, frames=4 * RATE)
    return 0.3 * np.asarray(np.tanh(drive * samples / np.abs(samples).max()))


def test_the_ceiling_goes_down_until_the_codec_passes(tmp_path: Path):
    """A studio allows 0.3 dB less after AAC than a copy at -1 dBTP has: it gets that."""
    source = write(tmp_path / "mix.wav", voice_of_the_demo(0.1))
    coding = (Coding("aac", 64),)
    plain = tried(source, tmp_path / "plain.wav", encode=coding)
    before = plain.after_encoding[0].level_dbtp
    assert before is not None
    (tmp_path / "vocheck.toml").write_text(
        "[destinations.mix.rules.encoded_dbtp]\n"
        f'maximum = {before - 0.3:.1f}\nsource = "A contract"\n'
    )
    copy = tried(source, tmp_path / "copy.wav", encode=coding)
    assert copy.limiting is not None
    assert copy.limiting.ceiling_dbtp < (plain.dbtp_after or 0.0) - 0.2
    (after,) = copy.after_encoding
    assert after.level_dbtp is not None
    assert after.level_dbtp < before - 0.2
    assert after.encoder == "FFmpeg's AAC at 64 kb/s"
    assert ebur128(tmp_path / "copy.wav")[0] == pytest.approx(-14.0, abs=0.1)


def test_where_no_ceiling_helps_the_codec_is_the_reason(tmp_path: Path):
    """Flat peaks overshoot by 2 dB, and to turn them down turns all of it down: refused."""
    source = write(tmp_path / "mix.wav", voice_of_the_demo(6.0))
    lufs, dbtp = ebur128(source)
    (tmp_path / "vocheck.toml").write_text(
        '[destinations.loud]\nlike = "social"\ntitle = "Loud"\nsource = "A contract"\n'
        "[destinations.loud.rules.integrated_lufs]\n"
        f"target = {lufs - dbtp - 1.3:.1f}\nmaximum = -4.0\nwarn_above = -4.0\n"
        "[destinations.loud.rules.level_dbtp]\nloud_warn_above = -0.9\n"
    )
    coding = (Coding("aac", 64),)
    assert refusal(source, tmp_path / "copy.wav", "loud", encode=coding).kind == "encoding"


def test_scene_note_and_markers_are_carried_on(tmp_path: Path):
    """Wavinfo reads the source's description, its markers, and the loudness of the copy."""
    plain = write(tmp_path / "plain.wav", 0.3 * programme(6.0, peaks=1.0), subtype="PCM_24")
    nothing = LoudnessFields(
        integrated_lufs=None,
        range_lu=None,
        level_dbtp=None,
        momentary_max_lufs=None,
        short_term_max_lufs=None,
    )
    mark(plain, tmp_path / "marked.wav", [Marker(1.0, 1.5, "kiln door")])
    stamp(tmp_path / "marked.wav", tmp_path / "mix.wav", nothing)
    copy = tried(tmp_path / "mix.wav", tmp_path / "copy.wav", "ebu-r128")
    assert {"bext", "cue"} <= set(copy.carried)
    info = WavInfoReader(str(tmp_path / "copy.wav"))
    assert info.bext.description == "marked"
    assert info.bext.loudness_value == pytest.approx(-23.0, abs=0.05)
    assert "T=vocheck" in info.bext.coding_history
    assert [label.text for label in info.cues.labels] == ["kiln door"]
    assert info.bext.umid is None or not any(info.bext.umid)


def test_a_drawing_or_check_sum_of_the_old_samples_is_left_behind(tmp_path: Path):
    """``levl``, ``MD5 `` and ``PEAK`` tell of other samples."""
    source = write(tmp_path / "mix.wav", 0.3 * programme(6.0, peaks=1.0), subtype="PCM_24")
    raw = source.read_bytes()
    extra = (
        struct.pack("<4sI", b"MD5 ", 16)
        + bytes(range(16))
        + struct.pack("<4sI", b"note", 4)
        + b"kiln"
    )
    whole = raw[:4] + struct.pack("<I", len(raw) - 8 + len(extra)) + raw[8:] + extra
    source.write_bytes(whole)
    copy = tried(source, tmp_path / "copy.wav", "ebu-r128")
    assert copy.carried == ("note",)
    content = (tmp_path / "copy.wav").read_bytes()
    assert b"MD5 " not in content
    assert b"kiln" in content


def test_the_source_and_other_recordings_are_never_written_over(tmp_path: Path):
    """Whatever stands there stays."""
    source = write(tmp_path / "mix.wav", programme())
    other = write(tmp_path / "other.wav", tone(1, -20))
    before = source.read_bytes(), other.read_bytes()
    result = check_mix(source, ["social"], encode=())
    for output in (source, other):
        with pytest.raises(VocheckError, match="files that are read|never replaces"):
            write_mix(result, output)
    assert (source.read_bytes(), other.read_bytes()) == before


def test_the_same_mix_gives_the_same_copy(tmp_path: Path):
    """Dither included: byte for byte but for nothing."""
    source = write(tmp_path / "mix.wav", programme(), subtype="PCM_16")
    for name in ("one.wav", "two.wav"):
        tried(source, tmp_path / name)
    assert (tmp_path / "one.wav").read_bytes() == (tmp_path / "two.wav").read_bytes()


def test_the_command_wants_one_destination_and_one_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    """Otherwise it would be unclear what is written."""
    source = write(tmp_path / "mix.wav", tone(2, -20))
    copy = str(tmp_path / "copy.wav")
    assert run(["mix", str(source), "--to", "social", "--to", "x", "--write", copy]) == 2
    assert "--write goes with one --to NAME" in capsys.readouterr().err
    assert run(["mix", str(source), str(source), "--write", copy]) == 2
    assert "--write and --takes go with one FILE" in capsys.readouterr().err


def test_the_policy_of_the_call_counts(tmp_path: Path):
    """A library call may bring its own."""
    file = tmp_path / "vocheck.toml"
    file.write_text("[mix.limiter]\nmost_db = 0.5\n")
    policy = Policy(load_config(file))
    other = tmp_path / "elsewhere"
    other.mkdir()
    source = write(other / "mix.wav", programme() + 0.001 * noise(12, -20))
    refusal(source, other / "copy.wav", policy=policy)
