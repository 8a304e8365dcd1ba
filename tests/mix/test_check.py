"""Whole mixes against destinations; loudness, peaks and gains by closed form."""

from __future__ import annotations

import json
import math
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from tests.mix.signals import noise, silence, tone, write
from vocheck import with_sentences
from vocheck.audio.codecs import parse_codings
from vocheck.errors import AudioError, TargetError, VocheckError
from vocheck.mix import DestinationResult, MixResult, check_mix
from vocheck.policy.config import load_config
from vocheck.policy.destinations import load_destinations
from vocheck.report.text.mix import render_mix
from vocheck.wording.delivery import reason
from vocheck.wording.mix import arrival, gain, reading_note


def verdicts(result: DestinationResult) -> dict[str, str]:
    return {check.fact: check.verdict for check in result.checks}


@pytest.mark.parametrize(
    ("level", "verdict"), [(-23.0, "pass"), (-22.5, "warn"), (-20.0, "fail"), (-26.0, "fail")]
)
def test_loudness_of_a_tone_against_ebu_r128(tmp_path: Path, level: float, verdict: str) -> None:
    """A tone of known loudness passes at -23, warns within 1 LU and fails beyond (EBU R 128)."""
    path = write(tmp_path / "mix.wav", tone(20, level))
    result = check_mix(path, ["ebu-r128"])
    # published: EBU Tech 3341 case 1 and 2, tolerance +-0.1 LU
    assert result.measurements.loudness.integrated_lufs == pytest.approx(level, abs=0.1)
    assert result.destinations[0].verdict == result.verdict == verdict


def test_gain_to_the_target_and_the_peak_after_it(tmp_path: Path) -> None:
    """-23 to -14 LUFS is +9 dB; a burst that peaks at -6 dBFS would then stand at +3 dBTP."""
    samples = tone(20, -23)
    samples[48000:48048] *= 10 ** (17 / 20)  # one millisecond at -6 dBFS
    result = check_mix(write(tmp_path / "mix.wav", samples), ["social"])
    social = result.destinations[0]
    # closed form; 0.1 LU is the tolerance of the tone, and the burst adds 0.05 LU
    assert social.gain_to_target_db == pytest.approx(9.0, abs=0.15)
    # an abrupt change of level overshoots between the samples by a few tenths
    assert social.true_peak_after_gain_dbtp == pytest.approx(3.0, abs=0.6)
    assert social.limiter_db == pytest.approx(social.true_peak_after_gain_dbtp + 1.0)
    assert "would put the peak at +" in gain(social)
    assert "limit by" in gain(social)


def test_no_destination_measures_only(tmp_path: Path) -> None:
    """Without targets there are facts and the general checks, and no destination."""
    result = check_mix(write(tmp_path / "mix.wav", tone(5, -20)), [])
    assert result.destinations == ()
    assert result.verdict == "pass"
    assert result.measurements.true_peak_after_encoding == ()


def test_short_form_limits_the_loudest_three_seconds(tmp_path: Path) -> None:
    """EBU R 128 s1: 3 s at -16 LUFS break the -18 LUFS limit though the whole is at -23."""
    samples = np.concatenate([tone(30, -24.2), tone(3, -16), tone(3, -24.2)])
    result = check_mix(write(tmp_path / "mix.wav", samples), ["ebu-short"])
    short = result.destinations[0]
    checks = {check.fact: check for check in short.checks}
    assert checks["short_term_max_lufs"].value == pytest.approx(-16.0, abs=0.1)
    assert checks["short_term_max_lufs"].verdict == "fail"
    loudest = result.measurements.loudness.short_term_max_s
    assert loudest == pytest.approx(31.5, abs=0.02)  # the middle of those 3 s


def test_where_nothing_is_published(tmp_path: Path) -> None:
    """YouTube publishes no loudness: no verdict in its name, and the check says so."""
    result = check_mix(write(tmp_path / "mix.wav", tone(5, -30)), ["youtube", "tiktok"])
    for destination in result.destinations:
        assert destination.verdict == "not published"
        assert verdicts(destination)["integrated_lufs"] == "not published"
    assert result.verdict == "not published"


def test_what_a_platform_does_on_arrival(tmp_path: Path) -> None:
    """Spotify turns a quiet master up only until its peak stands at -1 dBTP."""
    samples = tone(10, -20)
    # the example of Spotify's page on loudness: -20 LUFS with a peak at -5 goes to -16
    samples[48000 * 5] = 10 ** (-5 / 20)
    result = check_mix(write(tmp_path / "mix.wav", samples), ["spotify"])
    words = arrival(result.destinations[0])
    assert words.startswith("This mix would be turned up by 4.0 of 6.0 dB: its peak stops it.")
    loud = check_mix(write(tmp_path / "loud.wav", tone(10, -10)), ["spotify", "youtube"])
    assert arrival(loud.destinations[0]).startswith("This mix would be turned down by 4.0 dB.")
    assert arrival(loud.destinations[1]).startswith("This mix would probably be turned down by 4.0")


def test_audiobook_rules(tmp_path: Path) -> None:
    """RMS, noise floor, head and tail of a constructed chapter are read and judged."""
    quiet = noise(0.7, -65, 44100, 1), noise(2.0, -65, 44100, 1)
    speech = tone(20, -17.5, 44100, 500, 1) + noise(20, -65, 44100, 1)
    path = write(tmp_path / "one.wav", np.concatenate([quiet[0], speech, quiet[1]]), 44100)
    result = check_mix(path, ["audiobook"], encode=())
    measured = result.measurements
    # closed form: a sine of -17.5 dBFS peak has an RMS of -20.51, 20 of 22.7 s: -0.55 dB
    assert measured.rms_dbfs == pytest.approx(-20.51 + 10 * math.log10(20 / 22.7), abs=0.01)
    # closed form: noise of -65 dBFS; the softest of 300 half seconds of 22050 values: -0.1 dB
    assert measured.floor_dbfs == pytest.approx(-65.0, abs=0.15)
    assert measured.head_s == pytest.approx(0.7, abs=0.011)  # steps of 10 ms
    assert measured.tail_s == pytest.approx(2.0, abs=0.011)
    found = verdicts(result.destinations[0])
    for fact in ("rms_dbfs", "floor_dbfs", "level_dbtp", "head_s", "tail_s", "rate_hz"):
        assert found[fact] == "pass", fact
    assert found["codec"] == "warn"  # a WAV still has to become an MP3
    assert "bitrate_kbps" not in found


def test_telephone_prompt_by_active_level(tmp_path: Path) -> None:
    """The P.56 level of a tone with a long pause is that of the tone alone."""
    samples = np.concatenate([tone(4, -19, 8000, 500, 1), silence(4, 8000, 1)])
    result = check_mix(write(tmp_path / "a.wav", samples, 8000), ["telephony"])
    (level,) = [c for c in result.destinations[0].checks if c.fact == "active_dbfs"]
    # closed form: the RMS of a sine is 3.01 dB below its peak; the hangover of 0.2 s adds 5 %
    assert level.value == pytest.approx(-22.01, abs=0.3)
    assert result.destinations[0].verdict == "pass"
    (encoded,) = result.measurements.true_peak_after_encoding
    assert encoded.codec == "G.711"


def test_dialogue_rule_needs_the_voice(tmp_path: Path) -> None:
    """Without the voice stem a dialogue rule cannot be told, and the reason says what to do."""
    path = write(tmp_path / "mix.wav", tone(10, -27), subtype="PCM_24")
    result = check_mix(path, ["netflix"])
    (level,) = [c for c in result.destinations[0].checks if c.fact == "dialogue_lufs"]
    assert level.verdict == "cannot tell"
    assert "--stem voice=FILE" in reason(level)
    assert "-27.0 LUFS" in reason(level)
    assert result.destinations[0].verdict == "warn"
    voiced = check_mix(path, ["netflix"], {"voice": path})
    assert verdicts(voiced.destinations[0])["dialogue_lufs"] == "pass"


@pytest.mark.parametrize("name", ["netflix", "amazon-mgm", "atsc-a85"])
def test_dialogue_is_measured_where_the_voice_stem_speaks(tmp_path: Path, name: str) -> None:
    """With the voice stem a dialogue rule gets a verdict: of the mix under the voice, ungated."""
    destination = load_destinations()[name]
    rule = destination.rule("dialogue_lufs")
    assert rule is not None
    assert rule.minimum is not None
    for level, verdict in ((rule.target, "pass"), (rule.minimum - 1.0, "fail")):
        assert level is not None
        voice = np.concatenate([tone(3, level), silence(3)] * 3)
        music = np.concatenate([silence(3), tone(3, level + 12.0)] * 3)
        stem = write(tmp_path / "voice.wav", voice, subtype="PCM_24")
        mix = write(tmp_path / "mix.wav", voice + music, subtype="PCM_24")
        result = check_mix(mix, [name], {"voice": stem}, encode=())
        # closed form: a 1 kHz sine that peaks at x dBFS reads x LUFS (Tech 3341, case 1). The
        # 12 dB louder music between the phrases is no dialogue. 0.1 LU: the tolerance of Tech 3341.
        assert result.measurements.dialogue_lufs == pytest.approx(level, abs=0.1)
        assert verdicts(result.destinations[0])["dialogue_lufs"] == verdict


def test_inverted_side(tmp_path: Path) -> None:
    """Opposite sides cancel in mono: warned about, whatever the destination."""
    samples = tone(10, -14)
    samples[:, 1] *= -1
    result = check_mix(write(tmp_path / "mix.wav", samples), ["social"])
    assert {c.fact: c.verdict for c in result.checks}["mono_fold_down_lu"] == "warn"
    assert {c.fact: c.verdict for c in result.checks}["correlation"] == "warn"
    assert result.measurements.mono_fold_down_lu == -math.inf
    assert result.destinations[0].verdict == "pass"
    assert result.verdict == "warn"


def test_dead_channel(tmp_path: Path) -> None:
    """A channel without any signal fails, whatever the destination."""
    samples = tone(5, -14)
    samples[:, 1] = 0
    result = check_mix(write(tmp_path / "mix.wav", samples), [])
    assert result.measurements.silent_channels == 1
    assert result.verdict == "fail"


def test_surround_with_empty_lfe(tmp_path: Path) -> None:
    """5.1: an empty low-frequency channel is in order, an empty centre is not."""
    six = np.repeat(tone(3, -20, channels=1), 6, axis=1)
    six[:, 3] = 0
    assert check_mix(write(tmp_path / "a.wav", six), []).measurements.silent_channels == 0
    six[:, 2] = 0
    assert check_mix(write(tmp_path / "b.wav", six), []).measurements.silent_channels == 1


def test_encoding_overshoot_is_predicted(tmp_path: Path) -> None:
    """Clipped noise at full scale comes back from a low-rate codec above full scale."""
    samples = np.clip(noise(5, -6), -0.99, 0.99)
    path = write(tmp_path / "mix.wav", samples)
    result = check_mix(path, [], encode=parse_codings("aac:64,opus:64,mp3:64"))
    assert [p.codec for p in result.measurements.true_peak_after_encoding] == ["AAC", "Opus", "MP3"]
    for peak in result.measurements.true_peak_after_encoding:
        assert peak.encoder.startswith("FFmpeg's")
        assert peak.level_dbtp is not None
        # regression snapshot: 1.4 (MP3) to 7.2 dBTP (Opus) on two sides of clipped noise
        assert 0.0 < peak.level_dbtp < 10.0
    encoded = [c for c in result.checks if c.fact == "encoded_dbtp"]
    assert [c.verdict for c in encoded] == ["warn"] * 3
    assert "prediction with FFmpeg's AAC at 64 kb/s" in reason(encoded[0])


def test_each_destination_gets_its_own_codec(tmp_path: Path) -> None:
    """By default a destination's own codec and rate are tried, each once."""
    path = write(tmp_path / "mix.wav", tone(2, -20) + noise(2, -40))
    result = check_mix(path, ["instagram", "facebook", "snapchat-ads", "podcast"])
    tried = [(p.codec, p.bitrate_kbps) for p in result.measurements.true_peak_after_encoding]
    assert tried == [("AAC", 128), ("AAC", 192), ("MP3", 128)]
    whats = [[c.what for c in d.checks if c.fact == "encoded_dbtp"] for d in result.destinations]
    assert whats[0] == whats[1] == ["True peak after encoding (AAC 128)"]
    assert whats[2] == ["True peak after encoding (AAC 192)"]


def test_a_codec_that_takes_no_surround(tmp_path: Path) -> None:
    """MP3 holds two channels: the prediction for 5.1 says so instead of failing."""
    path = write(tmp_path / "mix.wav", noise(1, -30, channels=6))
    result = check_mix(path, [], encode=parse_codings("mp3:192"))
    (peak,) = result.measurements.true_peak_after_encoding
    assert peak.level_dbtp is None
    assert "2 channels" in peak.reason


def video(path: Path, samples: np.ndarray, rate: int = 48000, kbps: int = 192) -> Path:
    """Write a short MP4 with a picture and an AAC track."""
    with av.open(str(path), "w") as out:
        picture = out.add_stream("mpeg4", rate=25)
        picture.width, picture.height, picture.pix_fmt = 64, 36, "yuv420p"
        track = out.add_stream("aac", rate=rate)
        track.layout = "stereo"
        track.bit_rate = kbps * 1000
        for _ in range(round(len(samples) / rate * 25)):
            frame = av.VideoFrame.from_ndarray(np.zeros((36, 64, 3), np.uint8), format="rgb24")
            out.mux(picture.encode(frame))
        out.mux(picture.encode(None))
        planes = np.ascontiguousarray(samples.T, np.float32)
        sound = av.AudioFrame.from_ndarray(planes, format="fltp", layout="stereo")
        sound.sample_rate, sound.pts = rate, 0
        out.mux(track.encode(sound))
        out.mux(track.encode(None))
    return path


def test_a_finished_video(tmp_path: Path) -> None:
    """The sound of an MP4 is measured, and the rules about codec and container apply."""
    path = video(tmp_path / "film.mp4", tone(6, -20) + noise(6, -40))
    result = check_mix(path, ["instagram", "x", "spotify-ad"])
    # closed form: tone -20 and noise far below; AAC changes the level by well under 0.1 LU
    assert result.measurements.loudness.integrated_lufs == pytest.approx(-20.0, abs=0.15)
    instagram, x, spotify = (verdicts(d) for d in result.destinations)
    for fact in ("codec", "container", "bitrate_kbps", "rate_hz", "channels", "duration_s"):
        assert instagram[fact] == "pass", fact
    assert x["codec"] == "pass"
    assert spotify["codec"] == "fail"  # an audio advert wants WAV or MP3


def test_a_master_is_not_asked_for_its_codec(tmp_path: Path) -> None:
    """A WAV is still to be encoded: rules about the encoded file are left out."""
    result = check_mix(write(tmp_path / "mix.wav", tone(4, -14)), ["instagram"])
    assert not {"codec", "container", "bitrate_kbps"} & set(verdicts(result.destinations[0]))


def test_too_long_too_short(tmp_path: Path) -> None:
    """Durations: Snapchat's adverts take up to 180 s, Instagram from 3 s."""
    path = write(tmp_path / "mix.wav", tone(2, -14))
    assert verdicts(check_mix(path, ["instagram"]).destinations[0])["duration_s"] == "fail"
    path = write(tmp_path / "long.wav", tone(181, -14, 8000), 8000)
    (snapchat,) = check_mix(path, ["snapchat-ads"], encode=()).destinations
    assert verdicts(snapchat)["duration_s"] == "fail"


def test_a_truncated_file_fails(tmp_path: Path) -> None:
    """A WAV whose header promises more than it holds is measured, and fails."""
    path = write(tmp_path / "mix.wav", tone(4, -14), subtype="PCM_16")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    result = check_mix(path, [])
    (missing,) = [c for c in result.checks if c.fact == "missing_s"]
    assert missing.verdict == "fail"
    assert missing.value == pytest.approx(2.0, abs=0.01)


def test_a_file_whose_length_was_never_written_is_flagged(tmp_path: Path) -> None:
    """An export that is still running, or broke off: what is there is measured, with a warning."""
    path = write(tmp_path / "mix.wav", tone(4, -14), subtype="PCM_16")
    whole = check_mix(path, [])
    assert "length" not in {c.fact for c in whole.checks}
    data = bytearray(path.read_bytes())
    size = data.index(b"data") + 4
    data[size : size + 4] = b"\xff" * 4  # what programs write that do not know the length yet
    path.write_bytes(data)
    result = check_mix(path, [])
    assert result.source.unfinished
    (length,) = [c for c in result.checks if c.fact == "length"]
    assert (length.verdict, length.value) == ("warn", "never written")
    assert result.verdict == "warn"
    assert "Length in the header" in render_mix(result)


def test_verify_shows_an_independent_reading(tmp_path: Path) -> None:
    """An independent meter reads the same within 0.02 LU at 48 kHz with whole blocks."""
    path = write(tmp_path / "mix.wav", noise(20, -25))
    reading = check_mix(path, [], verify=True).independent
    assert reading is not None
    # independent implementation; float rounding of two filters
    assert reading.difference_lu == pytest.approx(0.0, abs=0.02)
    six = write(tmp_path / "six.wav", noise(2, -25, channels=6))
    reading = check_mix(six, [], verify=True).independent
    assert reading is not None
    assert reading.integrated_lufs is None
    assert "up to 5 channels" in reading_note(reading)


def test_loudness_over_time(tmp_path: Path) -> None:
    """Momentary loudness steps where the tone steps."""
    path = write(tmp_path / "mix.wav", np.concatenate([tone(4, -30), tone(4, -20)]))
    over = check_mix(path, []).over_time
    assert over.step_s == 0.1
    assert len(over.momentary_lufs) == 77  # closed form: (8.0 - 0.4) / 0.1 + 1
    assert len(over.short_term_lufs) == 51  # (8.0 - 3.0) / 0.1 + 1
    assert over.momentary_lufs[10] == pytest.approx(-30.0, abs=0.1)
    assert over.momentary_lufs[60] == pytest.approx(-20.0, abs=0.1)


def test_a_studio_file_beside_the_mix_counts(tmp_path: Path) -> None:
    """A vocheck.toml beside the mix adds destinations and changes the general checks."""
    (tmp_path / "vocheck.toml").write_text(
        """
        [destinations.mix.rules.balance_db]
        maximum = 1.0
        [destinations.client]
        title = "Client"
        status = "our choice"
        [destinations.client.rules.integrated_lufs]
        target = -20.0
        minimum = -20.5
        maximum = -19.5
        """,
        encoding="utf-8",
    )
    samples = tone(5, -20)
    samples[:, 1] *= 10 ** (-2 / 20)
    result = check_mix(write(tmp_path / "mix.wav", samples), ["client"])
    assert {c.fact: c.verdict for c in result.checks}["balance_db"] == "warn"
    assert result.measurements.louder_side == "left"
    assert result.destinations[0].verdict == "fail"  # 0.8 LU below -20
    assert load_config(None).section("destinations") == {}


ODD = {
    "one sample": tone(1, -20)[:1],
    "silence": silence(2),
    "direct current": np.full((48000, 2), 0.5),
    "full scale": np.sign(tone(1, 0)),
    "over full scale": tone(1, 6),
    "mono": noise(1, -20, channels=1),
    "three channels": noise(1, -20, channels=3),
    "5.1": noise(1, -20, channels=6),
}


@pytest.mark.parametrize("rate", [8000, 37800, 48000, 192000])
@pytest.mark.parametrize("name", ODD)
def test_odd_mixes_give_strict_json(tmp_path: Path, name: str, rate: int) -> None:
    """Whatever the sound and the rate: a result without NaN, a reason for each missing number."""
    path = write(tmp_path / "mix.wav", ODD[name], rate)
    encode = None if rate == 48000 else ()
    result = check_mix(path, ["social", "audiobook", "ebu-short"], encode=encode)
    plain = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    measured = plain["measurements"]
    for key, value in measured.items():
        if value is None and key not in ("stems",):
            assert plain["not_measured"].get(key), key
    assert plain["schema"] == 1
    assert list(plain)[:2] == ["schema", "path"]


def test_one_sample_file(tmp_path: Path) -> None:
    """Too short for any loudness: cannot tell, and somebody has to look."""
    result = check_mix(write(tmp_path / "mix.wav", ODD["one sample"]), ["social"])
    assert result.destinations[0].verdict == "warn"
    assert result.destinations[0].gain_to_target_db is None


def test_silence_fails(tmp_path: Path) -> None:
    """A silent mix fails its destination and says silence, not a number."""
    result = check_mix(write(tmp_path / "mix.wav", ODD["silence"]), ["social"])
    assert result.destinations[0].verdict == "fail"
    assert result.not_measured["loudness.integrated_lufs"] == "silence"


def test_what_cannot_be_done_is_told(tmp_path: Path) -> None:
    """Unknown destinations, stems and files that are no audio each give one line."""
    path = write(tmp_path / "mix.wav", tone(1, -20))
    with pytest.raises(TargetError, match="no such destination"):
        check_mix(path, ["nowhere"])
    with pytest.raises(VocheckError, match="a stem is one of voice, bed"):
        check_mix(path, [], {"drums": path})
    with pytest.raises(AudioError, match="no such file"):
        check_mix(tmp_path / "none.wav", [])
    (tmp_path / "text.wav").write_text("hello")
    with pytest.raises(AudioError):
        check_mix(tmp_path / "text.wav", [])
    samples = tone(1, -20)
    samples[1000] = np.nan
    with pytest.raises(AudioError, match="not numbers"):
        check_mix(write(tmp_path / "nan.wav", samples), [])


def test_the_source_is_only_read(tmp_path: Path) -> None:
    """Checking leaves the file as it was."""
    path = write(tmp_path / "mix.wav", tone(2, -20))
    before = path.read_bytes(), path.stat().st_mtime_ns
    check_mix(path, ["social"], {"voice": path, "bed": path}, verify=True)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def test_progress_is_reported(tmp_path: Path) -> None:
    """The seconds done rise to the seconds there are."""
    seen: list[tuple[float, float]] = []
    path = write(tmp_path / "mix.wav", tone(9, -20))
    check_mix(path, [], progress=lambda done, whole: seen.append((done, whole)))
    assert [done for done, _ in seen] == sorted(done for done, _ in seen)
    assert seen[-1] == (9.0, 9.0)


def test_names_of_the_result(tmp_path: Path) -> None:
    """The fields that the result schema promises are there."""
    result: MixResult = check_mix(write(tmp_path / "mix.wav", tone(1, -20)), ["social"])
    plain = with_sentences(result)
    assert {"path", "source", "measurements", "destinations"} <= set(plain)
    assert {
        *("loudness", "true_peak", "true_peak_after_encoding", "mono_fold_down_lu"),
        *("correlation", "voice_to_bed_lu"),
    } <= set(plain["measurements"])
    assert {"codec", "bitrate_kbps", "level_dbtp"} <= set(
        plain["measurements"]["true_peak_after_encoding"][0]
    )
    assert {"name", "verdict", "checks", "gain_to_target_db", "note"} <= set(
        plain["destinations"][0]
    )
    assert {"what", "value", "limit", "verdict", "source", "status"} <= set(
        plain["destinations"][0]["checks"][0]
    )


def test_w64_and_rf64(tmp_path: Path) -> None:
    """Large-file formats are read like any other."""
    for name in ("a.w64", "a.rf64"):
        soundfile.write(tmp_path / name, tone(2, -20), 48000, "PCM_24")
        result = check_mix(tmp_path / name, [])
        assert result.measurements.loudness.integrated_lufs == pytest.approx(-20.0, abs=0.1)


def test_memory_does_not_grow_with_the_mix(tmp_path: Path) -> None:
    """Five times the length takes little more memory: the mix is read in blocks."""
    import tracemalloc

    peaks = []
    for seconds in (60, 300):
        path = write(tmp_path / f"{seconds}.wav", noise(seconds, -20, 8000), 8000)
        check_mix(path, [], encode=())  # imports and tables first
        tracemalloc.start()
        check_mix(path, [], encode=())
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # The samples of the longer file alone are 19 MB; what is kept per 10 ms is under 2 MB.
    assert peaks[1] < peaks[0] + 3e6
