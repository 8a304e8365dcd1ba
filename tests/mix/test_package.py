"""A package for a client: complete and checkable, or not there at all."""

from __future__ import annotations

import json
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
import soundfile
from wavinfo import WavInfoReader

from tests.mix.signals import tone, write
from tests.mix.test_stems import BED, VOICE
from vocheck.cli import run
from vocheck.mix import check_package

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """Return a folder with a mix at -23 LUFS, a stem, a take, room tone and a text."""
    folder = tmp_path / "job"
    folder.mkdir()
    write(folder / "potter_mix.wav", tone(5, -23), subtype="PCM_24")
    write(folder / "potter_fx.wav", tone(5, -35), subtype="PCM_24")
    write(folder / "01_river_t1.wav", tone(1, -23))
    write(folder / "room_tone.wav", tone(1, -60))
    (folder / "readme.txt").write_text("for the client\n")
    return folder


def deliver(job: Path, *more: str) -> int:
    return run(["deliver", str(job), "-o", str(job.parent / "out"), "-q", *more])


def text_of(file: Path) -> str:
    document = pypdfium2.PdfDocument(file)
    pages = [page.get_textpage().get_text_bounded() for page in document]
    document.close()
    return " ".join(" ".join(pages).split())


def test_a_package_holds_files_sums_sheet_and_json(job: Path, capsys: Capture):
    """sha256sum (coreutils) agrees; wavinfo reads the loudness; the samples are those of before."""
    before = {path.name: path.read_bytes() for path in job.iterdir()}
    assert deliver(job, "--to", "ebu-r128", "--title", "Potter") == 0
    out = job.parent / "out"
    assert {path.relative_to(out).as_posix() for path in out.rglob("*.*")} == {
        "ebu-r128/Potter_stereo.wav",
        "ebu-r128/Potter_effects.wav",
        "delivery.json",
        "delivery.pdf",
    }
    subprocess.run(["sha256sum", "--check", "--strict", "SHA256SUMS"], cwd=out, check=True)
    info = WavInfoReader(str(out / "ebu-r128/Potter_stereo.wav"))
    assert info.bext.loudness_value == pytest.approx(-23.0, abs=0.05)
    new, old = (
        soundfile.read(path, dtype="int32")[0]
        for path in (out / "ebu-r128/Potter_stereo.wav", job / "potter_mix.wav")
    )
    assert np.array_equal(new, old)
    assert {path.name: path.read_bytes() for path in job.iterdir()} == before
    told = json.loads((out / "delivery.json").read_text("utf-8"))
    assert told["verdict"] == "pass"
    assert [item["kind"] for item in told["items"]] == ["stem", "mix"]
    assert sorted(told["left_out"]) == ["01_river_t1.wav", "readme.txt", "room_tone.wav"]
    sheet = text_of(out / "delivery.pdf")
    for words in ("Potter", "EBU R 128", told["items"][0]["sha256"], told["version"], "Signature"):
        assert words in sheet
    assert "contract and own check win" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    ("to", "why"),
    [
        (["social"], "potter_mix.wav does not pass for social"),
        (["ebu-r128", "social"], "potter_mix.wav does not pass for social"),
        (["netflix"], "of potter_mix.wav something that netflix asks for cannot be told"),
    ],
)
def test_nothing_is_written_where_a_check_fails(
    job: Path, capsys: Capture, to: list[str], why: str
):
    """Not even what passes, and no temporary folder is left."""
    assert deliver(job, *[word for name in to for word in ("--to", name)]) == 1
    assert why in " ".join(capsys.readouterr().out.split())
    assert [path.name for path in job.parent.iterdir()] == ["job"]


def test_a_mix_named_after_a_destination_goes_there_only(job: Path):
    """Each destination gets its own; one without a mix is a problem."""
    write(job / "potter_social.wav", tone(5, -14), subtype="PCM_24")
    (job / "potter_mix.wav").rename(job / "potter_ebu-r128.wav")
    assert deliver(job, "--to", "ebu-r128", "--to", "social") == 0
    out = job.parent / "out"
    assert soundfile.read(out / "social/potter_stereo.wav")[0].max() == pytest.approx(0.2, abs=0.01)
    assert (out / "ebu-r128/potter_stereo.wav").exists()


def test_a_destination_without_a_mix_is_told(job: Path, capsys: Capture):
    """The only mix is named after the other one; *x* is a destination, and not in *mix*."""
    (job / "potter_mix.wav").rename(job / "potter_ebu-r128.wav")
    assert deliver(job, "--to", "ebu-r128", "--to", "x") == 1
    assert "there is no mix for x" in " ".join(capsys.readouterr().out.split())


def test_a_folder_that_is_there_is_not_touched(job: Path, capsys: Capture):
    """Empty or not."""
    out = job.parent / "out"
    out.mkdir()
    assert deliver(job, "--to", "ebu-r128") == 2
    assert "is there already, and a package replaces nothing" in capsys.readouterr().err
    assert list(out.iterdir()) == []


def test_two_files_of_one_name_and_a_bad_pattern_are_told(job: Path, capsys: Capture):
    """Before anything is written; a pattern takes nothing but its fields."""
    write(job / "potter_stereo.wav", tone(5, -23), subtype="PCM_24")
    assert deliver(job, "--to", "ebu-r128") == 1
    flat = " ".join(capsys.readouterr().out.split())
    assert "would both be ebu-r128/potter_stereo.wav" in flat
    assert deliver(job, "--to", "ebu-r128", "--name", "{titel}") == 2
    assert "known are {title}, {version}, {destination}, {date}" in capsys.readouterr().err
    assert deliver(job, "--to", "ebu-r128", "--name", "{title.__class__}") == 2


def test_stems_of_a_mix_tell_its_dialogue(tmp_path: Path):
    """With the voice stem the loudness of the dialogue is told, so that `netflix` can be."""
    job = tmp_path / "job"
    job.mkdir()
    write(job / "film.wav", 0.45 * (VOICE + BED), subtype="PCM_24")
    write(job / "film_voice.wav", 0.45 * VOICE, subtype="PCM_24")
    write(job / "film_bed.wav", 0.45 * BED, subtype="PCM_24")

    package = check_package(job, ["netflix"], now=datetime.now(UTC), version="test")
    (mix,) = (item for item in package.items if item.kind == "mix")
    assert mix.result.measurements.dialogue_lufs is not None
    assert not any(problem.kind == "not told" for problem in package.problems)
