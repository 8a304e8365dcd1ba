"""What the terminal says, of results made by hand: every word of it is known beforehand."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import click
import numpy as np
import pytest

from tests.material.handmade import take
from tests.takes.test_phrases import compared, pops, sheet_of
from vocheck.measurements import MEASUREMENTS
from vocheck.measurements.plosives import Plosive
from vocheck.measurements.tone import Band
from vocheck.policy.delivery import forecast
from vocheck.policy.destinations import find_destinations
from vocheck.policy.judge import Finding, judge
from vocheck.policy.limits import LIMITS
from vocheck.policy.rule import Rule
from vocheck.report.json import render_json, render_json_line
from vocheck.report.text.comp import render_sheets
from vocheck.report.text.match import render_matches
from vocheck.report.text.rank import render_ranking
from vocheck.report.text.style import table, wrap
from vocheck.report.text.take import render_failure, render_take
from vocheck.script.reading import Reading
from vocheck.session.each import Failure
from vocheck.session.notes import Note
from vocheck.session.take import TakeResult
from vocheck.takes.deviations import Deviation
from vocheck.takes.match import match_results
from vocheck.takes.rank import Ranking, rank_line


@pytest.fixture(autouse=True)
def width(monkeypatch: pytest.MonkeyPatch) -> None:
    """Set a terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")


def judged(result: TakeResult, verdict: str = "keep") -> TakeResult:
    """Return a take with what the shipped limits find in it."""
    findings = judge(result.measurements, LIMITS.load())
    return replace(result, findings=findings, verdict=verdict)


def found(severity: str = "note", message_of: str = "It pops.", **more: object) -> Finding:
    """Return a finding made by hand."""
    texts = {
        "message": message_of,
        "now": f"Turn the head. {message_of}"[:14],
        "later": "Filter it.",
    }
    if len(message_of) > 20:
        texts = {**texts, "now": message_of, "later": message_of}
    base = {
        "name": "plosive", "fact": "plosives.events[].level_re_speech_db", "severity": severity,
        "value": -2.5, "limit": -6.0, "unit": "dB re speech", "source": "A handbook, page 4",
        "status": "our choice", "times_s": (61.26, 125.0), "count": 2,
        "rule": Rule(name="plosive", fact="x", thresholds=(), texts=texts),
    }  # fmt: skip
    return Finding(**{**base, **more})  # type: ignore[arg-type]


def lines_of(text: str) -> list[str]:
    return click.unstyle(text).splitlines()


def test_a_take_says_first_what_to_do_and_then_why():
    """Verdict, file, what it is; each finding with its numbers, places, advice and source."""
    result = replace(take(3), findings=(found("fixable"),), verdict="fixable")
    result = replace(result, source=replace(result.source, duration_s=12.34, bits=24))
    lines = lines_of(render_take(result, details=False))
    assert lines[0] == "FIXABLE   01_river_t3.flac  12.3 s, 48 kHz, 24 bit, mono"
    assert lines[1].startswith("  ")
    assert lines[2:] == [
        "",
        "fixable   It pops.",
        "          found -2.5 dB against the voice, limit -6.0 · at 1:01.3, 2:05.0",
        "          now   Turn the head.",
        "          later Filter it.",
        "          limit A handbook, page 4 (our choice)",
    ]
    plain = replace(result, source=replace(result.source, bits=None), findings=())
    assert lines_of(render_take(plain, details=False))[0].endswith("12.3 s, 48 kHz, mono")


def test_a_finding_tells_its_places_and_its_number_where_it_has_them():
    """Only the places, only the number, or neither."""
    for one, told in (
        (found(value=True, limit=True), "found at 1:01.3, 2:05.0"),
        (found(times_s=()), "found -2.5 dB against the voice, limit -6.0"),
        (found(value=None, times_s=()), None),
    ):
        lines = lines_of(render_take(replace(take(1), findings=(one,)), details=False))
        assert [line.strip() for line in lines if "found" in line] == ([told] if told else [])


def test_the_table_shows_each_fact_that_is_shown_and_why_one_is_missing():
    """Labels and numbers with their digits; a dash is never left without its reason."""
    result = take(1, true_peak__level_dbtp=-6.06, loudness__integrated_lufs=None)
    text = click.unstyle(render_take(result))
    rows = {line[2:].split("  ")[0]: line for line in text.splitlines() if line.startswith("  ")}
    shown = [row for module in MEASUREMENTS for row in module.ROWS if row.shown]
    assert len(shown) >= 8
    assert all(row.label in rows for row in shown)
    hidden = {row.label for module in MEASUREMENTS for row in module.ROWS if not row.shown}
    assert not (hidden - {row.label for row in shown}) & rows.keys()
    peak = next(row for row in shown if row.field == "level_dbtp")
    assert rows[peak.label].rstrip().endswith("  -6.1 dBTP")
    loudness = next(row for row in shown if row.field == "integrated_lufs")
    assert rows[loudness.label].rstrip().endswith("  cannot tell: not measured")
    room = next(row for row in shown if row.field == "rt60_s")
    read = take(1, reverberation__rt60_s=0.3, reverberation__rt60_low_s=0.25,
                reverberation__rt60_high_s=0.36)  # fmt: skip
    lines = lines_of(render_take(read))
    assert any(room.label in line and "0.30 s" in line and "(0.25" in line for line in lines)
    half = take(1, reverberation__rt60_s=0.3, reverberation__rt60_low_s=None,
                reverberation__rt60_high_s=0.36)  # fmt: skip
    lines = lines_of(render_take(half))
    assert any(line.rstrip().endswith("0.30 s") for line in lines if room.label in line)


def test_what_was_read_and_where_it_goes_stand_below():
    """The table is shown unless it is left out; then one sentence a target."""
    long = found(
        message_of="It pops where the microphone stands near and the talker speaks right into it.",
        times_s=tuple(float(n) for n in range(60, 1260, 60)),
        source="A handbook with a very long title that does not fit on a line of a terminal, p. 4",
    )
    result = replace(take(1), findings=(long,))
    lines = lines_of(render_take(result))
    assert any("dBTP" in line for line in lines)
    assert not any("dBTP" in line for line in lines_of(render_take(result, details=False)))
    indents = {}
    for line in lines:
        words = line.split()
        if line.startswith(" " * 10) and words[0] in ("found", "now", "later", "limit"):
            part = words[0]
            assert len(line) - len(line.lstrip()) == 10
        elif line.startswith(" " * 16):
            indents[part] = len(line) - len(line.lstrip())
    assert indents == dict.fromkeys(("found", "now", "later", "limit"), 16)
    assert max(map(len, lines)) <= 80
    read = Reading(words=(), misread=(), unknown=(), read_s=9.0, words_per_minute=150.0)
    told = [forecast(target, -20.0, -9.0, -60.0) for target in find_destinations(["social", "web"])]
    full = lines_of(render_take(replace(result, reading=read, delivery=tuple(told))))
    assert len(full) > len(lines) + 4
    text = " ".join(full)
    assert text.index("150 words") < text.index("dBTP") if "150 words" in text else True
    assert all(one.title.split(":")[0] in text or one.name in text for one in told)


def test_a_file_that_could_not_be_done_is_one_line():
    """And says so before it says why."""
    assert click.unstyle(render_failure(Failure(path="a.wav", error="a.wav: not audio"))) == (
        "UNREAD   a.wav: not audio\n"
    )


def test_a_pickup_says_whether_the_cut_is_heard():
    """Answer, differences, gain, tone and what to do; nothing to mend, nothing said of it."""
    same = lines_of(render_matches([match_results(take(1), take(2))]))
    assert same[0] == "MATCHES   01_river_t2.flac against 01_river_t1.flac"
    assert same[1] == "  The cut will not be heard."
    assert not [line for line in same if "gain " in line or "hint " in line or " now " in line]
    near = lines_of(
        render_matches([match_results(take(1), take(2, loudness__integrated_lufs=-21.0))])
    )
    assert near[0].startswith("NEARLY ")
    assert near[1] == "  The edit can bring it near enough."
    assert "  gain   -3.0 dB" in near
    assert [line for line in near if line.startswith("  3.0 LU")]
    far = lines_of(render_matches([match_results(take(1), take(2, reverberation__rt60_s=0.6))]))
    assert far[0].startswith("DIFFERS ")
    assert [line for line in far if line.startswith("  now ")]
    assert [line for line in far if line.startswith("  0.48 s")]
    slight = match_results(take(1), take(2, loudness__integrated_lufs=-24.04))
    assert not [line for line in lines_of(render_matches([slight])) if "gain " in line]
    some = match_results(take(1), take(2, loudness__integrated_lufs=-24.1))
    assert "  gain   +0.1 dB" in lines_of(render_matches([some]))
    two = render_matches([slight, some])
    assert two.count("against") == 2
    assert "\n\n" in two


def test_a_pickup_that_sounds_different_tells_how_to_bring_it_nearer():
    """The equalizer by octaves, the hint at a distance; long lines go on below their words."""
    hz = (80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0, 1000.0,
          1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0)  # fmt: skip
    plain = tuple(Band(centre_hz=f, level_db=-40.0) for f in hz)
    other = tuple(
        Band(centre_hz=f, level_db=-44.0 if f <= 250.0 else -36.0 if f >= 2500.0 else -40.0)
        for f in hz
    )
    far = take(2, tone__ltas=other, reverberation__rt60_s=0.6)
    result = match_results(take(1, tone__ltas=plain), far)
    lines = lines_of(render_matches([result]))
    tone = next(i for i, line in enumerate(lines) if line.startswith("  tone   +"))
    assert "+4.0 at 125 Hz" in lines[tone]
    assert "-4.0 at 4 kHz" in " ".join(f"{lines[tone]}{lines[tone + 1]}".split())
    assert len(lines[tone + 1]) - len(lines[tone + 1].lstrip()) == 9
    assert any(line.startswith("  hint   4 dB less bass") for line in lines)
    now = next(i for i, line in enumerate(lines) if line.startswith("  now    "))
    indents = {len(line) - len(line.lstrip()) for line in lines[now + 1 :]}
    assert indents <= {2, 9}
    same = match_results(take(1, tone__ltas=plain), take(2, tone__ltas=plain))
    assert not [line for line in lines_of(render_matches([same])) if line.startswith("  tone ")]
    shift = match_results(take(1, loudness__integrated_lufs=-24.0),
                          take(2, loudness__integrated_lufs=-24.05))  # fmt: skip
    assert "  gain   +0.1 dB" in lines_of(render_matches([replace(shift, gain_db=0.05)]))
    unknown = match_results(take(1), take(2, loudness__integrated_lufs=None))
    lines = lines_of(render_matches([unknown]))
    assert any("cannot tell" in line and "–" in line for line in lines)
    assert not [line for line in lines if line.startswith("  gain ")]


def test_verdicts_have_their_colors_and_never_only_those():
    """Green keeps, red does not; a difference that cannot be told has none."""
    good = render_matches([match_results(take(1), take(2))])
    bad = render_matches([match_results(take(1), take(2, reverberation__rt60_s=0.6))])
    assert click.style("MATCHES ", fg="green", bold=True) in good
    assert click.style("DIFFERS ", fg="red", bold=True) in bad
    row = next(line for line in bad.splitlines() if "0.48 s" in line)
    assert click.style("x", fg="red", bold=True).partition("x")[0] in row
    untold = render_matches([match_results(take(1), take(2, reverberation__rt60_s=None))])
    row = next(line for line in untold.splitlines() if "cannot tell" in line)
    assert "\x1b[32m" not in row
    assert "\x1b[31m" not in row
    sheet = render_sheets([sheet_of(compared(1, **pops(1.0)), compared(2))])
    cells = next(line for line in sheet.splitlines() if "0:00.5" in line)
    assert click.style("*0.0 +0 dB", fg="green", bold=True) in cells
    assert cells.count("\x1b[32m") == 1


def test_the_words_of_a_pickup_are_on_somebodys_word():
    """The tolerances are listed by their status."""
    text = " ".join(" ".join(lines_of(render_matches([match_results(take(1), take(2))]))).split())
    assert "our choice: " in text
    assert "--format json names each source." in text


def test_a_comp_sheet_is_a_grid_of_points():
    """Phrase, place, and each take's points, with the path marked and the level told."""
    sheet = sheet_of(compared(1, **pops(0.6, 1.0, 2.0)), compared(2, **pops(7.0, 8.0, 8.5)))
    text = click.unstyle(render_sheets([sheet]))
    lines = text.splitlines()
    assert lines[0] == "Line 01_river"
    grid = {line.split()[0]: line for line in lines if line.strip()[:1].isdigit()}
    assert list(grid) == ["1", "2", "3"]
    assert "0:00.5" in grid["1"]
    assert "*0.0 +0 dB" in grid["1"]
    assert " 3.4 +0 dB" in grid["1"]  # 3 x 0.32 x (18 dB / 6 dB + 0.5)
    assert grid["2"].count("*") == 1
    wrong = [line for line in lines if line.strip().startswith("Phrase ")]
    assert len(wrong) == 2
    assert "3 breath pops" in wrong[0]
    clean = click.unstyle(render_sheets([sheet_of(compared(1), compared(2))]))
    assert "Phrase " not in clean
    assert render_sheets([sheet, sheet]).count("\n\n") == 1


def test_a_comp_sheet_tells_what_was_not_read_and_other_words():
    """A phrase that is lacking has no points; takes of other words are named."""
    sheet = sheet_of(compared(1), compared(2))
    first = sheet.phrases[0]
    lacking = replace(first.readings[1], read=False, level_db=None)
    quiet = replace(first.readings[0], level_db=None)
    away = Deviation(take=1, kind="missing", start_s=1.0, end_s=1.0, length_s=2.0, phrase=1)
    sheet = replace(
        sheet,
        phrases=(replace(first, readings=(quiet, lacking)), *sheet.phrases[1:]),
        deviations=(away,),
        other_words=(1,),
    )
    lines = lines_of(render_sheets([sheet]))
    row = next(line for line in lines if line.strip().startswith("1  "))
    assert "not read?" in row
    assert "dB" not in row
    assert sum("missing" in line for line in lines) == 1
    assert any("other words" in line or "words" in line for line in lines[1:4])
    none = lines_of(render_sheets([sheet_of()]))
    assert none[0] == "Line 01_river"
    assert not [line for line in none if "phrase" in line and "at" in line.split()]


def test_a_session_is_a_row_a_line_and_ends_with_what_is_lacking():
    """Which take to use, which is as clean, what to know; then whether anything is missing."""
    clean = rank_line("01_river", [take(1), take(2), take(3, noise__floor_a_dbfs=-50.0)])
    noisy = judged(take(1, line="02_kiln", noise__floor_dbfs=-30.0), "retake")
    noisy = replace(noisy, path="02_kiln_t1.flac")
    spoiled = rank_line("02_kiln", [noisy])
    text = render_ranking(Ranking(lines=(clean, spoiled), left_out=("mix.wav",)))
    lines = lines_of(text)
    assert lines[0].split()[:4] == ["line", "use", "as", "clean"]
    assert lines[1].split()[:3] == ["01_river", "take", "1"]
    assert "take 2" in lines[1]
    assert lines[1].rstrip().endswith("clean")
    assert lines[2].split()[:3] == ["02_kiln", "take", "1"]
    assert "RETAKE: " in lines[2]
    assert any("mix.wav" in line for line in lines)
    assert lines[-1] == "2 lines, 4 takes. Still needs a clean take: 02_kiln."
    lines = lines_of(render_ranking(Ranking(lines=(clean,))))
    assert lines[-1] == "1 line, 3 takes. Every line has a clean take."
    assert lines_of(render_ranking(Ranking(lines=()))) == ["No take could be ranked."]


def test_a_clean_take_of_every_line_is_claimed_only_where_there_is_one():
    """A fixable take is none, a circled one does not make it one; a clean one beside it does."""
    fixable = rank_line("01_river", [take(1, verdict="fixable")])
    last = lines_of(render_ranking(Ranking(lines=(fixable,))))[-1]
    assert last == "1 line, 1 take. Still needs a clean take: 01_river."
    notes = {"01_river_t1": Note(circled=True)}
    circled = rank_line("01_river", [take(1, verdict="retake"), take(2)], notes)
    lines = lines_of(render_ranking(Ranking(lines=(circled,))))
    assert "take 1 (circled)" in lines[1]
    assert "take 2 is clean" in lines[1] or "take 2 is clean" in lines[2]
    assert lines[-1].endswith("Every line has a clean take. Circled but a retake: 01_river.")


def test_one_line_is_explained_take_by_take():
    """Place, verdict, name and grade; why; its points; its findings but for notes; its remark."""
    notes = {"01_river_t2": Note(remark="warm")}
    pop = replace(take(2, plosives__events=(Plosive(1.0, 6.0),) * 3), verdict="fixable")
    pop = replace(pop, findings=(found("fixable"), found("note", name="clipping")))
    line = rank_line("01_river", [take(1), pop], notes)
    other = rank_line("02_kiln", [take(1, line="02_kiln")])
    lines = lines_of(render_ranking(Ranking(lines=(line, other)), explain=["01_river"]))
    assert lines[0] == "Line 01_river"
    assert lines[1] == "  1  KEEP     01_river_t1.flac  cleanest"
    behind = next(i for i, text in enumerate(lines) if text.startswith("  2  FIXABLE"))
    assert lines[behind].endswith("clearly worse than take 1")
    rest = " ".join(" ".join(lines[behind + 1 :]).split())
    assert "Against take 1: 3 breath pops." in rest
    assert "points beyond the least of each in its line: breath pops" in rest
    assert rest.count("It pops.") == 1
    assert "fixable It pops. At 1:01.3, 2:05.0." in rest
    assert "Note: warm" in rest
    assert not [text for text in lines if "02_kiln" in text]
    tie = rank_line("01_river", [take(1), take(2)])
    lines = lines_of(render_ranking(Ranking(lines=(tie,)), explain=["01_river"]))
    assert lines[0] == "Line 01_river  first two cannot be told apart"
    assert "as clean as take 1" in lines[-3] or any("as clean as take 1" in s for s in lines)
    kept = {"01_river_t1": Note(circled=True)}
    spoiled = rank_line("01_river", [take(1, verdict="retake"), take(2)], kept)
    lines = lines_of(render_ranking(Ranking(lines=(spoiled,)), explain=["01_river"]))
    assert lines[1].startswith("  1  RETAKE   01_river_t1.flac (circled)")
    assert "the nearest clean one is 01_river_t2.flac" in " ".join(lines[-2:])


def test_many_lines_are_named_side_by_side():
    """What is to be known comes first; every line is named with its take."""
    rows = [
        rank_line(f"{n:02d}_the_bank", [take(1, line=f"{n:02d}_the_bank", verdict=verdict)])
        for n in range(1, 61)
        for verdict in ["keep" if n % 20 else "retake"]
    ]
    text = click.unstyle(render_ranking(Ranking(lines=tuple(rows))))
    lines = text.splitlines()
    assert all(f"{n:02d}_the_bank" in text for n in range(1, 61))
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 36
    beside = next(i for i, line in enumerate(lines) if line.startswith("all other lines"))
    assert "20_the_bank take 1 retake" in text or any("20_the_bank" in s for s in lines[:beside])
    assert lines[-1].endswith("Still needs a clean take: 20_the_bank and 2 more.")


def test_json_is_strict_and_carries_the_sentences(monkeypatch: pytest.MonkeyPatch):
    """One result is an object, several an array, a line is one line; silence has its reason."""
    result = judged(take(1, noise__floor_dbfs=-math.inf))
    one = json.loads(render_json(result))
    assert one["path"] == "01_river_t1.flac"
    assert one["measurements"]["noise"]["floor_dbfs"] is None
    assert one["not_measured"]["noise.floor_dbfs"] == "silence"
    assert json.loads(render_json([result, result])) == [one, one]
    line = render_json_line(result)
    assert line.count("\n") == 1
    assert line.endswith("\n")
    assert json.loads(line) == one
    assert render_json(result).startswith('{\n  "')
    assert render_json(result).endswith("}\n")
    assert "é" in render_json(replace(result, line="café"))
    assert "é" in render_json_line(replace(result, line="café"))
    for render in (render_json, render_json_line):
        with pytest.raises(ValueError, match="may not hold"):
            render(take(1, noise__floor_dbfs=math.nan))
    for value in (math.nan, math.inf):  # whatever brings it in, it is not written
        monkeypatch.setattr("vocheck.report.json.with_sentences", lambda _, v=value: {"x": v})
        for render in (render_json, render_json_line):
            with pytest.raises(ValueError, match="not JSON compliant"):
                render(result)
    monkeypatch.undo()
    matched = json.loads(render_json(match_results(take(1), take(2))))
    assert matched["differences"][0]["sentence"].endswith("matches")


def test_columns_line_up_by_what_is_seen():
    """Colors take no room; the last column is left as it is; no row is no table."""
    rows = [[click.style("a", fg="red"), "bb", "last"], ["ccc", "d", ""]]
    assert click.unstyle(table(rows, "  ")).splitlines() == ["  a    bb  last", "  ccc  d"]
    assert table([]) == ""
    assert wrap("one two", "  ", width=7).splitlines() == ["  one", "  two"]
    assert wrap("one two", "    ", "- ", width=40) == "- one two"
    assert np.all([len(line) <= 80 for line in wrap("word " * 60).splitlines()])
