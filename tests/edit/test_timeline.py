"""Timelines, read back by OpenTimelineIO and by its adapter for EDLs of the form CMX 3600."""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import opentimelineio as otio
import pytest
import wavinfo

from tests.audio.test_metadata import IXML, bext
from tests.edit.plans import plan
from tests.material.demo_session import FOLDER, truth
from vocheck.audio.broadcast_wav import mark
from vocheck.cli import run
from vocheck.commands.cutting import FRAME_RATES
from vocheck.edit.layout import Layout, lay_out
from vocheck.edit.plan import LineEdit, plan_ranking
from vocheck.edit.timecode import RATES, FrameRate
from vocheck.errors import VocheckError
from vocheck.policy.every import Policy
from vocheck.report.timeline import reel_names, render_edl, render_otio
from vocheck.takes.rank import rank_takes

EVERY_RATE = pytest.mark.parametrize("rate", RATES.values(), ids=lambda rate: rate.name)


def laid(lines: list[LineEdit], rate: FrameRate = RATES["25"]) -> Layout:
    return lay_out(lines, "a potter", rate, gap_s=1.0, fade_s=0.01)


def read_otio(layout: Layout) -> otio.schema.Timeline:
    return otio.adapters.read_from_string(render_otio(layout, Path.cwd()), "otio_json")


def read_edl(text: str, rate: FrameRate) -> otio.schema.Timeline:
    return otio.adapters.read_from_string(text, "cmx_3600", rate=float(rate.exact))


@EVERY_RATE
@pytest.mark.parametrize("rates_hz", [(48_000,), (44_100, 96_000, 48_000)], ids=["one", "mixed"])
def test_otio_is_exact_to_the_sample(rate: FrameRate, rates_hz: tuple[int, ...]):
    """Every clip stands where the plan has it, and shows what the plan shows."""
    layout = laid(plan(4, rates_hz=rates_hz), rate)
    timeline = read_otio(layout)
    assert [track.name for track in timeline.tracks] == [
        *("comp path", "best take", "alternative 1", "alternative 2"),
    ]
    for track, mine in zip(timeline.tracks, layout.tracks, strict=True):
        clips = track.find_clips()
        assert len(clips) == len(mine.placed)
        for clip, placed in zip(clips, mine.placed, strict=True):
            piece, source = placed.piece, clip.source_range
            assert source.start_time.rate == source.duration.rate == piece.medium.rate_hz
            assert source.start_time.value == piece.first
            assert source.duration.value == piece.length
            at = track.range_of_child(clip).start_time
            # 1e-6 samples: sums of rational times in double precision
            assert at.value / at.rate == pytest.approx(float(placed.start), abs=1e-6 / at.rate)
            assert clip.available_range().contains(source)
            assert clip.available_range().duration.value == piece.medium.frames


@EVERY_RATE
def test_lines_begin_with_a_frame_and_do_not_overlap(rate: FrameRate):
    layout = laid(plan(6), rate)
    assert layout.rate.label(0)[:8] == "00:00:00"
    for track in layout.tracks:
        for before, after in zip(track.placed, track.placed[1:], strict=False):
            if after.join is not None:
                assert after.start == before.end
                continue
            assert after.start - before.end >= 1
            # half a sample of 48 kHz, in frames
            at = after.start * rate.exact
            assert abs(at - round(at)) <= rate.exact / 96_000


def test_a_take_may_begin_anywhere_in_its_recording():
    """Places are told from the start of the take; an editor finds them in the recording."""
    (line,) = plan(1)
    medium = replace(line.best.medium, offset=5 * 48_000)
    assert medium.sample(1.5) == 6.5 * 48_000
    assert (medium.sample(-9.0), medium.sample(99.0)) == (0, medium.frames)
    late = line.others[0]  # in which something was found at 2 s and at 4.75 s
    late = replace(
        late, medium=replace(medium, path=late.medium.path), first=240_000, length=200_000
    )
    timeline = read_otio(laid([replace(line, best=late, path=(), joins=(), others=())]))
    (clip,) = timeline.find_clips()
    assert clip.source_range.start_time.value == 240_000
    assert [m.marked_range.start_time.value for m in clip.markers] == [7 * 48_000]


def test_markers_colors_and_joins():
    """A marker for each place inside the clip; a dissolve and a marker at each join."""
    timeline = read_otio(laid(plan(2)))
    path, best = timeline.tracks[0], timeline.tracks[1]
    (transition,) = (item for item in path if isinstance(item, otio.schema.Transition))
    assert (transition.in_offset.value, transition.out_offset.value) == (240, 240)
    *_, before, after = path.find_clips()
    # that of the clip behind the join, and whatever was found in it
    join = after.markers[0]
    assert join.color == otio.schema.MarkerColor.CYAN
    assert join.comment == "1.6 points: 0.6 for any cut + 1.0 level"
    assert before.name == "02_pot take 1, phrases 1-2"
    assert after.name.endswith(", phrase 3")
    assert [clip.name for clip in best.find_clips()] == ["01_pot take 1", "02_pot take 1"]
    found = [m for track in timeline.tracks for c in track.find_clips() for m in c.markers]
    red = [m for m in found if m.color == otio.schema.MarkerColor.RED]
    assert {marker.name for marker in red} == {"retake: clipping"}
    for track in timeline.tracks:
        for clip in track.find_clips():
            assert all(clip.source_range.contains(m.marked_range.start_time) for m in clip.markers)
    assert before.metadata["vocheck"]["scene"] == "2"
    assert before.metadata["vocheck"]["note"] == "the warm one"


@EVERY_RATE
def test_an_edl_is_read_by_an_outside_reader(rate: FrameRate):
    """Reels, channels, names and frames at every rate; sound within half a frame of its place."""
    layout = laid(plan(4, rates_hz=(48_000, 44_100), midnight=36_000), rate)
    text = render_edl(layout)
    assert text.split("\r\n")[1] == f"FCM: {'DROP FRAME' if rate.drop else 'NON-DROP FRAME'}"
    timeline = read_edl(text, rate)
    assert timeline.name == "a potter"
    assert [track.name for track in timeline.tracks] == ["A1", "A2", "A3", "A4"]
    for track, mine in zip(timeline.tracks, layout.tracks, strict=True):
        frame = float(1 / rate.exact)
        # The adapter keeps the first record timecode here, with the other sign.
        assert -track.source_range.start_time.value == rate.frame("01:00:00:00")
        for clip, placed in zip(track.find_clips(), mine.placed, strict=True):
            at_s = float(rate.seconds(round(track.range_of_child(clip).start_time.value)))
            assert abs(at_s - float(placed.start)) <= frame / 2 + 1e-9
            heard = Fraction(
                placed.piece.first + placed.piece.medium.midnight, placed.piece.medium.rate_hz
            )
            source_s = clip.source_range.start_time.value * frame
            # The sound that belongs to that moment of the timeline.
            assert abs(source_s - float(heard) - (at_s - float(placed.start))) <= frame / 2 + 1e-6
            reel = clip.metadata["cmx_3600"]["reel"]
            assert re.fullmatch("[A-Z0-9]{1,8}", reel)


def test_edits_of_a_path_follow_each_other_without_a_gap_or_a_frame_too_many():
    """The record side of an edit ends where the next begins; both sides are equally long."""
    rate = RATES["29.97df"]
    rows = re.findall(r"^\d{3}  (\w+) +A +C +(\S+) (\S+) (\S+) (\S+)\r?$", render_edl(
        laid(plan(8, seed=3), rate)
    ), re.MULTILINE)  # fmt: skip
    assert len(rows) == 12
    frames = [tuple(map(rate.frame, row[1:])) for row in rows]
    for source_in, source_out, record_in, record_out in frames:
        assert source_out - source_in == record_out - record_in > 0
    joined = sum(a[3] == b[2] for a, b in zip(frames, frames[1:], strict=False))
    assert joined == 4


def test_an_outside_reader_finds_the_markers_of_an_edl():
    rate = RATES["24"]
    layout = laid(plan(2), rate)
    timeline = read_edl(render_edl(layout), rate)
    for track, mine in zip(timeline.tracks, layout.tracks, strict=True):
        for clip, placed in zip(track.find_clips(), mine.placed, strict=True):
            piece = placed.piece
            inside = [
                time
                for finding in piece.take.result.findings
                for time in finding.times_s
                if piece.first <= time * piece.medium.rate_hz < piece.first + piece.length
            ]
            assert len(clip.markers) == len(inside) + (placed.join is not None)
    kinds = {m.color for t in timeline.tracks for c in t.find_clips() for m in c.markers}
    assert kinds == {"RED", "CYAN"}


def test_reels_are_legal_and_each_recording_has_its_own():
    """Letters and digits, 8 at most; none that means something else, and none twice."""
    lines = plan(3)
    names = ["x/black.wav", "y/black.wav", "z/\N{CYRILLIC SMALL LETTER PE}.wav", "z/bars.wav"]
    names += ["z/a very long name of a line_t1.wav", "z/a very long name of a line_t2.wav"]
    pieces = [
        replace(lines[0].best, medium=replace(lines[0].best.medium, path=name)) for name in names
    ]
    line = replace(lines[0], best=pieces[0], others=tuple(pieces[1:]), path=(), joins=())
    reels = reel_names([line])
    assert len(set(reels.values())) == len(names)
    for reel in reels.values():
        assert re.fullmatch("[A-Z0-9]{1,8}", reel)
        assert reel not in ("AX", "BL", "BLACK", "BARS")


def test_an_edl_holds_999_edits():
    lines = 125 * plan(2)
    with pytest.raises(VocheckError, match="an EDL holds 999 at most"):
        render_edl(laid(lines))


def test_takes_keep_the_time_and_the_notes_of_their_recorder(tmp_path: Path):
    """Source timecode from the time reference that wavinfo reads; scene and take from iXML."""
    source = tmp_path / "01_river_t1.wav"
    mark(FOLDER / "01_river_t1.flac", source, [])
    body = bext()
    xml = IXML.format(encoding="utf-8").encode()
    xml = re.sub(rb"<SPEED>.*</SPEED>", b"", xml, flags=re.DOTALL)
    raw = source.read_bytes()
    for name, content in ((b"bext", body), (b"iXML", xml)):
        raw += name + len(content).to_bytes(4, "little") + content + b"\0" * (len(content) % 2)
    source.write_bytes(raw[:4] + (len(raw) - 8).to_bytes(4, "little") + raw[8:])
    reference = wavinfo.WavInfoReader(str(source)).bext.time_reference
    assert reference == 48_000 * 3600
    files = {suffix: tmp_path / f"cut.{suffix}" for suffix in ("otio", "edl")}
    for file in files.values():
        asked = ["--timeline", str(file), "--frame-rate", "30", "-o", str(tmp_path / "r.txt")]
        assert run(["rank", str(source), "-q", "--fail-on", "never", *asked]) == 0
    (clip,) = otio.adapters.read_from_file(str(files["otio"])).find_clips()
    assert clip.available_range().start_time == otio.opentime.RationalTime(reference, 48_000)
    assert clip.media_reference.target_url == "01_river_t1.wav"
    assert clip.metadata["vocheck"]["scene"] == "03A"
    assert clip.metadata["vocheck"]["circled"] is True
    assert list(clip.metadata["vocheck"]["tracks"]) == ["Boom", "Lav"]
    edit = read_edl(files["edl"].read_text(), RATES["30"]).find_clips()[0]
    assert edit.metadata["cmx_3600"]["reel"] == "DAY2"
    into = clip.source_range.start_time.to_seconds()
    assert abs(edit.source_range.start_time.to_seconds() - into) <= 0.5 / 30 + 1e-9


def test_the_words_of_every_take_lie_inside_its_clip():
    """On the demo session, whose words were written down: with a handle, and to the sample."""
    takes = [FOLDER / f"02_kiln_t{number}.flac" for number in (1, 3)]
    for line in plan_ranking(rank_takes(takes, notes={}), Policy().edit.lengths):
        for piece in (line.best, *line.others):
            words = truth()["takes"][Path(piece.medium.path).stem]["words"]
            rate = piece.medium.rate_hz
            assert piece.first < words[0]["start_s"] * rate
            assert piece.first + piece.length > words[-1]["end_s"] * rate
            assert 0 <= piece.first < piece.first + piece.length <= piece.medium.frames


def test_the_command_offers_the_rates_that_there_are():
    assert tuple(RATES) == FRAME_RATES


def test_what_would_do_nothing_or_cannot_be_written_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    """One line each, before anything is measured."""
    for command in ("rank", "comp"):
        assert run([command, str(FOLDER), "--frame-rate", "24"]) == 2
        assert "does nothing without --timeline" in capsys.readouterr().err
        assert run([command, str(FOLDER), "--timeline", str(tmp_path / "cut.xml")]) == 2
        assert "must end in .otio or .edl" in capsys.readouterr().err
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    assert run(["rank", str(FOLDER), "--timeline", str(tmp_path / "cut.otio")]) == 2
    assert "pip install 'vocheck[edit]'" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_names_of_any_kind_stay_on_their_line():
    """A name with line ends and controls makes no rows of its own in an EDL."""
    lines = plan(1)
    evil = replace(lines[0], line="01\r\n002  X A C\x1b[31m \N{LATIN SMALL LETTER E WITH ACUTE}")
    text = render_edl(laid([evil]))
    assert text.isascii()
    assert "\x1b" not in text
    assert len(re.findall(r"^\d{3}  ", text, re.MULTILINE)) == 4
    assert np.all([len(row) < 200 for row in text.split("\r\n")])
