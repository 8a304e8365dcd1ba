"""No output may change what is read: every command, every option, every way to name a file.

The options are taken from the commands themselves, so that a new one is tried unasked.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np
import pytest
import soundfile

from vocheck.cli import COMMANDS, group, run
from vocheck.commands.guard import Output
from vocheck.media import MEDIA_SUFFIXES
from vocheck.session.names import SUFFIXES

ARGUMENTS = {
    "take": ["s", "--script", "words.txt"],
    "rank": ["s", "--notes", "remarks.csv", "--script", "words.txt"],
    "comp": ["s", "--script", "words.txt"],
    "match": ["s/01_river_t1.wav", "s/01_river_t2.wav"],
    "watch": ["s", "--script", "words.txt", "--until-idle", "0"],
    "passes": ["s/01_river_t1.wav", "--script", "words.txt"],
    "script": ["words.txt", "s"],
    "slots": ["cut.srt", "s", "--script", "words.txt"],
    "room": ["s/01_river_t1.wav", "--calibration", "s/01_river_t2.wav"],
    "mix": ["s/01_river_t1.wav", "--encode", "none", "--stem", "voice=s/stem"],
    "deliver": ["s", "--to", "social", "--out", "packed"],
    "survey": ["s", "-o", "out.jsonl"],
    "targets": [],
    "explain": [],
    "demo": ["s"],
}
"""How each command is called in a folder that `session` has made."""

SERVERS = ("desk",)
"""Commands that run until they are stopped; tests/desk/ says what theirs may change."""

ALONE = {"--make-sweep": []}
"""Options that go with other arguments than their command's usual ones."""

VICTIMS = (
    *("s/01_river_t1.wav", "s/01_river_t2.wav", "s/film.mp4", "s/damaged.wav", "s/notes.csv"),
    *("s/script.txt", "s/vocheck.toml", "far.flac", "film"),
)
SETTINGS = ("s/notes.csv", "s/script.txt", "s/vocheck.toml")
BY_NAME = (*SETTINGS, "s/damaged.wav")
READ = {  # by name, beside what every command refuses
    "remarks.csv": ("rank",),
    "words.txt": ("take", "rank", "comp", "watch", "passes", "script", "slots"),
    "cut.srt": ("slots",),
    "s/stem": ("mix",),
    "lines.txt": (
        "take",
        "rank",
        "comp",
        "match",
        "watch",
        "passes",
        "script",
        "slots",
        "room",
        "mix",
    ),
}


@pytest.fixture
def session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make a folder with takes, a film, notes, scripts and settings, and go there."""
    rng = np.random.default_rng(3)
    folder = tmp_path / "s"
    folder.mkdir()
    for take in (1, 2):
        noise = 0.01 * rng.standard_normal(12_000)
        soundfile.write(folder / f"01_river_t{take}.wav", noise, 48_000, "PCM_16")
    soundfile.write(tmp_path / "far.flac", np.zeros(4800), 48_000)
    (folder / "damaged.wav").write_bytes(bytes(4096))
    (folder / "film.mp4").write_bytes(b"\0\0\0\x18ftypmp42" + bytes(64))
    (tmp_path / "film").write_bytes(b"\x1a\x45\xdf\xa3" + bytes(64))
    (folder / "notes.csv").write_text("take,circled,rating,remark\n01_river_t1,x,4,warm\n")
    (tmp_path / "remarks.csv").write_text("take,circled,rating,remark\n01_river_t2,x,4,warm\n")
    (folder / "script.txt").write_text("01_river: The river came first.\n")
    (tmp_path / "words.txt").write_text("01_river: The river came first.\n")
    (tmp_path / "lines.txt").write_text("01_river: The river came first.\n")
    (tmp_path / "cut.srt").write_text(
        "1\n00:00:01,000 --> 00:00:05,000\nThe river came first.\n", encoding="utf-8"
    )
    (folder / "stem").write_bytes((folder / "01_river_t2.wav").read_bytes())
    (folder / "vocheck.toml").write_text('[session]\nscript = "../lines.txt"\n')
    monkeypatch.chdir(tmp_path)
    return tmp_path


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder, by its name there."""
    return {
        str(file.relative_to(folder)): file.read_bytes()
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    }


def options(name: str) -> Iterator[click.Parameter]:
    command = group.get_command(click.Context(group), name)
    assert command is not None
    yield from command.params


def outputs() -> list[tuple[str, str, tuple[str, ...]]]:
    """Return every command with each of its options that write, and the suffixes it takes."""
    return [
        (name, option.opts[-1], option.type.suffixes)
        for name in ARGUMENTS
        for option in options(name)
        if isinstance(option.type, Output)
    ]


def valued() -> list[tuple[str, str]]:
    """Return every command with each of its options that take a value, whatever it is."""
    return [
        (name, option.opts[-1])
        for name in ARGUMENTS
        for option in options(name)
        if isinstance(option, click.Option) and not option.is_flag and not option.count
    ]


def call(name: str, option: str, value: str) -> list[str]:
    return [name, *ALONE.get(option, ARGUMENTS[name]), option, value]


def found_by(name: str, option: str) -> list[str]:
    """Return which of the files in `BY_NAME` a command finds beside or among what it reads."""
    words = call(name, option, "")
    if "s" in words:
        return list(BY_NAME)
    return list(SETTINGS) if any(word.startswith("s/") for word in words) else []


def read_by(name: str, option: str) -> list[str]:
    """Return what this command reads, beside what every command keeps."""
    if option in ALONE:
        return []
    return [file for file, by in READ.items() if name in by]


OUTPUTS = outputs()
IDS = [f"{name}{option}" for name, option, _ in OUTPUTS]


def refused(capsys: pytest.CaptureFixture[str], arguments: list[str], folder: Path) -> str:
    """Run a command that must be refused by one line and change nothing; return the line."""
    before = contents(folder)
    capsys.readouterr()
    status = run(arguments)
    told = capsys.readouterr()
    assert contents(folder) == before
    assert status == 2
    assert told.out == ""
    (line,) = told.err.splitlines()
    assert line.startswith("vocheck: ")
    return line


def test_every_command_is_tried():
    """The table above names every command, and each kind of output is among the cases."""
    assert {*ARGUMENTS, *SERVERS} == set(COMMANDS)
    assert not [name for name in SERVERS for o in options(name) if isinstance(o.type, Output)]
    assert {option for _, option, _ in OUTPUTS} >= {
        *("--output", "--html", "--pdf", "--stamp", "--markers", "--plot", "--make-sweep"),
    }


@pytest.mark.parametrize(("name", "option"), [case[:2] for case in OUTPUTS], ids=IDS)
def test_what_is_read_is_not_written(session, capsys, name, option):
    """A recording, notes, a script or settings as output: refused, under any name of the file."""
    for victim in (*VICTIMS, *read_by(name, option)):
        for given in (victim, f"./{victim}", f"s/../{victim}", str(session / victim)):
            refused(capsys, call(name, option, given), session)


@pytest.mark.parametrize(("name", "option", "suffixes"), OUTPUTS, ids=IDS)
def test_links_do_not_hide_a_file(session, capsys, name, option, suffixes):
    """A link, a link to a link and a hard link lead to the same bytes, whatever their suffix."""
    suffix = suffixes[0] if suffixes else ".txt"
    for number, victim in enumerate((*VICTIMS, *read_by(name, option))):
        link, second, hard = (session / f"{kind}{number}{suffix}" for kind in ("a", "b", "c"))
        link.symlink_to(session / victim)
        second.symlink_to(link)
        os.link(session / victim, hard)
        # What nothing in a file tells is known where it is read, or by its name.
        told = victim not in BY_NAME or victim in found_by(name, option)
        links = (link, second, hard) if told else (link, second)
        for given in links:
            refused(capsys, call(name, option, given.name), session)
            assert given == hard or given.is_symlink()


@pytest.mark.parametrize(("name", "option"), [case[:2] for case in OUTPUTS], ids=IDS)
def test_another_case_of_a_name(session, capsys, name, option):
    """Where case does not matter the file is the same and kept; where it does, it is another."""
    for victim in ("s/01_river_t1.wav", "s/notes.csv"):
        before = contents(session)
        run(call(name, option, victim.swapcase()))
        after = contents(session)
        assert {file: after[file] for file in before} == before
    capsys.readouterr()


@pytest.mark.parametrize(("name", "option"), valued(), ids=lambda value: str(value))
def test_no_option_at_all_changes_what_is_read(session, capsys, name, option):
    """Also an option that is not declared as an output changes no file that is there."""
    for victim in ("s/01_river_t1.wav", "s/notes.csv", *read_by(name, option)):
        before = contents(session)
        run([*call(name, option, victim)])
        after = contents(session)
        assert {file: after[file] for file in before} == before
    capsys.readouterr()


@pytest.mark.skipif(os.name == "nt", reason="needs a shell that expands globs")
@pytest.mark.parametrize(("name", "option"), [case[:2] for case in OUTPUTS], ids=IDS)
def test_a_glob_that_ends_up_as_an_output(session, name, option):
    """`mix --stamp s/*.wav`: the shell makes the first take the output, the second the input."""
    before = contents(session)
    done = subprocess.run(
        f"{sys.executable} -m vocheck {name} {option} s/*_t?.wav",
        shell=True,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert contents(session) == before
    assert done.returncode == 2
    assert done.stdout == ""


@pytest.mark.parametrize("name", ["take", "rank", "comp", "watch"])
def test_what_a_folder_holds_is_read(session, capsys, name):
    """A take whose head is gone is found in the folder, over a hard link too."""
    os.link(session / "s/damaged.wav", session / "report.txt")
    line = refused(capsys, call(name, "--output", "report.txt"), session)
    assert "is one of the files that are read" in line


def test_two_outputs_in_one_file(session, capsys):
    """The second would replace the first."""
    line = refused(capsys, ["rank", "s", "-o", "out.html", "--html", "s/../out.html"], session)
    assert "is named by --html and by --output" in line


def test_a_log_is_added_only_to_a_log(session, capsys):
    """What is not JSON Lines gets no line, whatever its name."""
    (session / "diary.jsonl").write_text("Monday: the kiln was cold.\n")
    (session / "page.json").write_text('{\n  "schema": 1\n}\n')
    for name in ("diary.jsonl", "page.json"):
        assert "JSON Lines" in refused(capsys, call("watch", "--output", name), session)
    (session / "s" / "vocheck-watch.jsonl").symlink_to(session / "far.flac")
    refused(capsys, ["watch", "s", "--until-idle", "0"], session)


def test_the_demo_keeps_what_is_there(session, capsys):
    """Its ranking is not written through a link to a take."""
    (session / "s" / "ranking.json").symlink_to(session / "far.flac")
    refused(capsys, ["demo", "s"], session)


def test_an_output_of_an_earlier_run_is_replaced_where_it_is_no_recording(session):
    """A report is written again; a stamped copy is a recording now, and has to be deleted."""
    for _ in range(2):
        assert run(["targets", "-o", "targets.txt"]) == 0
    stamped = ["mix", "s/01_river_t1.wav", "--encode", "none", "--stamp", "out.wav"]
    assert run(stamped) in (0, 1)
    assert run(stamped) == 2
    (session / "out.wav").unlink()
    assert run(stamped) in (0, 1)


def test_every_recording_that_is_looked_for_is_kept_by_its_suffix():
    """What a folder is searched for is among what is never replaced."""
    assert SUFFIXES <= MEDIA_SUFFIXES
