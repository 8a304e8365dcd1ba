"""Markers for the edit, read back by outside readers."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pytest
import soundfile
import wavinfo
import webvtt

from tests.material.demo_session import FOLDER, ranked
from vocheck.audio.broadcast_wav import Marker, mark
from vocheck.cli import run
from vocheck.report.markers import markers_of, render_marker_csv, render_vtt

TAKE = FOLDER / "01_river_t2.flac"  # two pops planted


def test_vtt_is_read_back_by_an_outside_reader():
    """webvtt-py finds one cue per place, at its time, with its words."""
    result = ranked("01_river_t2").result
    cues = list(webvtt.from_string(render_vtt(result)))
    places = sorted(time for finding in result.findings for time in finding.times_s)
    assert [cue.start_in_seconds for cue in cues] == [int(time) for time in places]
    assert any("Breath blast" in cue.text for cue in cues)


def test_csv_holds_one_row_per_place():
    """The csv module of the standard library reads it."""
    result = ranked("01_river_t2").result
    rows = list(csv.DictReader(io.StringIO(render_marker_csv([result]))))
    assert len(rows) == sum(len(finding.times_s) for finding in result.findings)
    assert {row["finding"] for row in rows} >= {"plosive"}


def test_labels_are_read_back_by_an_outside_reader(tmp_path: Path):
    """Wavinfo finds the cue points at their frames, with their labels, in a copy of the WAV."""
    result = ranked("01_river_t2").result
    copy = tmp_path / "marked.wav"
    mark(TAKE, copy, markers_of(result))
    cues = wavinfo.WavInfoReader(str(copy)).cues
    expected = markers_of(result)
    found = sorted(cues.each_cue(), key=lambda cue: cue[1])
    assert [frame for _, frame in found] == [round(m.start_s * 48_000) for m in expected]
    labels = [cues.label_and_note(identity)[0] for identity, _ in found]
    assert labels == [marker.label for marker in expected]


def test_the_copy_sounds_the_same_and_the_source_is_untouched(tmp_path: Path):
    """Bit for bit."""
    before = TAKE.read_bytes()
    copy = tmp_path / "marked.wav"
    mark(TAKE, copy, [Marker(1.0, 1.5, "a stretch")])
    mine, _ = soundfile.read(copy, dtype="int32")
    source, _ = soundfile.read(TAKE, dtype="int32")
    assert np.array_equal(mine, source)
    assert TAKE.read_bytes() == before


def test_old_markers_are_replaced(tmp_path: Path):
    """Marking a marked copy again leaves one set of cue points."""
    first, second = tmp_path / "a.wav", tmp_path / "b.wav"
    mark(TAKE, first, [Marker(1.0, 1.0, "one"), Marker(2.0, 2.0, "two")])
    mark(first, second, [Marker(3.0, 3.0, "three")])
    cues = wavinfo.WavInfoReader(str(second)).cues
    assert len(list(cues.each_cue())) == 1


@pytest.mark.parametrize("suffix", ["vtt", "csv", "wav"])
def test_the_command_writes_markers(tmp_path: Path, suffix: str):
    """--markers chooses the format by the suffix."""
    output = tmp_path / f"found.{suffix}"
    run(["take", str(TAKE), "--markers", str(output), "-o", str(tmp_path / "report.txt")])
    assert output.stat().st_size > 100


@pytest.mark.parametrize("name", ["found.txt", "found"])
def test_an_unknown_marker_format_is_bad_usage(tmp_path: Path, name: str, capsys):
    """Status 2 and one line."""
    output = tmp_path / name
    assert run(["take", str(TAKE), "--markers", str(output), "-o", str(tmp_path / "r")]) == 2
    assert "must end in .vtt, .csv or .wav" in capsys.readouterr().err
