"""A studio's vocheck.toml with a mistake in it: one clear line that names the key, status 2."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from vocheck.cli import run

DEEP = "[" * 20_000
RULE = (
    "[limits.mine]\nmeasurement = 'noise.snr_db'\nsense = 'below'\nsource = 's'\n"
    "status = 'our choice'\nnow = 'n'\nlater = 'l'\nmessage = 'm'\nnote = 1\n"
)
MALFORMED = {
    # no TOML at all
    "a value is missing": ("[limits.hum]\nnote =\n", r"not valid TOML: .*line 2"),
    "a quote is open": ("[session]\npattern = 'x\n", "not valid TOML: "),
    "one key twice": ("[limits.hum]\nnote = 1\nnote = 2\n", r"not valid TOML: .*line 3"),
    "one table twice": ("[session]\n[session]\n", r"not valid TOML: .*line 2"),
    "brackets without end": (f"x = {DEEP}\n", "nested too deeply"),
    "a number of 5000 digits": (f"[limits.hum]\nnote = {'9' * 5000}\n", "not valid TOML: .*digits"),
    "not UTF-8": (b"[limits.hum]\n# \xff\n", r"not UTF-8 \(at line 2\)"),
    # tables
    "a table misspelt": ("[limit.hum]\nnote = 1\n", r"unknown table \[limit\].*'limits'"),
    "a table of no kind": ("[colors]\n", r"unknown table \[colors\].*known are limits"),
    "a bare key on top": ("note = 3\n", r"unknown table \[note\]"),
    "session is a number": ("session = 3\n", r"\[session\] must be a table, not 3"),
    "limits is a number": ("limits = 3\n", r"\[limits\] must be a table, not 3"),
    "destinations is a list": ("destinations = []\n", r"\[destinations\] must be a table, not a l"),
    "a limit is a number": ("[limits]\nhum = 3\n", r"\[limits.hum\] must be a table, not 3"),
    "a list of tables": ("[[limits]]\nnote = 1\n", r"\[limits\] must be a table, not a list"),
    "a limit misspelt": ("[limits.humm]\nnote = 1\n", r"\[limits.humm\].*did you mean 'hum'"),
    "a rule of the room": ("[limits.room_live]\nnote = 1\n", r"under \[room.room_live\]"),
    "a rule of a take": ("[room.hum]\nnote = 1\n", r"under \[limits.hum\]"),
    "a line break in a name": ('[limits."a\\nb"]\nnote = 1\n', r"\[limits.'a\\nb'\]"),
    # keys and types of a limit
    "a key misspelt": ("[limits.hum]\nfixabel = 1\n", "unknown key 'fixabel'.*'fixable'"),
    "a key of no kind": ("[limits.hum]\nzzz = 1\n", "unknown key 'zzz'; known are"),
    "a threshold is a text": ("[limits.hum]\nfixable = 'abc'\n", "fixable must be a number, not"),
    "a threshold is true": ("[limits.hum]\nfixable = true\n", "fixable must be a number, not true"),
    "a threshold is a list": ("[limits.hum]\nfixable = [1]\n", "fixable must be a number.*not a"),
    "a threshold is a date": ("[limits.hum]\nnote = 2026-01-01\n", "note must be a number.*2026"),
    "a threshold is nan": ("[limits.hum]\nnote = nan\n", "note must be a number.*finite"),
    "a threshold is inf": ("[limits.hum]\nnote = -inf\n", "note must be a number.*finite"),
    "a threshold of 400 digits": (f"[limits.hum]\nnote = {'9' * 400}\n", "note must be"),
    "a threshold is a table": ("[limits.hum]\nnote = {valeu = 1}\n", "note: unknown key 'valeu'"),
    "its status": ("[limits.hum]\nstatus = 'mine'\n", "status must be one of published standard"),
    "its source": ("[limits.hum]\nsource = 3\n", "source must be a text, not 3"),
    "its sense": ("[limits.hum]\nsense = 'over'\n", "sense must be one of above, below"),
    "a sense that does not fit": ("[limits.start_cut]\nsense = 'above'\n", "sense must be 'is'"),
    "true is wanted": ("[limits.start_cut]\nretake = 1\n", "retake must be true or false, not 1"),
    "only_if is a number": ("[limits.hum]\nonly_if = 3\n", "only_if must be a table, not 3"),
    "only_if has no test": ("[limits.hum]\nonly_if = {'noise.snr_db' = 3}\n", "only_if must be"),
    "only_if tests what is not": (
        "[limits.hum]\nonly_if = {'noise.snr_bd' = {above = 3.0}}\n",
        "only_if: there is no measurement 'noise.snr_bd'; did you mean 'snr_db'",
    ),
    "replaces a misspelt limit": ("[limits.hum]\nreplaces = ['tome']\n", "replaces: .*'tone'"),
    "replaces is a text": ("[limits.hum]\nreplaces = 'tone'\n", "replaces must be a list"),
    # facts and texts
    "a fact misspelt": (
        "[limits.hum]\nmeasurement = 'hum.level_re_speach_db'\n",
        "measurement: there is no measurement .*did you mean 'level_re_speech_db'",
    ),
    "a field of an event misspelt": (
        "[limits.plosive]\nmeasurement = 'plosives.events[].level'\n",
        r"there is no measurement 'plosives.events\[\].level'",
    ),
    "events of what is no list": (
        "[limits.hum]\nmeasurement = 'hum.level_dbfs[].x'\n", "is no list of events"
    ),
    "a whole group": ("[limits.hum]\nmeasurement = 'hum'\n", "'hum' is a group of facts"),
    "times of what is no list": ("[limits.hum]\ntimes = 'hum.mains_hz'\n", "times: .*no list"),
    "a field of a text": (
        "[limits.hum]\nmessage = 'at {valeu}'\n", r"message: unknown field \{valeu\}.*'value'"
    ),
    "a fact in a text": (
        "[limits.hum]\nnow = '{m.hum.mains}'\n", r"now: \{m.hum.mains\}: .*'mains_hz'"
    ),
    "a format in a text": ("[limits.hum]\nlater = '{value:.0q}'\n", "later: .*no format"),
    "a format of a million": ("[limits.hum]\nlater = '{value:999999999}'\n", "later: .*no format"),
    "a word for two": ("[limits.hum]\nmessage = '{cuont?a|b}'\n", r"unknown field \{cuont\?"),
    "a brace left open": ("[limits.hum]\nmessage = '{value'\n", "message: .*brace"),
    "a private attribute": ("[limits.hum]\nmessage = '{m.__class__}'\n", "message: "),
    "a new limit without a source": (RULE.replace("source = 's'\n", ""), "source is missing"),
    "a new limit without a number": (RULE.replace("note = 1\n", ""), "needs one of note, fixable"),
    # words, rooms
    "a kind of word": ("[words.mising]\npoints = 1\n", r"\[words.mising\].*'missing'"),
    "points are a text": ("[words.missing]\npoints = 'many'\n", "points must be a number"),
    "a limit of the room": ("[room.room_life]\nnote = 1\n", "did you mean 'room_live'"),
    # session
    "pattern misspelt": ("[session]\npatern = 'x'\n", "unknown key 'patern'.*'pattern'"),
    "pattern is a number": ("[session]\npattern = 3\n", "pattern must be a text, not 3"),
    "pattern is broken": ("[session]\npattern = '('\n", "pattern: missing"),
    "pattern without a line": ("[session]\npattern = 'x'\n", r"pattern: needs a group \(\?P<line>"),
    "pattern looks ahead": ("[session]\npattern = '(?P<line>(?!x).+)'\n", "pattern: .*look-around"),
    "pattern takes all memory": (
        "[session]\npattern = '(?P<line>((a{1000}){1000}){1000})'\n", "pattern: "
    ),
    "script is a list": ("[session]\nscript = ['a']\n", "script must be a text, not a list"),
    # destinations
    "a rule of a destination": (
        "[destinations.social.rules.integrated_luffs]\ntarget = -16.0\n", "'integrated_lufs'"
    ),
    "a number of a destination": (
        "[destinations.social.rules.level_dbtp]\nmaximum = 'x'\n", "maximum must be a number"
    ),
    "a rule is a number": ("[destinations.social]\nrules = 3\n", "rules must be a table, not 3"),
    "a note is a number": ("[destinations.social]\nnote = 3\n", "note must be a text, not 3"),
    "our choice of nothing": (
        "[destinations.social.rules.integrated_lufs]\nour_choice = ['maximun']\n", "our_choice"
    ),
    "our choice is a number": (
        "[destinations.social.rules.integrated_lufs]\nour_choice = 3\n", "our_choice must be a list"
    ),
    "like a list": ("[destinations.mine]\nlike = []\n", "like must be a text, not a list"),
    # tolerances, drift, positions, costs, paces
    "a tolerance of no kind": ("[match.nois]\nwithin = 1\n", r"\[match.nois\].*'noise'"),
    "a tolerance below 0": ("[match.noise]\nwithin = -1\n", "within must be 0 or more, not -1"),
    "far nearer than near": ("[match.noise]\nwithin = 20\n", "far must not be less than within"),
    "a text of a tolerance": ("[match.level]\nhigher = '{dif}'\n", r"higher: .*\{dif\}"),
    "drift of no kind": ("[drift.levle]\nbeyond = 1\n", "'level'"),
    "drift in no sense": ("[drift.level]\nsense = 'below'\n", "sense must be one of above, either"),
    "headroom": ("[headroom]\nrise_db = 1\n", r"\[headroom.rise_db\] must be a table, not 1"),
    "a step of nothing": ("[ranking.hum]\nstep = 0\n", "step must be more than 0"),
    "a negative weight": ("[ranking.hum]\nweight = -1.0\n", "weight must be 0 or more"),
    "a cost of a text": ("[ranking.hum]\nmeasurement = 'format.x'\n", "no measurement 'format.x'"),
    "free of no limit": ("[ranking.noise_reduction]\nfree = 'x'\n", "free must be a number"),
    "undecided is a text": ("[ranking]\nundecided = 'x'\n", r"\[ranking\]: undecided must"),
    "undecided misspelt": ("[ranking]\nundecidet = 1\n", "'undecidet'.*'undecided'"),
    "a join of no kind": ("[comp.cuts]\npoints = 1\n", "'cut'"),
    "per nothing": ("[comp.level]\nper = 0\n", "per must be more than 0"),
    "no ratio": ("[positions.room]\nbeyond = 0.8\n", "beyond must be more than 1"),
    "low over high": ("[compare.booth]\nlow_s = 9\n", "needs low_s and high_s, the lower first"),
    "no pace": ("[pace.usual]\nwords_per_minute = 0\n", "words_per_minute must be more than 0"),
    "like what": ("[destinations.mine]\nlike = 'socail'\n", "like"),
}  # fmt: skip


@pytest.mark.parametrize("case", MALFORMED)
@pytest.mark.parametrize("command", [("explain", "hum")])
def test_a_mistake_is_one_line_that_names_the_key(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    case: str,
    command: tuple[str, ...],
):
    """The line names file and key; no traceback, no internal error; status 2."""
    text, wanted = MALFORMED[case]
    file = tmp_path / "vocheck.toml"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    monkeypatch.chdir(tmp_path)
    assert run(list(command)) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(f"vocheck: {file}: ")
    assert "internal error" not in line
    assert len(line) < 400 + len(str(file))
    assert re.search(wanted, line), line


@pytest.mark.parametrize(
    "command",
    [
        "take a.wav",
        "rank .",
        "comp .",
        "match a.wav a.wav",
        "mix a.wav",
        "room a.wav",
        "script script.txt",
        "targets",
        "explain",
    ],
)
def test_every_command_tells_a_mistake(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], command
):
    """Whichever command finds the file says the same, before it measures anything."""
    (tmp_path / "vocheck.toml").write_text("[drift.level]\nbeyond = 'x'\n", encoding="utf-8")
    (tmp_path / "script.txt").write_text("01_river: The river bends.\n", encoding="utf-8")
    soundfile.write(tmp_path / "a.wav", 0.1 * np.sin(np.arange(48_000) / 10.0), 48_000)
    monkeypatch.chdir(tmp_path)
    assert run(command.split()) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.endswith("[drift.level]: beyond must be a number, not 'x'")


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Some editors put one before a text."""
    (tmp_path / "vocheck.toml").write_bytes(b"\xef\xbb\xbf[limits.hum]\nnote = -50.0\n")
    monkeypatch.chdir(tmp_path)
    assert run(["explain", "hum"]) == 0
