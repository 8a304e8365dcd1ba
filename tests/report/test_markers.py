"""Markers for the edit, read back by outside readers."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
import wavinfo
import webvtt

from tests.material.demo_session import FOLDER, ranked
from tests.material.handmade import take
from vocheck.audio.broadcast_wav import Marker, mark
from vocheck.cli import run
from vocheck.policy.judge import Finding
from vocheck.policy.rule import Rule
from vocheck.report.markers import (
    markers_of,
    render_marker_csv,
    render_slot_csv,
    render_slot_vtt,
    render_vtt,
    slot_marks,
)
from vocheck.session.take import TakeResult

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


def found(severity: str, message: str, *times_s: float, name: str = "plosive") -> Finding:
    """Return a finding made by hand, with its places."""
    return Finding(
        name=name, fact="plosives.events", severity=severity, value=1.0, limit=0.0, unit="dB",
        source="a source", status="our choice", times_s=times_s,
        rule=Rule(name=name, fact="plosives.events", thresholds=(), texts={"message": message}),
    )  # fmt: skip


def with_places(*findings: Finding) -> TakeResult:
    return replace(take(1), findings=findings)


LONG = with_places(
    found("note", "late", 7145.0625, 0.25), found("fixable", "early", 59.9996, name="click")
)
"""Places at 0.25 s, just under a minute, and 1 h 59 min 5.0625 s."""


def test_a_time_is_hours_minutes_seconds_and_thousandths():
    """W3C WebVTT, section 4.1: hh:mm:ss.ttt; a rounded thousandth carries into the minute."""
    rows = list(csv.DictReader(io.StringIO(render_marker_csv([LONG]))))
    assert [row["time"] for row in rows] == ["00:00:00.250", "00:01:00.000", "01:59:05.062"]
    assert [float(row["time_s"]) for row in rows] == [0.25, 59.9996, 7145.0625]
    assert [row["message"] for row in rows] == ["late", "early", "late"]
    assert [row["severity"] for row in rows] == ["note", "fixable", "note"]
    assert [row["finding"] for row in rows] == ["plosive", "click", "plosive"]
    assert {row["path"] for row in rows} == {LONG.path}


def test_a_cue_is_shown_for_half_a_second():
    """Long enough to be seen, and within two frames of nothing else."""
    lines = render_vtt(LONG).splitlines()
    assert lines[0] == "WEBVTT"
    assert [line for line in lines if "-->" in line] == [
        "00:00:00.250 --> 00:00:00.750",
        "00:01:00.000 --> 00:01:00.500",
        "01:59:05.062 --> 01:59:05.562",
    ]
    cues = list(webvtt.from_string(render_vtt(LONG)))
    assert [cue.text for cue in cues] == ["note: late", "fixable: early", "note: late"]
    assert cues[2].start_in_seconds == 7145


def test_a_message_cannot_end_its_cue_or_mark_it_up():
    """Arrows, ampersands and angle brackets are written so that they are shown."""
    text = render_vtt(with_places(found("note", "a --> b & <c>", 1.0)))
    assert text.count("-->") == 1
    assert text.splitlines()[3] == "note: a → b &amp; &lt;c&gt;"


def test_markers_come_in_the_order_of_time():
    """Whatever the order of the findings; each is a moment, under the name of its finding."""
    markers = markers_of(LONG)
    assert [m.start_s for m in markers] == [0.25, 59.9996, 7145.0625]
    assert all(m.end_s == m.start_s for m in markers)
    assert markers[0].label.startswith("note: ")
    assert markers[1].label.startswith("fixable: ")
    assert markers[0].label == markers[2].label != markers[1].label
    assert markers_of(with_places()) == ()
    assert render_vtt(with_places()) == "WEBVTT\n"


def test_places_under_the_picture_begin_where_a_line_goes_over():
    """From the end of the slot; a pause from the end of the read; what runs on, at its own end."""

    def misfit(name: str, value: float) -> SimpleNamespace:
        return SimpleNamespace(name=name, value=value, severity="note", limit=180.0)

    def fit(line: str, start_s: float, end_s: float, read_s: float, *misfits) -> SimpleNamespace:
        return SimpleNamespace(
            line=line, path=f"{line}.wav", start_s=start_s, end_s=end_s, read_s=read_s,
            misfits=misfits, spare_s=end_s - start_s - read_s, cuts=("01:00:05:00",),
            next_line="03_hands", start="01:00:01:00", end="01:00:04:00",
        )  # fmt: skip

    late = fit("02_kiln", 61.0, 64.0, 5.0, misfit("over_cut", 1.0), misfit("into_next", 0.75))
    early = fit(
        "01_river", 1.0, 4.0, 2.0, misfit("pause_short", 0.25), misfit("pause_long", 3.0),
        misfit("pace", 200.0),
    )  # fmt: skip
    result = SimpleNamespace(lines=(late, early))
    places = [(m.misfit.name, m.start_s, m.end_s) for m in slot_marks(result)]
    assert places == [
        ("pause_short", 3.0, 3.5),  # shown half a second at least
        ("pause_long", 3.0, 6.0),
        ("pace", 4.0, 4.5),
        ("over_cut", 64.0, 66.0),
        ("into_next", 65.25, 66.0),
    ]
    cues = list(webvtt.from_string(render_slot_vtt(result)))
    assert [cue.text.split(":")[:2] for cue in cues[:1]] == [["note", " 01_river"]]
    assert len(cues) == 5
    assert "--> 00:01:06.000" in render_slot_vtt(result)
    rows = list(csv.DictReader(io.StringIO(render_slot_csv(result))))
    assert [row["name"] for row in rows] == [name for name, _, _ in places]
    assert list(rows[0])[:6] == ["line", "path", "start_s", "end_s", "slot_start", "slot_end"]
    assert rows[3]["message"].startswith("Goes on 1.00 s behind the cut at 01:00:05:00")
