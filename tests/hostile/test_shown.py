"""Names, remarks and scripts are text of others: shown whole, and never obeyed."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
import unicodedata
from dataclasses import replace
from functools import cache
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules
from types import FunctionType

import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

import vocheck.report.text
from vocheck.cli import run
from vocheck.plain import ENCODE_ERRORS, plain, plain_json, plain_lines, plainly, shown_plainly
from vocheck.report.csv import render_csv
from vocheck.report.json import render_json, render_json_line
from vocheck.report.markers import render_vtt
from vocheck.report.text.rank import render_ranking
from vocheck.report.text.take import render_take
from vocheck.session.take import TakeResult, check_take
from vocheck.takes.rank import Ranking, rank_takes

SESSION = Path(__file__).parents[2] / "fixtures" / "session"
JOINERS = "\u200c\u200d"  # Persian, Indic scripts and emoji are not readable without
VISIBLE = re.compile(
    "[\u0600-\u0605\u06dd\u070f\u0890\u0891\u08e2\U000110bd\U000110cd\U00013430-\U0001343f]"
)  # of category Cf, but signs that are seen
SGR = re.compile(r"\x1b\[[0-9;]*m")
ATTACKS = (
    "\x1b]52;c;cm0gLXJm\x07",  # puts text on the clipboard (ECMA-48 OSC; number from memory)
    "\x1b[2J\x1b[H",  # clears the screen (ECMA-48: ED, CUP)
    "\x1b[8m",  # hides what follows (ECMA-48: SGR 8)
    "\x9b2J",  # the same with the control of one character
    "\nKEEP      forged.wav",
    "\rKEEP",
    "\u202evaw.1t\u2066",  # turns the direction of reading (Unicode Annex 9)
    "\u2028KEEP",
    "$\\frac{1}{2}$ $x",
    "=cmd|' /C calc'!A0",
    "<script>alert(1)</script>",
    "\udcff\udcfe",  # bytes that are no UTF-8, as Python holds them (PEP 383)
)

hostile = st.one_of(
    st.text(st.characters(), max_size=30),
    st.lists(st.sampled_from([*ATTACKS, "a", " ", "-"]), max_size=4).map("".join),
)


def is_harmless(text: str, lines: bool = False) -> bool:
    """Whether nothing in a text moves a terminal; with `lines`, lines, tabs and colors may."""
    if lines:
        text = SGR.sub("", text).replace("\n", "").replace("\t", "")
    return not any(
        unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp")
        or (unicodedata.category(c) == "Cf" and c not in JOINERS and not VISIBLE.match(c))
        for c in text
    )


def test_every_character_that_could_act_is_written_out():
    """All of Unicode, one character at a time, by its general category."""
    for code in range(sys.maxunicode + 1):
        assert is_harmless(plain(chr(code))), hex(code)
        if unicodedata.category(chr(code))[0] in "LMNPS" or code == 0x20:
            assert plain(chr(code)) == chr(code)


@given(hostile)
def test_plain_text_is_one_harmless_line(text):
    """Also what is plain already stays as it is."""
    shown = plain(text)
    assert is_harmless(shown)
    assert plain(shown) == shown
    shown.encode("utf-8")
    assert is_harmless(plain_lines(text), lines=True)


@given(hostile, st.sampled_from(["ascii", "cp1252", "cp437", "latin-1", "utf-8", "shift_jis"]))
def test_any_encoding_takes_any_text(text, encoding):
    """What an encoding lacks becomes something it has."""
    assert text.encode(encoding, ENCODE_ERRORS) is not None
    assert "–“KEEP”…".encode("ascii", ENCODE_ERRORS) == b'-"KEEP"...'


@given(hostile)
def test_json_is_strict_and_says_the_same(text):
    """Read back it is the same text, but for bytes that are no UTF-8."""
    written = plain_json(json.dumps({"path": text}, ensure_ascii=False))
    assert is_harmless(written)
    read = json.loads(written.encode("utf-8"))["path"]
    assert read == re.sub("[\ud800-\udfff]", lambda c: plain(c[0]), text)


@cache
def take() -> TakeResult:
    return check_take(SESSION / "01_river_t2.flac")


@cache
def ranking() -> Ranking:
    return rank_takes([SESSION / "01_river_t2.flac", SESSION / "01_river_t3.flac"])


def named(result: TakeResult, name: str) -> TakeResult:
    findings = tuple(replace(f, reason=name, words=(name,)) for f in result.findings)
    return replace(result, path=name, line=name, findings=findings)


@settings(max_examples=60, deadline=None)
@given(hostile)
def test_no_report_obeys_a_name(name):
    """The verdict, the ranking, CSV, JSON and cues, with the name wherever one can stand."""
    result = named(take(), name)
    text = render_take(result)
    assert is_harmless(text, lines=True)
    assert text.count("\n") == render_take(plainly(result)).count("\n")
    for output in (render_json(result), render_json_line(result)):
        assert json.loads(output.encode("utf-8"))["line"] is not None
    (line,) = render_json_line(result).splitlines()
    rows = list(csv.reader(io.StringIO(render_csv([result]))))
    assert len(rows) == 2
    assert all(
        is_harmless(cell) and not cell.startswith(tuple("=+-@")) or is_number(cell)
        for cell in rows[1]
    )
    assert is_harmless(render_vtt(result), lines=True)
    lines = tuple(
        replace(
            line,
            line=name,
            order=tuple(replace(t, result=named(t.result, name)) for t in line.order),
        )
        for line in ranking().lines
    )
    assert is_harmless(render_ranking(replace(ranking(), lines=lines)), lines=True)


def is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


@settings(max_examples=40, deadline=None)
@given(hostile.filter(lambda text: "\0" not in text))
def test_an_error_is_one_harmless_line(name):
    """A name that leads to nothing, as an argument of a command and as an option's value."""
    for arguments in (["take", name], ["targets", name], ["explain", name], ["take", "--to", name]):
        out, err = io.TextIOWrapper(io.BytesIO(), "utf-8"), io.TextIOWrapper(io.BytesIO(), "utf-8")
        saved, (sys.stdout, sys.stderr) = (sys.stdout, sys.stderr), (out, err)
        try:
            run(arguments)
        finally:
            sys.stdout, sys.stderr = saved
        for stream in (out, err):
            stream.flush()
            assert is_harmless(stream.buffer.getvalue().decode("utf-8"), lines=True)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Make a session whose names and remarks are attacks."""
    folder = tmp_path_factory.mktemp("s")
    voice, rate = soundfile.read(SESSION / "01_river_t4.flac")
    for name in ("\x1b]52;c;x\x07_t1.wav", "$x$ \udcff_t4.wav", "\nKEEP_t5.wav"):
        with open(os.fsencode(folder / name), "wb") as file:
            soundfile.write(file, voice[: 2 * rate], rate, format="WAV")
    with open(os.fsencode(folder / "\x1b[2J\udcfe_t6.wav"), "wb") as file:
        file.write(b"no audio")
    (folder / "notes.csv").write_text(
        "take,circled,remark\n$x$ \\xff_t4,x,\x1b]52;c;x\x07\n", encoding="utf-8"
    )
    return folder


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be on such a disk")
@pytest.mark.parametrize(
    ("encoding", "arguments"),
    [
        *((encoding, ["take"]) for encoding in ("utf-8", "cp437", "cp1252", "ascii")),
        ("utf-8", ["take", "--format", "csv", "-o", "{out}.csv"]),
        ("cp437", ["rank", "--html", "{out}.html", "--pdf", "{out}.pdf"]),
        ("cp1252", ["comp", "--html", "{out}.html"]),
        ("cp437", ["mix", "--encode", "none", "--html", "{out}.html", "--pdf", "{out}.pdf"]),
        ("cp437", ["watch", "--until-idle", "0.4", "--every", "0.05", "-o", "{out}.jsonl"]),
    ],
)
def test_a_hostile_session_on_any_terminal(folder, tmp_path, arguments, encoding):
    """No command fails on it, and nothing but text in the terminal's encoding reaches it."""
    takes = [folder] if arguments[0] != "mix" else sorted(folder.glob("*_t[1-5].wav"))
    arguments = [word.format(out=tmp_path / "out") for word in arguments]
    done = subprocess.run(
        [sys.executable, "-m", "vocheck", arguments[0], *map(os.fsencode, takes), *arguments[1:]],
        capture_output=True,
        timeout=300,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"},
    )
    codec = "utf-8" if encoding == "ascii" else encoding  # which click takes for a mistake
    for told in (done.stdout, done.stderr):
        assert is_harmless(told.decode(codec), lines=True)
        assert b"internal error" not in told
    assert done.returncode in (0, 1, 2)
    assert b"\nKEEP_t5" not in done.stdout
    for file in tmp_path.iterdir():
        content = file.read_bytes()
        assert content
        if file.suffix != ".pdf":
            assert is_harmless(content.decode("utf-8"), lines=True)
        if file.suffix == ".jsonl":
            assert all(json.loads(line) for line in content.splitlines())


RENDERERS = [
    pytest.param(value, id=f"{module.name}.{name}")
    for module in iter_modules(vocheck.report.text.__path__)
    for name, value in vars(import_module(f"vocheck.report.text.{module.name}")).items()
    if name.startswith("render_") and isinstance(value, FunctionType)
]


@pytest.mark.parametrize("render", RENDERERS)
def test_every_text_report_shows_plainly(render: FunctionType):
    """A renderer that was added without `shown_plainly` is noticed before a name obeys it."""
    assert render.__code__ is shown_plainly(str).__code__
