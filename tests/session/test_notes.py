"""Session notes as spreadsheets and script supervisors write them, and what a recorder writes.

Delimiters, encodings and headers are common practice (no source); Windows-1252 is what spreadsheets
of Windows write, UTF-16 what they call "Unicode text".
"""

from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from vocheck.errors import SessionError
from vocheck.session.lineup import open_session
from vocheck.session.notes import note_of, parse_notes, read_notes

ROWS = (("File name", "Scene", "Take", "Circled", "Rating", "Notes"),) + (
    ("kiln_t1.wav", "kiln", "1", "", "**", "café, gut"),
    ("kiln_t2.wav", "kiln", "2", "yes", "***", "“this one”"),
)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_any_delimiter_and_encoding(tmp_path: Path, delimiter: str, encoding: str):
    """The same notes are read from each."""
    text = "".join(delimiter.join(f'"{cell}"' for cell in row) + "\r\n" for row in ROWS)
    file = tmp_path / "notes.csv"
    file.write_bytes(text.encode(encoding))
    notes, problems = parse_notes(file)
    assert problems == ()
    first, second = notes["kiln_t1"], notes["kiln_t2"]
    assert (first.circled, first.rating, first.remark) == (False, 2.0, "café, gut")
    assert (second.circled, second.rating, second.remark) == (True, 3.0, "“this one”")
    assert (second.line, second.take) == ("kiln", 2)


@pytest.mark.parametrize(
    "head",
    [
        "Filename,Circle,Stars,Comment",
        "Clip Name;Selected;Score;Remarks",
        "Dateiname\tPick\tBewertung\tBemerkung",
        "take,circled,rating,remark",
    ],
)
def test_usual_headers(tmp_path: Path, head: str):
    """The usual names of columns are known, in any order and case."""
    delimiter = next(sign for sign in ",;\t" if sign in head)
    file = tmp_path / "notes.csv"
    file.write_text(f"{head}\n{delimiter.join(('kiln_t1.wav', 'x', '4/5', 'warm'))}\n")
    note = read_notes(file)["kiln_t1"]
    assert (note.circled, note.rating, note.remark) == (True, 4.0, "warm")


def test_a_row_may_name_scene_and_take_instead_of_a_file(tmp_path: Path):
    """A supervisor does not know what the recorder calls the file."""
    file = tmp_path / "notes.csv"
    file.write_text("Session of 4 May\n\nScene;Take;Circled\n02 Kiln;3;X\n")
    notes = read_notes(file)
    note = note_of(notes, tmp_path / "02_kiln_t3.wav", "02_kiln", 3)
    assert note is not None
    assert note.circled
    assert note_of(notes, tmp_path / "02_kiln_t4.wav", "02_kiln", 4) is None


def test_a_bad_row_is_told_and_the_rest_is_used(tmp_path: Path):
    """No number as a rating, no take, and a cell beyond what a reader takes."""
    file = tmp_path / "notes.csv"
    long = "x" * 140_000
    file.write_text(
        f"File name,Rating,Notes\na_t1,nan,warm\n,3,whose?\na_t2,inf,\nb_t1,4,{long}\na_t3,5,good\n"
    )
    notes, problems = parse_notes(file)
    assert (notes["a_t1"].rating, notes["a_t1"].remark) == (None, "warm")
    assert notes["a_t3"].rating == 5.0
    assert [problem.split(": ", 1)[1].split(":")[0] for problem in problems] == [
        *("row 2", "row 3", "row 4", "row 5"),
    ]


def test_notes_of_two_days_are_of_the_files_beside_them(tmp_path: Path):
    """Circled on day 1 is not circled on day 2."""
    for day, circled in (("day 1", "x"), ("day 2", "")):
        (tmp_path / day).mkdir()
        (tmp_path / day / "kiln_t1.wav").touch()
        (tmp_path / day / "notes.csv").write_text(f"take,circled\nkiln_t1,{circled}\n")
    session = open_session([tmp_path])
    found = [session.notes[str(path)].circled for path in session.paths]
    assert found == [True, False]
    assert session.unsure == {"kiln"}


def test_notes_say_which_line_a_recorder_s_file_is(tmp_path: Path):
    """A name that says nothing is a take by the table; what the table lacks is left out."""
    for number in (1, 2, 3):
        (tmp_path / f"260504_{number:03}.wav").touch()
    table = "File name,Scene,Take\n260504_001.wav,kiln,1\n260504_002.wav,river,1\n"
    (tmp_path / "notes.csv").write_text(table)
    session = open_session([tmp_path])
    assert list(session.lines) == ["kiln", "river"]
    assert [path.name for path in session.left_out] == ["260504_003.wav"]


def with_ixml(file: Path, **elements: str) -> Path:
    """Write a WAV file that carries an iXML chunk (iXML specification 3.01, from memory)."""
    file.parent.mkdir(exist_ok=True)
    soundfile.write(file, np.zeros(480), 48_000, subtype="PCM_16")
    inside = "".join(f"<{name}>{text}</{name}>" for name, text in elements.items())
    xml = f"<?xml version='1.0' encoding='UTF-8'?><BWFXML>{inside}</BWFXML>".encode()
    xml += b" " * (len(xml) % 2)
    raw = file.read_bytes() + b"iXML" + struct.pack("<I", len(xml)) + xml
    file.write_bytes(raw[:4] + struct.pack("<I", len(raw) - 8) + raw[8:])
    return file


def test_what_a_recorder_wrote_counts_like_notes(tmp_path: Path):
    """Scene, take, circled and note come from the file."""
    with_ixml(tmp_path / "260504_001.wav", SCENE="kiln", TAKE="1", CIRCLED="TRUE", NOTE="warm")
    with_ixml(tmp_path / "260504_002.wav", SCENE="kiln", TAKE="2", CIRCLED="FALSE")
    session = open_session([tmp_path])
    assert [(line, [n for _, n in takes]) for line, takes in session.lines.items()] == [
        ("kiln", [1, 2])
    ]
    assert not session.unsure
    note = session.notes[str(tmp_path / "260504_001.wav")]
    assert (note.circled, note.remark) == (True, "warm")


def test_what_contradicts_is_told_and_the_order_is_notes_recorder_name(tmp_path: Path):
    """The notes count before the recorder, the recorder before the name."""
    with_ixml(tmp_path / "kiln_t1.wav", SCENE="river", TAKE="2", CIRCLED="TRUE")
    with_ixml(tmp_path / "bowl_t1.wav", SCENE="hands", TAKE="1")
    (tmp_path / "notes.csv").write_text("file,scene,take,circled\nkiln_t1.wav,wheel,3,\n")
    session = open_session([tmp_path])
    assert {line: takes[0][1] for line, takes in session.lines.items()} == {"hands": 1, "wheel": 3}
    assert not session.notes[str(tmp_path / "kiln_t1.wav")].circled
    told = "\n".join(session.problems)
    assert "the recorder wrote scene river, take 2" in told
    assert "the recorder circled it, the notes do not" in told
    assert "bowl_t1.wav: the name says line bowl, take 1" in told


def test_a_recorder_s_own_counter_is_no_scene(tmp_path: Path):
    """A date as the scene is what the recorder writes by itself."""
    with_ixml(tmp_path / "kiln_t1.wav", SCENE="260504", TAKE="1")
    session = open_session([tmp_path])
    assert list(session.lines) == ["kiln"]
    assert session.problems == ()


def test_what_is_no_notes_is_told(tmp_path: Path):
    """A table of something else, and a file that is no text."""
    file = tmp_path / "notes.csv"
    for content in (b"name,remark\na,b\n", b"take\n\x00\xff", b""):
        file.write_bytes(content)
        with pytest.raises(SessionError, match="notes"):
            read_notes(file)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="Windows has no such pipes")
def test_a_pipe_named_like_a_take_does_not_hold_up_the_session(tmp_path: Path):
    """Nobody writes into it: to open it would wait for ever."""
    os.mkfifo(tmp_path / "kiln_t1.wav")
    assert list(open_session([tmp_path]).lines) == ["kiln"]
