"""Notes are written into anybody's table: one cell changes, everything else stays as it stands."""

from __future__ import annotations

import codecs

import pytest

from vocheck.errors import SessionError, VocheckError
from vocheck.files import protecting
from vocheck.session.notebook import FIELDS, Entry, with_entry, write_entry
from vocheck.session.notes import note_of, read_notes

RIVER = {"file": "01_river_t2.wav", "line": "01_river", "take": 2}


def entry(field, value, **of):
    """Return an entry of a take of the river."""
    return Entry(**{**RIVER, **of}, field=field, value=value)


def noted(path):
    """Return what is read of that take."""
    return note_of(read_notes(path), "01_river_t2.wav", "01_river", 2)


@pytest.mark.quick
def test_the_first_note_makes_the_table(tmp_path):
    """Each field is read again as it was written."""
    file = tmp_path / "notes.csv"
    for field, value in zip(FIELDS, ("x", "4.5", 'warm, "near"'), strict=True):
        write_entry(file, entry(field, value))
    note = noted(file)
    assert (note.circled, note.rating, note.remark) == (True, 4.5, 'warm, "near"')
    assert file.read_text().count("\n") == 2


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (
            "take,remark\n01_river_t2,old\nother,keep\n",
            "take,remark\n01_river_t2,new\nother,keep\n",
        ),
        # a supervisor's table: title, other columns, semicolons, no last line end
        (
            "Day 3;;\r\nScene;Take;Lens;Notes\r\n01_river;2;35;old\r\n01_river;3;50;",
            "Day 3;;\r\nScene;Take;Lens;Notes\r\n01_river;2;35;new\r\n01_river;3;50;\r\n",
        ),
        # quotes that a writer need not have set stay in rows that are not changed
        ('"take","remark"\n"a","b"\n', '"take","remark"\n"a","b"\n01_river_t2,new\n'),
        # no column for remarks yet
        ("file\n01_river_t2.flac\n", "file,remark\n01_river_t2.flac,new\n"),
        # of two rows on one take, the last one counts
        (
            "file,remark\n01_river_t2.wav,a\n01_river_t2.wav,b\n",
            "file,remark\n01_river_t2.wav,a\n01_river_t2.wav,new\n",
        ),
        # a row of more than one line before it
        ('file,remark\nx,"a\nb"\n', 'file,remark\nx,"a\nb"\n01_river_t2.wav,new\n'),
        ("line\ttake\tnote\n02\t1\tz\n", "line\ttake\tnote\n02\t1\tz\n01_river\t2\tnew\n"),
    ],
)
def test_one_cell_changes_and_the_rest_stays(before, after):
    """Character by character, whatever the shape of the table."""
    assert with_entry(before, entry("remark", "new"), "notes.csv") == after


@pytest.mark.parametrize(
    ("encoding", "mark"), [("utf-8-sig", codecs.BOM_UTF8), ("utf-16", b""), ("cp1252", b"")]
)
def test_a_table_in_another_encoding_is_still_read(tmp_path, encoding, mark):
    """It is written as UTF-8 with a mark, which spreadsheets and vocheck read."""
    file = tmp_path / "notes.csv"
    file.write_bytes("Dateiname,Bemerkung\nfluß.wav,schön\n".encode(encoding))
    assert file.read_bytes().startswith(mark)
    write_entry(file, entry("remark", "neu ☕"))
    assert file.read_bytes().startswith(codecs.BOM_UTF8)
    assert read_notes(file)["fluß"].remark == "schön"
    assert noted(file).remark == "neu ☕"


@pytest.mark.parametrize("remark", ["=1+1", "-6 dB", "+", "@home", "'quoted'", " "])
def test_a_remark_is_no_formula(tmp_path, remark):
    """What a spreadsheet would calculate is marked as text, and read as it was written."""
    file = tmp_path / "notes.csv"
    write_entry(file, entry("remark", remark))
    assert not any(cell.startswith(("=", "-", "+", "@")) for cell in file.read_text().split(","))
    assert noted(file).remark == remark.strip()


def test_what_cannot_be_understood_is_not_written_over(tmp_path):
    """No known header, or no text: one line says so, and the file stays."""
    file = tmp_path / "notes.csv"
    for content in (b"a,b\n1,2\n", bytes(range(256)) * 10):
        file.write_bytes(content)
        with pytest.raises(SessionError, match=r"notes\.csv"):
            write_entry(file, entry("remark", "new"))
        assert file.read_bytes() == content


def test_only_notes_can_be_written_so(tmp_path):
    """A recording is never replaced by notes, also where a link leads to it."""
    sound = tmp_path / "take.wav"
    sound.write_bytes(b"RIFF\0\0\0\0WAVEfmt ")
    (tmp_path / "notes.csv").symlink_to(sound)
    with pytest.raises((SessionError, VocheckError)):
        write_entry(tmp_path / "notes.csv", entry("remark", "new"))
    assert sound.read_bytes() == b"RIFF\0\0\0\0WAVEfmt "


def test_notes_are_saved_though_a_command_protects_them(tmp_path):
    """They are among the files that are read, and changed because somebody asked for just that."""
    with protecting([tmp_path]):
        write_entry(tmp_path / "notes.csv", entry("circled", "x"))
        write_entry(tmp_path / "notes.csv", entry("circled", ""))
    assert noted(tmp_path / "notes.csv").circled is False
