"""The pages hold together: links lead somewhere, and the schema page names every field."""

from __future__ import annotations

import re
import runpy
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import pytest

from tests import examples
from vocheck.cli import COMMANDS
from vocheck.measurements import Measurements
from vocheck.session.demo import copy_session

ROOT = Path(__file__).parents[1]
PAGES = [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_every_link_leads_to_a_file(page: Path):
    """A page that was moved or never written is noticed."""
    for target in re.findall(r"\]\(([^)#\s]+)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), target


def test_the_schema_page_names_every_field():
    """docs/results.md lists each field of each group."""
    rows = dict(
        re.findall(r"^\| (\w+) \| (.*) \|$", (ROOT / "docs/results.md").read_text("utf-8"), re.M)
    )
    for group in fields(Measurements):
        listed = set(re.sub(r" \[.*?\]", "", rows[group.name]).split(", "))
        module = __import__(f"vocheck.measurements.{group.name}", fromlist=["x"])
        cls = getattr(module, str(group.type))
        assert listed == {f.name for f in fields(cls) if f.name != "not_measured"}


SECTIONS = {
    "Ranking": "takes.rank: Ranking LineRanking RankedTake Standing Reason; "
    "policy.delivery: Delivery",
    "Comp sheet": "takes.comp: CompSheet Phrase Reading Fault Join; takes.deviations: Deviation",
    "Pickup match": "takes.match: MatchResult Difference EqBand",
    "Lines against the picture": "edit.slots: SlotsResult LineFit Misfit",
    "A mix": "mix.results: MixResult MixMeasurements DestinationResult; policy.delivery: Check",
    "A room": "room: RoomResult RoomBand RoomNoise NoiseBand HumTone Response Comparison",
}
"""The sections of docs/results.md, and the results whose fields they list."""


@pytest.mark.parametrize("section", SECTIONS)
def test_the_schema_page_names_every_field_of_a_result(section: str):
    """What is in the JSON is on the page, and a renamed field is noticed."""
    page = (ROOT / "docs/results.md").read_text("utf-8")
    text = page.partition(f"\n## {section}\n")[2].partition("\n## ")[0]
    named = set(re.findall(r"`(\w+)`", text))
    # Not part of the plain data, or collected at its top.
    hidden = {"worse", "words", "requirement", "met_by", "not_measured"}
    missing = []
    for part in SECTIONS[section].split("; "):
        module, _, names = part.partition(": ")
        for name in names.split():
            cls = getattr(__import__(f"vocheck.{module}", fromlist=[name]), name)
            missing += [f"{name}.{f.name}" for f in fields(cls) if f.name not in named | hidden]
    assert missing == []


TABLES = runpy.run_path(str(ROOT / "docs/make_tables.py"))


@pytest.mark.parametrize("page", TABLES["TABLES"])
def test_the_lists_of_measurements_follow_from_the_modules(page: str):
    """``python docs/make_tables.py`` would write what stands there."""
    assert TABLES["filled"](page) == (ROOT / "docs" / page).read_text("utf-8")


MAKER = runpy.run_path(str(ROOT / "docs/make_transcripts.py"))


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_a_transcript(command: str):
    """What it prints on the demo session, made by a script; watch and desk have their own."""
    if command == "watch":
        assert (ROOT / "docs/watch.txt").read_text("utf-8").startswith("$ vocheck watch ")
        return
    if command == "desk":
        assert (ROOT / "docs/desk.png").is_file()  # a window: its picture, made by a script
        return
    text = (ROOT / f"docs/transcripts/{command}.txt").read_text("utf-8")
    for line in MAKER["COMMANDS"][command]:
        assert f"$ vocheck {line}\n" in text
    assert "internal error" not in text


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Let the commands share what was measured: a fresh folder, so that nothing old is in it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("VOCHECK_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.mark.usefixtures("known")
@pytest.mark.parametrize("command", MAKER["COMMANDS"])
def test_a_transcript_is_not_stale(command: str):
    """What stands in the documentation is what the command prints."""
    assert MAKER["make"](command) == (ROOT / f"docs/transcripts/{command}.txt").read_text("utf-8")


EXAMPLES = [
    pytest.param(example, id=f"{page.relative_to(ROOT).as_posix()}-{number}")
    for page in PAGES
    for number, example in enumerate(examples.examples(page.read_text("utf-8")), start=1)
]


@pytest.mark.parametrize("example", EXAMPLES)
def test_an_example_does_what_it_says(
    example: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """Every Python block of every page runs beside the demo session; what it tells is so."""
    copy_session(tmp_path)
    monkeypatch.chdir(tmp_path)
    examples.run(example)


def test_an_example_that_tells_something_else_is_noticed():
    """The runner itself: a value is compared as far as it is told."""
    assert examples.run("x = 2 / 3\nx  # 0.667\n[x > 0, 'a']  # [True, 'a']") == 2
    with pytest.raises(AssertionError, match=r"x: 0\.666"):
        examples.run("x = 2 / 3\nx  # 0.666")


def test_the_readme_shows_what_the_demo_prints():
    """The block behind "What it looks like" is the transcript, without its first line."""
    shown = (ROOT / "README.md").read_text(encoding="utf-8").split("```text\n")[1]
    printed = (
        (ROOT / "docs" / "transcripts" / "demo.txt").read_text(encoding="utf-8").partition("\n")[2]
    )
    assert shown.partition("```")[0].strip() == printed.strip()
