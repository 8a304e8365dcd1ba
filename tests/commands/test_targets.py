"""``vocheck targets``: the list and one destination in full."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from vocheck.cli import run
from vocheck.policy.destinations import FAMILIES, load_destinations


def test_every_destination_is_listed(capsys: pytest.CaptureFixture[str]) -> None:
    """Each name stands at the start of a line, and the letters are explained."""
    assert run(["targets"]) == 0
    out = capsys.readouterr().out
    listed = {line.split()[0] for line in out.splitlines() if line.startswith("  ")}
    assert set(load_destinations()) <= listed
    assert "S: published standard" in " ".join(out.split())
    assert "recipient's contract" in " ".join(out.split())


def test_a_platform_without_a_number_shows_none(capsys: pytest.CaptureFixture[str]) -> None:
    """No rule of thumb stands in the columns of published numbers."""
    run(["targets"])
    (line,) = [x for x in capsys.readouterr().out.splitlines() if x.startswith("  youtube ")]
    assert line.split()[1:3] == ["none", "none"]


def test_one_destination_in_full(capsys: pytest.CaptureFixture[str]) -> None:
    """Rules, sources and status of one destination; rules of thumb are called that."""
    assert run(["targets", "youtube", "alexa"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Loudness: none published; common practice -14.0 LUFS" in out
    assert "common practice, no source" in out
    assert "fails below -19" in out
    assert "our choice: warn below, warn above" in out


def test_json(capsys: pytest.CaptureFixture[str]) -> None:
    """The same as data: one destination is an object, the list an array."""
    assert run(["targets", "ebu-short", "--format", "json"]) == 0
    plain = json.loads(capsys.readouterr().out)
    assert plain["name"] == "ebu-short"
    assert plain["rules"][0]["target"] == -23.0
    assert run(["targets", "--format", "json"]) == 0
    assert len(json.loads(capsys.readouterr().out)) == len(load_destinations())


def test_an_unknown_name(capsys: pytest.CaptureFixture[str]) -> None:
    """Status 2 and one line that offers the closest names."""
    assert run(["targets", "you-tube"]) == 2
    assert "did you mean youtube" in capsys.readouterr().err


def test_a_studio_file_is_listed_last(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Destinations of the vocheck.toml in this folder have a section of their own."""
    (tmp_path / "vocheck.toml").write_text(
        "[destinations.client]\nstatus='our choice'\n"
        "[destinations.client.rules.integrated_lufs]\ntarget=-20\n"
    )
    monkeypatch.chdir(tmp_path)
    assert run(["targets"]) == 0
    out = capsys.readouterr().out
    assert "From your vocheck.toml" in out
    assert out.index("From your vocheck.toml") > out.index("Podcasts")
    assert "studio" not in FAMILIES


@pytest.mark.parametrize("columns", ["80", "120"])
def test_no_line_is_too_wide(
    columns: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The list fits the terminal."""
    monkeypatch.setenv("COLUMNS", columns)
    run(["targets"])
    assert max(map(len, capsys.readouterr().out.splitlines())) <= int(columns)
