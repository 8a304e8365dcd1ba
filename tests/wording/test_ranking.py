"""What is said of a ranked session: short enough to be read, and adding up."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache

import click
import numpy as np
import pytest

import vocheck
from tests.material.demo_session import FOLDER
from vocheck.policy.limits import Status
from vocheck.policy.obstacles import Obstacle
from vocheck.report.json import render_json
from vocheck.report.text.rank import render_ranking
from vocheck.takes.comp import comp_takes
from vocheck.takes.rank import Ranking, rank_line, rank_takes
from vocheck.wording.comp import phrase_points
from vocheck.wording.ranking import points_words, rate_sentences, row
from vocheck.wording.vocabulary import counted, listed, number, span, tenths

FOREIGN = re.compile(
    r"\bre (?:the )?(?:voice|speech)\b|content word|clipped share|flat crests|fails as it stands"
)


@cache
def demo() -> Ranking:
    """Return the demo session, ranked."""
    return rank_takes([FOLDER], targets=["social"])


@pytest.fixture(autouse=True)
def width(monkeypatch: pytest.MonkeyPatch) -> None:
    """Set the terminal of the requirement: 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")


def lines_of(ranking: Ranking, count: int, takes: int) -> Ranking:
    """Return a session of `count` lines of `takes` takes each, made of those of the demo."""
    pool = [take.result for line in ranking.lines for take in line.order]
    made = []
    for i in range(count):
        name = f"{i + 1:02d}_the_long_way"
        chosen = [
            replace(pool[(i * takes + t) % len(pool)], path=f"{name}_t{t + 1}.wav", take=t + 1)
            for t in range(takes)
        ]
        made.append(rank_line(name, chosen))
    return Ranking(lines=tuple(made), left_out=("room_tone.wav", "mix.wav"))


def test_sixteen_takes_fit_a_terminal():
    """16 takes in 4 lines: 24 lines of 80 columns; the last one sums the session up."""
    shown = click.unstyle(render_ranking(demo())).splitlines()
    assert len(shown) <= 24
    assert max(map(len, shown)) <= 80
    assert shown[-1].startswith("4 lines, 16 takes.")
    assert not FOREIGN.search("\n".join(shown))


@pytest.mark.parametrize(
    ("lines", "takes"), [(100, 1), (50, 2), (33, 3), (20, 5), (10, 10), (1, 100)]
)
def test_a_hundred_takes_fit_two_terminals(lines: int, takes: int):
    """However 100 takes fall into lines, and whatever is wrong with them: 40 lines."""
    shown = click.unstyle(render_ranking(lines_of(demo(), lines, takes))).splitlines()
    assert len(shown) <= 40
    assert max(map(len, shown)) <= 80


def test_every_line_of_a_long_session_is_named():
    """What does not fit the table is still named with the take to use."""
    text = click.unstyle(render_ranking(lines_of(demo(), 50, 2)))
    assert all(f"{i:02d}_the_long_way" in text for i in range(1, 51))


def test_the_circled_take_is_used_and_its_fault_is_told_with_its_word():
    """The demo's circled take of 02_kiln is clipped, on purpose, where it says "beside"."""
    from vocheck.script.reading import can_hear_words
    from vocheck.script.text import read_script

    script = read_script(FOLDER / "script.txt") if can_hear_words() else None
    ranking = rank_takes(sorted(FOLDER.glob("02_kiln_t*.flac")), script=script)
    told = row(ranking.lines[0])
    assert (told.use, told.circled, told.verdict) == ("take 2", True, "retake")
    assert told.know[0].startswith("clips")
    assert told.know[1].startswith("take 3 is clean")
    if script is not None:
        assert "on “beside”" in told.know[0]


def test_points_of_the_card_add_up():
    """The parts of every take's points add up to its score, as shown to a tenth and exactly."""
    for line in demo().lines:
        for take in line.order:
            assert sum(take.costs.values()) == pytest.approx(-take.score, abs=1e-9)
            total, *parts = map(float, re.findall(r"\d+\.\d", points_words(take)))
            assert not parts or sum(parts) == pytest.approx(total)


def test_points_of_the_phrases_add_up_to_those_of_the_card():
    """Every number of the sentence, with its sign, adds up to the last, which is the card's."""
    for sheet in comp_takes(sorted(FOLDER.glob("0[24]_*.flac"))).sheets:
        for t, take in enumerate(sheet.ranking.order):
            words = phrase_points(sheet, t)
            added = re.findall(r"(less )?(\d+\.\d)", words.rpartition(":")[0])
            total = sum(float(n) * (-1 if less else 1) for less, n in added)
            assert f"{total:.1f}" == words.rpartition(": ")[2].split()[0]
            assert round(-take.score, 1) == pytest.approx(total, abs=1e-6)


def test_explaining_a_line_tells_all_its_takes_and_no_other():
    """Every take of the line, its points and its findings."""
    text = click.unstyle(render_ranking(demo(), explain=["02_kiln"]))
    assert text.count("_t") >= 4
    assert "Line 02_kiln" in text
    assert "01_river" not in text
    assert text.count("points beyond") + text.count("0.0 points") == 4
    assert not FOREIGN.search(text)


def test_json_keeps_the_reasons_as_text_and_gives_them_as_facts():
    """`reasons` are sentences as before; `standing` holds criterion, value, difference, count."""
    told = json.loads(render_json(demo()))
    assert told == json.loads(json.dumps(vocheck.with_sentences(demo()), allow_nan=False))
    kiln = told["lines"][1]["order"]
    assert kiln[0]["reasons"][0] == "circled in the notes"
    worst = kiln[-1]
    assert worst["reasons"] == ["against take 3: 23 dB more noise under the voice"]
    fact = worst["standing"]["reasons"][0]
    assert fact["criterion"] == "noise"
    assert fact["text"] == f"{fact['difference']:.0f} dB more noise under the voice"


def test_a_raw_take_is_flagged_only_for_what_the_gain_cannot_save():
    """Of the demo only the two noisy takes; all others are far from the target, and no matter."""
    flagged = {
        take.path.rpartition("/")[2]: [o.kind for d in take.result.delivery for o in d.obstacles]
        for line in demo().lines
        for take in line.order
        if take.path and any(d.obstacles for d in take.result.delivery)
    }
    assert flagged == {"02_kiln_t1.flac": ["noise"], "03_hands_t3.flac": ["noise"]}


def test_a_flag_names_its_target_and_reason():
    """The take to use cannot be saved: the table says for which target, and why."""
    line = demo().lines[0]
    status: Status = "our choice"
    obstacle = Obstacle(
        kind="rate", value=22050, limit=48000, unit="Hz", source="a client", status=status
    )
    first = line.order[0]
    delivery = replace(first.result.delivery[0], obstacles=(obstacle,))
    spoiled = replace(first, result=replace(first.result, delivery=(delivery,)))
    told = row(replace(line, order=(spoiled, *line.order[1:])))
    assert told.know[-1] == "social: recorded at 22050 Hz, below 48000"


def test_numbers_counts_and_lists():
    """One vocabulary: singular and plural, no minus zero, silence by name, tenths that add up."""
    assert counted(1, "take") == "1 take"
    assert counted(3, "take") == "3 takes"
    assert number(-0.04) == "0.0"
    assert number(-np.inf, unit="dBFS") == "silence"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert span(-71.2, -63.4) == "-71 to -63"
    assert span(3.2, 3.4, sign="+") == "+3"
    assert tenths([0.04, 0.04, 0.04], 0.1) == [0.1, 0.0, 0.0]
    assert sum(tenths([1.26, 0.37, 0.09], 1.7)) == pytest.approx(1.7)


def test_rates_that_differ_are_told():
    """One take at 44.1 kHz among those at 48 kHz is named; one rate is nothing to tell."""
    ranking = demo()
    assert rate_sentences(ranking) == []
    first, *others = ranking.lines
    takes = [take.result for take in first.order]
    takes[0] = replace(takes[0], source=replace(takes[0].source, rate_hz=44_100))
    (sentence,) = rate_sentences(replace(ranking, lines=(rank_line(first.line, takes), *others)))
    assert f"44.1 kHz in {first.line} take {takes[0].take}; 48 kHz in the rest" in sentence
