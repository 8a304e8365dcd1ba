"""File names, folders and session notes."""

from __future__ import annotations

from pathlib import Path

import pytest

from vocheck.errors import SessionError
from vocheck.session.lineup import find_recordings, group_takes
from vocheck.session.names import compile_pattern, parse_name
from vocheck.session.notes import Note, read_notes, take_key


@pytest.mark.parametrize(
    ("name", "line", "take"),
    [
        ("02_kiln_t3.wav", "02_kiln", 3),
        ("02_kiln_T03.WAV", "02_kiln", 3),
        ("kiln take 12.wav", "kiln", 12),
        ("kiln-tk2.flac", "kiln", 2),
        ("05 river_take_1.aiff", "05 river", 1),
    ],
)
def test_the_name_tells_line_and_take(name: str, line: str, take: int):
    """The usual ways to name a take are understood."""
    found = parse_name(name, compile_pattern())
    assert found is not None
    assert (found.line, found.take) == (line, take)


@pytest.mark.parametrize("name", ["room_tone.wav", "mix.flac", "slate.wav", "part2.wav"])
def test_a_name_without_a_take_is_no_take(name: str):
    """Room tone and mixes do not join a line."""
    assert parse_name(name, compile_pattern()) is None


def test_a_studio_brings_its_own_pattern():
    """Any regular expression with the group line will do."""
    found = parse_name("T4 - river.wav", compile_pattern(r"T(?P<take>\d+) - (?P<line>.+)"))
    assert found is not None
    assert (found.line, found.take) == ("river", 4)


@pytest.mark.parametrize(("pattern", "message"), [("(", "pattern '\\('"), ("x+", "needs a group")])
def test_a_bad_pattern_is_named(pattern: str, message: str):
    """The message quotes the pattern."""
    with pytest.raises(SessionError, match=message):
        compile_pattern(pattern)


def test_takes_are_grouped_by_line_in_the_order_of_their_numbers():
    """t10 comes after t2; what is no take is set apart."""
    paths = [Path(name) for name in ("a_t10.wav", "b_t1.wav", "a_t2.wav", "room_tone.wav")]
    lines, others, _ = group_takes({path: parse_name(path) for path in paths})
    assert {k: [take for _, take in v] for k, v in lines.items()} == {"a": [2, 10], "b": [1]}
    assert others == [Path("room_tone.wav")]


def test_names_that_say_nothing_are_takes_of_one_line(tmp_path: Path):
    """A folder of good.wav and bad.wav seems to be one line; only the sound can prove it."""
    folder = tmp_path / "potter"
    names = dict.fromkeys((folder / "good.wav", folder / "bad.wav"))
    lines, others, unsure = group_takes(names)
    assert list(lines) == ["potter"] == list(unsure)
    assert others == []


def test_a_folder_is_searched_for_recordings(tmp_path: Path):
    """Only recordings count, at any depth; hidden files do not."""
    for name in ("b_t1.wav", "day 2/a_t1.FLAC", "notes.csv", ".a_t1.wav", ".trash/c_t1.wav"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    found = [path.relative_to(tmp_path).as_posix() for path in find_recordings([tmp_path])]
    assert found == ["b_t1.wav", "day 2/a_t1.FLAC"]


def test_a_folder_without_recordings_is_named(tmp_path: Path):
    """The message says which folder."""
    with pytest.raises(SessionError, match="no recordings in this folder"):
        find_recordings([tmp_path])


def test_notes_are_read_as_a_person_writes_them(tmp_path: Path):
    """Marks, decimal commas, a byte-order mark and suffixes are all understood."""
    file = tmp_path / "notes.csv"
    file.write_text(
        '\ufeffTake,Circled,Rating,Remark\n02_kiln_t3.wav,x,4.5,warm\n02_KILN_t1,,"3,5",\n',
        encoding="utf-8",
    )
    notes = read_notes(file)
    assert notes["02_kiln_t3"] == Note(circled=True, rating=4.5, remark="warm")
    assert notes["02_kiln_t1"] == Note(circled=False, rating=3.5, remark="")


@pytest.mark.parametrize("text", ["name,remark\na,b\n", "take\n\x00\xff"])
def test_notes_that_are_none_are_named(tmp_path: Path, text: str):
    """A spreadsheet of something else is not taken for notes."""
    file = tmp_path / "notes.csv"
    file.write_bytes(text.encode("latin-1"))
    with pytest.raises(SessionError, match="notes"):
        read_notes(file)


def test_a_take_is_found_by_its_name_alone():
    """Folder, suffix and case do not matter; a dot inside a name is kept."""
    assert take_key("/x/02_Kiln_t3.WAV") == "02_kiln_t3" == take_key("02_kiln_t3")
    assert take_key("v1.2_t3") == "v1.2_t3"


def test_no_pattern_hangs_and_letters_are_those_of_any_language():
    """Alternatives of one another cost a backtracking matcher years; a letter may have marks."""
    slow = compile_pattern(r"(?P<line>(a|aa)+)x")
    assert parse_name("a" * 200, slow) is None
    found = parse_name("Töpfer_03.wav", compile_pattern(r"(?P<line>[\w-]+)_(?P<take>\d+)"))
    assert found is not None
    assert (found.line, found.take) == ("Töpfer", 3)
