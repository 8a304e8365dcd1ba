"""Pictures read as outside readers read them: webvtt-py, OpenTimelineIO, its adapter for EDLs."""

from __future__ import annotations

import json
import shutil
from fractions import Fraction
from pathlib import Path

import opentimelineio as otio
import pytest
import webvtt

from tests.edit.plans import plan
from tests.edit.test_timeline import laid
from tests.material.demo_session import FOLDER
from vocheck.cli import run
from vocheck.edit.picture import read_picture
from vocheck.edit.timecode import RATES, FrameRate
from vocheck.errors import SessionError
from vocheck.report.timeline import render_edl, render_otio

VTT = """\ufeffWEBVTT - a potter

STYLE
::cue { color: #caf }

NOTE the first words
of the film

river
00:02.500 --> 00:05.000 align:start position:10%
The <b>river</b> came &amp; came first.
<v Ida>Mills, a bridge

1
01:00:05.250 --> 01:00:08.000
and one tall kiln.

00:00:09.000 --> 00:00:09.000
of no length

100:00:00.000 --> 100:00:01.000
long after
"""

SRT = """1\r
00:00:02,500 --> 00:00:05,000\r
The <i>river</i> came first.\r
Mills, a bridge\r
\r
2\r
00:00:05,250 --> 00:00:08,000\r
and one tall kiln.\r
\r
"""


def test_webvtt_as_an_outside_reader_reads_it(tmp_path: Path):
    """Times and words; comments, styles, settings and tags are left out."""
    file = tmp_path / "captions.vtt"
    file.write_text(VTT, encoding="utf-8")
    picture = read_picture(file, RATES["25"])
    outside = [cue for cue in webvtt.read(str(file)) if cue.end != cue.start]
    assert len(picture.slots) == len(outside) == 3
    for slot, cue in zip(picture.slots, outside, strict=True):
        start = cue.start_time
        expected = ((start.hours * 60 + start.minutes) * 60 + start.seconds) * 1000
        assert slot.start * 1000 == expected + start.milliseconds
        assert slot.text == " ".join(cue.text.split()).replace("&amp;", "&")
    assert [slot.name for slot in picture.slots] == ["river", "", ""]
    assert picture.label(picture.slots[1].start) == "01:00:05.250"
    assert picture.cuts == ()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_subrip_as_an_outside_reader_reads_it(tmp_path: Path, encoding: str):
    text = SRT.replace("kiln", "caf\N{LATIN SMALL LETTER E WITH ACUTE}")
    file = tmp_path / "captions.srt"
    file.write_bytes(text.encode(encoding))
    plain = tmp_path / "plain.srt"
    plain.write_text(text, encoding="utf-8")
    picture = read_picture(file, RATES["25"])
    outside = webvtt.from_srt(str(plain))
    assert len(picture.slots) == len(outside) == 2
    for slot, cue in zip(picture.slots, outside, strict=True):
        assert float(slot.start) == cue.start_in_seconds + cue.start_time.milliseconds / 1000
        assert float(slot.end) == cue.end_in_seconds + cue.end_time.milliseconds / 1000
    assert picture.slots[0].text == "The river came first. Mills, a bridge"
    assert picture.slots[1].text.endswith("caf\N{LATIN SMALL LETTER E WITH ACUTE}.")


@pytest.mark.parametrize("rate", RATES.values(), ids=lambda rate: rate.name)
def test_edls_at_every_rate_as_the_outside_adapter_reads_them(tmp_path: Path, rate: FrameRate):
    """Shots with a dissolve, black, sound of its own: places, names and cuts."""
    frames = [0, 2, 9, 15, 27]
    first = rate.frame("01:00:00:00" if not rate.drop else "01:00:00;00")
    seconds = rate.frames
    tc = [rate.label(first + n * seconds) for n in frames]
    zero, ten = rate.label(0), rate.label(10 * seconds)
    end = [rate.label((b - a) * seconds) for a, b in zip(frames, frames[1:], strict=False)]
    far = [rate.label((10 + b - a) * seconds) for a, b in zip(frames, frames[1:], strict=False)]
    text = f"""TITLE: a potter
FCM: {"DROP FRAME" if rate.drop else "NON-DROP FRAME"}

001  BL       V     C        {zero} {end[0]} {tc[0]} {tc[1]}
002  CAM1     V     C        {ten} {far[1]} {tc[1]} {tc[2]}
* FROM CLIP NAME: river wide
003  CAM1     V     C        {ten} {far[2]} {tc[2]} {tc[3]}
* FROM CLIP NAME: kiln
004  CAM1     V     C        {far[2]} {far[2]} {tc[3]} {tc[3]}
004  CAM2     V     D    012 {ten} {far[3]} {tc[3]} {tc[4]}
* FROM CLIP NAME: kiln
* TO CLIP NAME: hands
005  01RIVER  A     C        {zero} {end[1]} {tc[1]} {tc[2]}
* FROM CLIP NAME: 01_river
M2   CAM1       025.0                {ten}
"""
    file = tmp_path / "cut.edl"
    file.write_text(text, encoding="ascii")
    picture = read_picture(file, rate)
    timeline = otio.adapters.read_from_string(
        "\n".join(row for row in text.splitlines() if not row.startswith("M2")),
        "cmx_3600",
        rate=float(rate.exact),
    )
    outside = {
        clip.name: (
            track.range_of_child(clip).start_time.value - track.source_range.start_time.value
            if track.source_range
            else first
        )
        for track in timeline.tracks
        for clip in track.find_clips()
    }
    mine = {slot.name: slot for slot in picture.slots}
    assert set(mine) == {"river wide", "kiln", "hands", "01_river"}
    for name, slot in mine.items():
        assert picture.label(slot.start) == rate.label(round(outside[name]))
    assert mine["01_river"].kind == "audio"
    assert [picture.label(cut) for cut in picture.cuts] == tc
    assert picture.slots[0].start == Fraction(2 * seconds) / rate.exact


@pytest.mark.parametrize("name", ["25", "29.97df", "59.94"])
def test_what_is_handed_to_the_edit_is_read_again(tmp_path: Path, name: str):
    """The timelines of `rank` and `comp`: each line in its place, to the sample or the frame."""
    rate = RATES[name]
    layout = laid(plan(4), rate)
    files = {"cut.otio": render_otio(layout, tmp_path), "cut.edl": render_edl(layout)}
    for file, text in files.items():
        (tmp_path / file).write_text(text, encoding="utf-8")
        picture = read_picture(tmp_path / file, rate)
        assert picture.rate == rate
        starts = {placed.start for track in layout.tracks for placed in track.placed}
        mine = {slot.start for slot in picture.slots}
        assert len(mine) == len(starts)
        for start, found in zip(sorted(starts), sorted(mine), strict=True):
            most = Fraction(1, 10**9) if file == "cut.otio" else Fraction(1, 2) / rate.exact
            assert abs(start - found) <= most
        assert picture.label(0)[:8] == "01:00:00"


def test_markers_with_a_length_and_nested_shots_are_places(tmp_path: Path):
    """A stack in a track, and a marker on the timeline for a line to come."""
    lib = otio.schema
    span = otio.opentime.TimeRange(
        otio.opentime.RationalTime(0, 24), otio.opentime.RationalTime(48, 24)
    )
    inner = lib.Track(kind="Video")
    inner.append(lib.Clip(name="kiln", source_range=span))
    outer = lib.Track(kind="Video")
    outer.append(lib.Clip(name="river", source_range=span))
    stack = lib.Stack(children=[inner])
    outer.append(stack)
    timeline = lib.Timeline(tracks=[outer])
    place = otio.opentime.TimeRange(
        otio.opentime.RationalTime(24, 24), otio.opentime.RationalTime(60, 24)
    )
    timeline.tracks.markers.append(lib.Marker(name="02_kiln", marked_range=place))
    file = tmp_path / "cut.otio"
    otio.adapters.write_to_file(timeline, str(file))
    picture = read_picture(file, RATES["24"])
    found = {(slot.kind, slot.name, slot.start, slot.end) for slot in picture.slots}
    assert found == {
        ("video", "river", 0, 2),
        ("video", "kiln", 2, 4),
        ("marker", "02_kiln", 1, Fraction(7, 2)),
    }
    assert picture.cuts == (0, 2, 4)


BAD = {
    "empty.edl": b"",
    "noise.edl": bytes(range(256)) * 20,
    "label.edl": b"001  AX V C 00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:77\n",
    "empty.otio": b"",
    "list.otio": b"[1, 2, 3]",
    "deep.otio": b'{"OTIO_SCHEMA": "Timeline.1", "tracks": ' + b"[" * 2000 + b"}",
    "clip.otio": b'{"OTIO_SCHEMA": "Clip.1", "name": "x"}',
    "words.srt": b"once upon a time",
    "back.srt": b"1\n00:00:05,000 --> 00:00:02,000\nbackwards\n",
    "head.vtt": b"WEBVTT\n",
    "cut.xml": b"<xml/>",
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_no_picture_is_one_line(tmp_path: Path, name: str, capsys):
    file = tmp_path / name
    file.write_bytes(BAD[name])
    with pytest.raises(SessionError) as error:
        read_picture(file, RATES["25"])
    assert str(error.value).startswith(str(file))
    assert "\n" not in str(error.value)
    assert run(["slots", str(file), str(FOLDER / "01_river_t1.flac")]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_drop_frame_is_told_by_the_list_itself(tmp_path: Path):
    row = "001  AX       V     C        00:00:00;00 00:00:01;00 01:00:00;00 01:00:01;00\n"
    file = tmp_path / "cut.edl"
    file.write_text(f"FCM: DROP FRAME\n{row}", encoding="ascii")
    assert read_picture(file, RATES["29.97"]).rate == RATES["29.97df"]
    with pytest.raises(SessionError, match="ask for --frame-rate 29.97df"):
        read_picture(file, RATES["25"])


def test_the_command_on_the_demo_session(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    """A slot that is too short is told in table, JSON and markers; words come from the captions."""
    monkeypatch.setenv("VOCHECK_CACHE", str(tmp_path / "cache"))
    captions = tmp_path / "captions.vtt"
    captions.write_text(
        "WEBVTT\n\n01_river\n00:00:01.000 --> 00:00:08.500\n"
        "The river came first. Mills, a bridge and one tall brick kiln grew up beside it,\n\n"
        "02_kiln\n00:00:08.500 --> 00:00:12.500\n"
        "Ida Marlow fires her pots twice a year. For three nights she sleeps beside the kiln\n\n"
        "03_hands\n00:00:20.000 --> 00:00:24.000\nPeople ask her about secrets.\n",
        encoding="utf-8",
    )
    takes = [
        shutil.copy(FOLDER / f"{name}.flac", tmp_path) for name in ("01_river_t4", "02_kiln_t3")
    ]
    markers = {suffix: tmp_path / f"found.{suffix}" for suffix in ("vtt", "csv")}
    asked = ["slots", str(captions), *map(str, takes), "-q"]
    assert run([*asked, "--format", "json", "--markers", str(markers["vtt"])]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["found_by"] == "name"
    assert told["without_line"] == ["03_hands at 00:00:20.000"]
    river, kiln = told["lines"]
    assert (river["line"], river["verdict"]) == ("01_river", "keep")
    assert (kiln["line"], kiln["verdict"]) == ("02_kiln", "retake")
    assert kiln["words"] == 16
    assert kiln["words_per_minute_needed"] == pytest.approx(16 * 60 / 4)
    misfits = {misfit["name"] for misfit in kiln["misfits"]}
    assert misfits == {"faster", "pace", "pause_long"}
    cues = list(webvtt.read(str(markers["vtt"])))
    assert len(cues) == 3
    assert cues[0].text.startswith("retake: 02_kiln: ")
    assert run([*asked, "--markers", str(markers["csv"]), "--fail-on", "never"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "too long" in text
    assert "of pause before 03_hands" in text
    assert markers["csv"].read_text().splitlines()[1].startswith("02_kiln,")
