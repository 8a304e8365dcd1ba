"""The main job on the demo session, held against what was planted in it (truth.json)."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from tests.material.demo_session import FOLDER, planted, ranked, ranking, truth
from vocheck.cli import run
from vocheck.script.reading import can_hear_words
from vocheck.takes.comp import comp_takes

PLACE_S = 0.15
"""How near a finding must be to the planted place: a finding stands where a fault starts or peaks,
and a word is longer than this."""

FOUND_BY = {
    "plosive": "plosive",
    "hum": "hum",
    "noise": "noise_floor",
    "sibilance": "sibilance",
    "level": "level_low",
    "reverberation": "room_wet",
}
"""Which finding each kind of planted fault must raise. Clipping may be told by either of two."""


def findings(take: str) -> dict[str, object]:
    return {finding.name: finding for finding in ranked(take).result.findings}


@pytest.mark.parametrize(
    ("take", "fault"),
    [(take, fault) for take, fault in planted() if fault["kind"] in FOUND_BY],
    ids=lambda value: value if isinstance(value, str) else value["kind"],
)
def test_every_planted_fault_is_found(take: str, fault: dict):
    """Each kind raises its finding, at its place where it has one."""
    found = findings(take)
    assert FOUND_BY[fault["kind"]] in found, sorted(found)
    if "time_s" in fault:
        times = found[FOUND_BY[fault["kind"]]].times_s
        assert min(abs(time - fault["time_s"]) for time in times) < PLACE_S


def test_the_clipped_word_is_found_where_it_is():
    """Every flat top lies inside the word that was clipped."""
    for take, fault in planted():
        if fault["kind"] != "clipping":
            continue
        found = findings(take)
        finding = found.get("clipped_share") or found["clipping"]
        for time in finding.times_s:
            assert fault["start_s"] - PLACE_S < time < fault["end_s"] + PLACE_S


def test_the_sharp_esses_are_found_where_they_are():
    """The loudest sibilants of the sharp take are the planted ones."""
    for take, fault in planted():
        if fault["kind"] != "sibilance":
            continue
        events = ranked(take).result.measurements.sibilance.events
        loudest = sorted(events, key=lambda event: -event.level_re_voiced_db)[:3]
        for event in loudest:
            assert any(
                ess["start_s"] - PLACE_S < event.start_s < ess["end_s"] + PLACE_S
                for ess in fault["esses"]
            )


def test_the_strengths_are_measured_about_right():
    """What was planted with a number is measured near that number."""
    for take, fault in planted():
        m = ranked(take).result.measurements
        if fault["kind"] == "hum":
            assert m.hum.mains_hz == fault["mains_hz"]
            # 3 dB: "re speech" is relative to the rms inside the words in the truth, to P.56 here
            assert m.hum.level_re_speech_db == pytest.approx(fault["level_re_speech_db"], abs=3.0)
        if fault["kind"] == "noise":
            assert m.noise.floor_dbfs == pytest.approx(fault["floor_dbfs"], abs=1.0)
        if fault["kind"] == "reverberation":
            assert m.reverberation.rt60_low_s <= fault["rt60_s"] <= m.reverberation.rt60_high_s


FAULTLESS = [take for line in truth()["lines"].values() for take in line["faultless"]]


@pytest.mark.parametrize("take", FAULTLESS)
def test_every_faultless_take_is_kept(take: str):
    """No false alarm calls for a fix or a retake."""
    assert ranked(take).verdict == "keep", ranked(take).result.findings


@pytest.mark.parametrize("line", truth()["lines"])
def test_the_least_damaged_take_ranks_first(line: str):
    """On every line, or it cannot be told apart from the one that does."""
    result = next(found for found in ranking().lines if found.line == line)
    first = Path(result.order[0].path).stem
    best = truth()["lines"][line]["best"]
    second = Path(result.order[1].path).stem
    assert first == best or (result.undecided and second == best)


@pytest.mark.parametrize("line", truth()["lines"])
def test_faulty_takes_rank_behind_faultless_ones(line: str):
    """Whatever the fault; the dropped word aside, which only the comp sheet hears."""
    result = next(found for found in ranking().lines if found.line == line)
    order = [Path(take.path).stem for take in result.order]
    faultless = truth()["lines"][line]["faultless"]
    dropped = {take for take, fault in planted() if fault["kind"] == "dropped word"}
    faulty = [take for take in order if take not in faultless and take not in dropped]
    assert max(map(order.index, faultless)) < min(map(order.index, faulty))


def test_every_take_is_flagged_against_the_target():
    """A raw take is far from a target: the flag says by how much, and what gain would do."""
    for line in ranking().lines:
        for take in line.order:
            (delivery,) = take.result.delivery
            assert delivery.name == "social"
            loudness = take.result.measurements.loudness.two_speakers_lufs
            assert delivery.gain_db == pytest.approx(-14.0 - loudness, abs=1e-6)
            floor = take.result.measurements.noise.floor_dbfs
            assert delivery.noise_floor_after_dbfs == pytest.approx(floor + delivery.gain_db)


def test_the_comp_sheet_hears_the_dropped_word():
    """The take that lacks a word is named, near the word's place."""
    for take, fault in planted():
        if fault["kind"] != "dropped word":
            continue
        line = truth()["takes"][take]["line"]
        (sheet,) = comp_takes(sorted(FOLDER.glob(f"{line}_t*.flac")), notes={}).sheets
        named = [(Path(sheet.takes[d.take]).stem, d.kind) for d in sheet.deviations]
        assert named == [(take, "missing")]


def test_the_command_makes_the_session_the_ranking_and_the_report(tmp_path: Path, capsys):
    """`vocheck demo` copies, ranks, writes the JSON and prints the ranked, flagged list."""
    folder = tmp_path / "potter"
    assert run(["demo", str(folder), "--quiet"]) == 0
    out = capsys.readouterr().out
    for line in truth()["lines"]:
        assert re.search(rf"^{line}  +take \d", out, re.MULTILINE)
    report = json.loads((folder / "ranking.json").read_text(encoding="utf-8"))
    assert report["schema"] == 1
    assert [line["line"] for line in report["lines"]] == sorted(truth()["lines"])
    assert len(list(folder.glob("*_t[0-9]*.flac"))) == 16
    if can_hear_words():
        verdicts = {
            Path(take["path"]).stem: take["verdict"]
            for line in report["lines"]
            for take in line["order"]
        }
        dropped = {take for take, fault in planted() if fault["kind"] == "dropped word"}
        assert {take for take in dropped if verdicts[take] == "keep"} == set()
        faultless = [t for line in truth()["lines"].values() for t in line["faultless"]]
        assert {take for take in faultless if verdicts[take] != "keep"} == set()


def test_the_circled_take_stands_first_and_its_faults_are_told(capsys):
    """The notes circle the clipped take of the kiln line: it stays first, with a warning."""
    run(["rank", str(FOLDER), "--format", "json", "--quiet"])
    lines = json.loads(capsys.readouterr().out)["lines"]
    kiln = next(line for line in lines if line["line"] == "02_kiln")
    assert Path(kiln["order"][0]["path"]).stem == "02_kiln_t2"
    assert kiln["order"][0]["circled"]
    assert Path(kiln["nearest_clean"]).stem == truth()["lines"]["02_kiln"]["best"]
