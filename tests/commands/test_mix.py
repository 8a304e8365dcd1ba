"""``vocheck mix``: verdict first, exit status, formats, the stamped copy."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from wavinfo import WavInfoReader

from tests.mix.signals import noise, tone, write
from vocheck.cli import run

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def mix(tmp_path: Path) -> Path:
    """Return a file that reads -23 LUFS."""
    return write(tmp_path / "mix.wav", tone(5, -23), subtype="PCM_24")


def test_the_verdict_comes_first(mix: Path, capsys: Capture) -> None:
    """The first word of the report is the verdict; reasons name value, limit and source."""
    assert run(["mix", str(mix), "--to", "ebu-r128", "--to", "youtube", "--encode", "none"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("PASS  mix.wav")
    assert "Ready for ebu-r128." in out
    assert "No loudness is published by youtube" in out
    flat = " ".join(out.split())
    assert "Loudness -23.0 LUFS: no number is published; common practice is -14.0 LUFS" in flat


@pytest.mark.parametrize(
    ("to", "fail_on", "status"),
    [
        ("ebu-r128", "fail", 0),
        ("social", "fail", 1),
        ("social", "never", 0),
        ("spotify", "fail", 0),  # a warning
        ("spotify", "warn", 1),
        ("youtube", "warn", 0),  # nothing published: nothing to fail
    ],
)
def test_exit_status(mix: Path, to: str, fail_on: str, status: int) -> None:
    """0 nothing to fix, 1 a verdict at or above --fail-on."""
    args = ["mix", str(mix), "--to", to, "--fail-on", fail_on, "--encode", "none"]
    assert run(args) == status


def test_a_fail_says_why(mix: Path, capsys: Capture) -> None:
    """Value, what is wanted, whose number, and what the gain would do to the peak."""
    run(["mix", str(mix), "--to", "social"])
    flat = " ".join(capsys.readouterr().out.split())
    assert flat.startswith("FAIL mix.wav")
    assert "fail: Loudness -23.0 LUFS, wanted -14.0 LUFS (-15.0 to -13.0)" in flat
    assert "(our choice)" in flat
    assert "gain: +9.0 dB would put the peak at -14.0 dBTP, within the limit of -1.0." in flat
    assert "a prediction with FFmpeg's AAC at 128 kb/s" in flat


def test_json_and_csv(mix: Path, capsys: Capture) -> None:
    """The same facts as data."""
    run(["mix", str(mix), "--to", "ebu-r128", "--encode", "none", "--format", "json"])
    plain = json.loads(capsys.readouterr().out)
    assert plain["destinations"][0]["verdict"] == "pass"
    assert plain["measurements"]["loudness"]["integrated_lufs"] == pytest.approx(-23.0, abs=0.1)
    run(["mix", str(mix), "--to", "ebu-r128", "--encode", "none", "--format", "csv"])
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert {row["destination"] for row in rows} == {"mix", "ebu-r128"}
    assert all(row["check_verdict"] for row in rows)


def test_several_files_and_one_bad(mix: Path, tmp_path: Path, capsys: Capture) -> None:
    """A file that cannot be read is one line on stderr and status 2; the others are done."""
    (tmp_path / "bad.wav").write_text("no audio")
    args = ["mix", str(tmp_path / "bad.wav"), str(mix), "--to", "ebu-r128", "--encode", "none"]
    assert run(args) == 2
    captured = capsys.readouterr()
    assert "bad.wav" in captured.err
    assert len(captured.err.splitlines()) == 1
    assert "PASS  mix.wav" in captured.out


def test_stems(tmp_path: Path, capsys: Capture) -> None:
    """Voice over bed in LU, and a warning where it is little."""
    import pyloudnorm

    hiss, speech = noise(5, -30), tone(5, -23)
    # independent: pyloudnorm, to a few thousandths of a LU on 5 s at 48 kHz
    bed = hiss * 10 ** ((-28.0 - pyloudnorm.Meter(48000).integrated_loudness(hiss)) / 20)
    voice_file, bed_file = write(tmp_path / "v.wav", speech), write(tmp_path / "b.wav", bed)
    stems = ["--stem", f"voice={voice_file}", "--stem", f"bed={bed_file}"]
    mix = write(tmp_path / "mix.wav", speech + bed)
    run(["mix", str(mix), "--to", "ebu-r128", "--encode", "none", *stems])
    flat = " ".join(capsys.readouterr().out.split())
    assert "warn: Voice over bed 5.0 LU, wanted at least 10.0 LU" in flat
    assert "voice over bed 5.0 LU, least" in flat


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["--stem", "drums=x.wav"], "wants voice=FILE or bed=FILE"),
        (["--stem", "voice"], "wants voice=FILE or bed=FILE"),
        (["--encode", "atrac:66"], "unknown codec 'atrac'"),
        (["--to", "nowhere-at-all"], "no such destination"),
    ],
)
def test_wrong_usage(mix: Path, capsys: Capture, args: list[str], message: str) -> None:
    """Status 2 and a line that says what is wanted."""
    assert run(["mix", str(mix), *args]) == 2
    assert message in capsys.readouterr().err


def test_stamp(mix: Path, tmp_path: Path, capsys: Capture) -> None:
    """The copy holds what was measured, in its header, and the very same samples."""
    out = tmp_path / "stamped.wav"
    assert run(["mix", str(mix), "--to", "ebu-r128", "--encode", "none", "--stamp", str(out)]) == 0
    assert "stamped.wav" in capsys.readouterr().err
    bext = WavInfoReader(str(out)).bext
    assert bext.version == 2
    assert bext.loudness_value == pytest.approx(-23.0, abs=0.1)  # EBU Tech 3341 tolerance
    assert bext.max_true_peak == pytest.approx(-23.0, abs=0.05)  # the peak of the tone
    assert bext.loudness_range == 327.67  # no value: shorter than 60 s
    old, _ = soundfile.read(mix, dtype="int32")
    new, _ = soundfile.read(out, dtype="int32")
    np.testing.assert_array_equal(old, new)


def test_verify(mix: Path, capsys: Capture) -> None:
    """An independent meter stands beside ours, with why they may differ."""
    run(["mix", str(mix), "--to", "ebu-r128", "--encode", "none", "--verify"])
    flat = " ".join(capsys.readouterr().out.split())
    assert "by pyloudnorm" in flat
    assert "0.000 LU from ours" in flat


@pytest.mark.parametrize("columns", ["60", "80", "120"])
def test_no_line_is_too_wide(
    mix: Path, columns: str, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    """The report fits the terminal."""
    monkeypatch.setenv("COLUMNS", columns)
    run(["mix", str(mix), "--to", "social", "--to", "netflix", "--verify"])
    assert max(map(len, capsys.readouterr().out.splitlines())) <= int(columns)
