"""``vocheck room`` from the outside: what it prints, writes and returns."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
import soundfile

from tests.room.test_room import RATE_HZ, claps, noise, tone
from vocheck.cli import run


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with claps, room tone and a calibration tone."""
    folder = tmp_path_factory.mktemp("booth")
    files = {
        "claps": claps(0.14),
        "farther": claps(0.3, noise_dbfs=-62.0, seed=4),
        "tone": noise(-72.0, 6.0),
        "calibration": tone(1000.0, -30.0, 3.0),
        "syllables": claps(0.1, count=20, gap_s=0.2),
    }
    for name, samples in files.items():
        soundfile.write(folder / f"{name}.wav", samples, RATE_HZ, "PCM_24")
    return folder


def test_the_answer_comes_first_in_words(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The second line says the reverberation time and what it means."""
    assert run(["room", str(folder / "claps.wav")]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("ROOM  claps.wav")
    assert lines[1].startswith("  Mid-band RT60 0.1")
    text = " ".join(lines)
    assert "(T20, 500 Hz and 1 kHz" in text
    assert "a dry booth" in text
    assert "needs a calibration tone" in text


def test_json_holds_the_result(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Strict JSON on stdout and nothing else."""
    run(["room", str(folder / "claps.wav"), "--format", "json"])
    plain = json.loads(capsys.readouterr().out)
    assert plain["excitation"] == "impulse"
    assert [band["centre_hz"] for band in plain["bands"]] == [63, 125, 250, 500, 1e3, 2e3, 4e3, 8e3]


def test_csv_has_a_row_per_band(folder: Path, tmp_path: Path) -> None:
    """Decay and noise stand side by side; written to a file with --output."""
    out = tmp_path / "room.csv"
    arguments = ["room", str(folder / "claps.wav"), str(folder / "tone.wav")]
    assert run([*arguments, "--format", "csv", "--output", str(out)]) == 0
    rows = {row["centre_hz"]: row for row in csv.DictReader(io.StringIO(out.read_text()))}
    assert float(rows["1000.0"]["t20_s"]) == pytest.approx(0.14, rel=0.2)
    assert float(rows["1000.0"]["noise_dbfs"]) < -72.0
    assert rows["16000.0"]["t20_s"] == ""


def test_a_calibrated_tone_is_given_its_class(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """NC and NR with the octave that sets them."""
    files = [str(folder / "tone.wav"), "--calibration", str(folder / "calibration.wav")]
    assert run(["room", *files, "--spl", "94"]) == 0
    out = capsys.readouterr().out
    assert "dB(A): NC-" in out
    assert "(set by 8 kHz)" in out


@pytest.mark.parametrize("suffix", ["png", "pdf"])
def test_pictures_are_drawn(folder: Path, tmp_path: Path, suffix: str) -> None:
    """A file of the asked kind, the same bytes for the same measurement."""
    pictures = [tmp_path / f"{name}.{suffix}" for name in ("one", "two")]
    for picture in pictures:
        assert run(["room", str(folder / "claps.wav"), "--plot", str(picture)]) == 0
    data = [picture.read_bytes() for picture in pictures]
    assert data[0].startswith(b"\x89PNG" if suffix == "png" else b"%PDF")
    assert data[0] == data[1]


def test_an_unknown_picture_format_is_refused(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line that names the file and the formats."""
    assert run(["room", str(folder / "claps.wav"), "--plot", str(tmp_path / "room.bmp")]) == 2
    assert ".png, .pdf or .svg" in capsys.readouterr().err


def test_a_sweep_is_written_with_a_warning(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """-12 dBFS, silence around it, and a word about ears on stderr."""
    path = tmp_path / "sweep.wav"
    assert run(["room", "--make-sweep", str(path), "--seconds", "4"]) == 0
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "ear protection" in captured.err
    samples, rate = soundfile.read(path)
    assert rate == RATE_HZ
    assert len(samples) == 5 * RATE_HZ
    assert abs(samples).max() == pytest.approx(10.0 ** (-12.0 / 20.0), rel=1e-3)
    assert not samples[: RATE_HZ // 2].any()


def test_two_positions_are_compared(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The verdict comes before the differences; JSON and CSV carry the same."""
    files = ["--compare", str(folder / "claps.wav"), str(folder / "farther.wav")]
    assert run(["room", *files]) == 0
    out = capsys.readouterr().out
    assert out.index("The first is better") < out.index("  - ")
    run(["room", *files, "--format", "json"])
    assert json.loads(capsys.readouterr().out)["better"] == "first"
    run(["room", *files, "--format", "csv"])
    head = "name,first,second,unit,better,sentence,alike,region,beyond,source,status\n"
    assert capsys.readouterr().out.startswith(head)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "Missing argument"),
        (["--compare", "{folder}/claps.wav"], "takes two FILES"),
        (["--make-sweep", "{folder}/s.wav", "{folder}/claps.wav"], "takes no FILES"),
        (["{folder}/nothing.wav"], "no such file"),
        (["{folder}/syllables.wav"], "neither a clap"),
        (["{folder}/claps.wav", "--as", "sweep"], "reference"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_line(
    folder: Path,
    arguments: list[str],
    message: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Status 2 and a message that names the matter."""
    assert run(["room", *(argument.format(folder=folder) for argument in arguments)]) == 2
    assert message in capsys.readouterr().err


def test_findings_set_the_status_when_asked(folder: Path) -> None:
    """0.3 s is above the limit of a note, and the noise above that of a fix."""
    path = str(folder / "farther.wav")
    assert run(["room", path]) == 0
    assert run(["room", path, "--fail-on", "note"]) == 1
