"""The page of the comp sheets in a real browser: cells, keys, paths, joins, and what is saved."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from tests.report.browser import until
from tests.takes.test_comp import spoiled
from vocheck.cli import run

DATA = "JSON.parse(document.getElementById('play').textContent)[0]"
PLAYING = "[...document.querySelectorAll('audio')].findIndex((a) => !a.paused)"


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the page of two takes, one spoiled in each half: the cleanest path has one cut."""
    folder = tmp_path_factory.mktemp("comp")
    spoiled(folder)
    page = folder / "comp.html"
    assert run(["comp", str(folder), "--html", str(page), "-o", str(folder / "comp.txt")]) == 0
    return page


@pytest.fixture
def page(watched, sheet: Path):
    return watched(sheet)


def place(page, take: int) -> float:
    """Return where a take of the first line is."""
    return page.evaluate(f"document.querySelectorAll('audio')[{take}].currentTime")


def test_the_first_screen_says_what_to_use(page):
    """The path and what it costs stand above the fold, the join is explained."""
    answer = page.locator(".line .answer")
    assert answer.inner_text().startswith("Use phrase")
    assert answer.bounding_box()["y"] < 700
    assert "along the cleanest path" in page.locator(".cost").inner_text()
    (join,) = page.locator(".joins li").all()
    assert "for any cut" in join.inner_text()
    assert page.locator("td.used").count() == len(page.evaluate(DATA)["chosen"])


def test_a_phrase_is_played_from_the_grid_by_keyboard(page):
    """Arrows go from cell to cell, Enter plays, and what plays goes along with the next arrow."""
    data = page.evaluate(DATA)
    page.locator(".cell").first.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    until(page, "!document.querySelectorAll('audio')[0].paused")
    assert place(page, 0) >= data["takes"][0]["phrases"][1][0] - 0.01
    page.keyboard.press("ArrowDown")
    until(page, "!document.querySelectorAll('audio')[1].paused")
    until(page, "document.querySelectorAll('audio')[0].paused")
    start, end = data["takes"][1]["phrases"][1]
    assert start - 0.01 <= place(page, 1) < end
    assert page.evaluate("document.activeElement.dataset") == {"take": "1", "phrase": "1"}


def test_the_path_is_played_from_phrase_to_phrase(page):
    """Near its end, the phrase of one take is followed by the next phrase of the other."""
    data = page.evaluate(DATA)
    p = next(
        i for i in range(len(data["chosen"]) - 1) if data["chosen"][i] != data["chosen"][i + 1]
    )
    out, into = data["chosen"][p], data["chosen"][p + 1]
    page.keyboard.press("p")
    until(page, f"!document.querySelectorAll('audio')[{data['chosen'][0]}].paused")
    end = data["takes"][out]["phrases"][p][1]
    page.evaluate(f"document.querySelectorAll('audio')[{out}].currentTime = {end} - 0.3")
    until(page, f"{PLAYING} === {into} && document.querySelectorAll('audio')[{out}].paused")
    start, end = data["takes"][into]["phrases"][p + 1]
    assert start - 0.05 <= place(page, into) < end
    page.keyboard.press("p")
    until(page, f"{PLAYING} === -1")


def test_the_best_single_take_goes_on_where_the_path_is(page):
    """B during the path stays at the same phrase, and P goes back."""
    data = page.evaluate(DATA)
    single = data["single"]
    other = 1 - single
    p = data["chosen"].index(other)
    start = data["takes"][other]["phrases"][p][0]
    page.click(f'.cell[data-take="{other}"][data-phrase="{p}"]')
    until(page, f"document.querySelectorAll('audio')[{other}].currentTime > {start} + 0.2")
    page.keyboard.press("b")
    until(page, f"{PLAYING} === {single} && document.querySelectorAll('audio')[{other}].paused")
    begin, end = data["takes"][single]["phrases"][p]
    assert begin < place(page, single) < end
    page.keyboard.press("p")
    until(page, f"{PLAYING} === {other} && document.querySelectorAll('audio')[{single}].paused")


def test_a_join_is_played(page):
    """Out of one take just before the cut, into the other."""
    data = page.evaluate(DATA)
    page.click(".join")
    after = int(page.locator(".join").get_attribute("data-after"))
    out, into = data["chosen"][after - 1], data["chosen"][after]
    until(page, f"{PLAYING} === {out}")
    end = data["takes"][out]["phrases"][after - 1][1]
    assert place(page, out) > end - 2.1
    until(page, f"{PLAYING} === {into}")


@pytest.fixture(scope="module", params=["beside", "inside"])
def joined_sheet(sheet: Path, request: pytest.FixtureRequest) -> Path:
    """Return a page with the path as it is joined: rendered beside it, or carried inside."""
    page = sheet.with_name(f"joined_{request.param}.html")
    how = ["--embed-audio"] if request.param == "inside" else ["--render", f"{page}.wav"]
    asked = ["comp", str(sheet.parent), "--html", str(page), "-o", str(sheet.with_name("t.txt"))]
    try:
        assert run([*asked, *how]) == 0
        yield page
    finally:
        Path(f"{page}.wav").unlink(missing_ok=True)


def test_the_path_is_heard_as_it_is_joined(watched, joined_sheet: Path):
    """One sound from the first phrase to the last; the other keys go on from it and back to it."""
    page = watched(joined_sheet)
    data = page.evaluate(DATA)
    joined = len(data["takes"]) - 1
    assert page.locator(".take").count() == len(data["takes"])
    phrases = data["takes"][joined]["phrases"]
    assert data["joined"]["joins"][0] == pytest.approx(phrases[0][1], abs=1e-3)
    source = page.locator("audio").nth(joined).get_attribute("src")
    assert source.startswith("data:audio/mpeg" if "inside" in joined_sheet.name else "joined_")
    page.keyboard.press("p")
    until(page, f"{PLAYING} === {joined}")
    assert page.locator("#now").inner_text().endswith("path: joined path")
    # it goes on through the join, in the same sound
    page.evaluate(
        f"document.querySelectorAll('audio')[{joined}].currentTime = {phrases[0][1] - 0.1}"
    )
    until(page, f"document.querySelectorAll('audio')[{joined}].currentTime > {phrases[1][0] + 0.2}")
    page.keyboard.press("b")
    single = data["single"]
    until(page, f"{PLAYING} === {single}")
    start, end = data["takes"][single]["phrases"][1]
    assert start < place(page, single) < end
    page.keyboard.press("p")
    until(page, f"{PLAYING} === {joined}")
    page.keyboard.press("p")
    until(page, f"{PLAYING} === -1")
    page.click(".join")
    until(page, f"{PLAYING} === {joined}")
    assert phrases[0][1] - 2.1 < place(page, joined) < phrases[0][1]


def test_a_path_of_ones_own_is_played_as_it_falls(watched, joined_sheet: Path):
    """Only the cleanest path was joined; a phrase of it is heard from its cell, and not used."""
    page = watched(joined_sheet)
    data = page.evaluate(DATA)
    joined = len(data["takes"]) - 1
    page.click(f'.cell[data-take="{joined}"][data-phrase="1"]')
    until(page, f"{PLAYING} === {joined}")
    start, end = data["takes"][joined]["phrases"][1]
    assert start - 0.05 <= place(page, joined) < end
    page.keyboard.press("u")
    other = 1 - data["chosen"][0]
    page.check(f'input[name="use-0-0"][value="{other}"]')
    page.locator("h1").click()
    page.keyboard.press("p")
    until(page, f"{PLAYING} >= 0 && {PLAYING} !== {joined}")


def test_a_path_of_ones_own(page, tmp_path: Path):
    """Choosing another reading changes the cost by its points and joins, and is saved as CSV."""
    data = page.evaluate(DATA)
    own = [data["single"]] * len(data["chosen"])
    p = next(i for i, take in enumerate(data["chosen"]) if take != data["single"])
    page.locator(f'.cell[data-take="{own[p]}"][data-phrase="{p}"]').focus()
    page.keyboard.press("u")
    for i, take in enumerate(own):
        page.check(f'input[name="use-0-{i}"][value="{take}"]')
    # one take whole: the sum of its phrases, no join
    whole = sum(data["points"][i][take] for i, take in enumerate(own))
    assert page.locator(".cost b").inner_text() == f"{whole:.1f} points"
    with page.expect_download() as download:
        page.click(".bar .save")
    saved = tmp_path / "path.csv"
    download.value.save_as(saved)
    with saved.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["file"] for row in rows] == [data["files"][data["single"]]] * len(own)
    assert [float(row["start_s"]) for row in rows] == [
        pytest.approx(start) for start, _ in data["takes"][data["single"]]["phrases"]
    ]
    page.click(".reset")
    assert "along the cleanest path" in page.locator(".cost").inner_text()
    assert page.locator(".reset").is_hidden()


@pytest.mark.parametrize("width", [1440, 820, 390])
def test_the_page_never_scrolls_sideways(page, width: int):
    """Desk, tablet and telephone."""
    page.set_viewport_size({"width": width, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_names_and_notes_are_text(watched, kiln: Path):
    """A take called like a script and a remark with quotes stay text, and can be played."""
    text = (kiln / "comp.html").read_text(encoding="utf-8")
    assert "<script>alert" not in text
    page = watched(kiln / "comp.html")
    assert page.locator("h2").first.inner_text().startswith("02_kiln")
    assert page.locator("h2").nth(1).inner_text() == "<script>alert(1)<&'\""
    page.locator(".line").nth(1).locator(".play").first.click()
    until(page, "!document.querySelectorAll('.line')[1].querySelector('audio').paused")


def test_the_page_is_small(sheet: Path):
    """Under 40 KiB a take, and no address of anything outside."""
    text = sheet.read_text(encoding="utf-8")
    assert len(text) < 2 * 40 * 1024
    assert "http" not in text.replace("http-equiv", "")
