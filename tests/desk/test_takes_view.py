"""The view *Takes* in a real browser: listening, looking, noting, while takes come in."""

from __future__ import annotations

import shutil

import pytest

from tests.desk.asking import base, cookie, post
from tests.desk.conftest import TAKES, fill, running
from tests.desk.test_serve import SHARED
from tests.material.demo_session import FOLDER
from tests.report.browser import SMALL_TARGETS, faults, until
from vocheck.session.notes import read_notes

CARDS = "[...document.querySelectorAll('#view-takes .take')]"


def ready(page, takes: int = len(TAKES)) -> None:
    """Wait until the takes of the line stand there."""
    page.locator("#view-takes .take").nth(takes - 1).wait_for(timeout=60_000)


def card(page, desk, name: str):
    """Return the card of a take."""
    return page.locator(f'#view-takes .take[data-id="{desk.take(name)}"]')


def saved(page) -> None:
    """Wait until the page says that a note was saved."""
    page.locator("#toast", has_text="Saved.").wait_for()


def test_a_take_that_comes_is_ranked_and_shown(desk, opened):
    """While the page is open: the list and the line follow by themselves."""
    page = opened()
    ready(page)
    assert page.locator(".line-list a .name").all_inner_texts() == ["02_kiln"]
    order = page.evaluate(f"{CARDS}.map((c) => c.dataset.key)")
    assert order[0] == "02_kiln_t3"  # the clean one (truth.json)
    fill(desk.folder, "02_kiln_t4.flac", "01_river_t4.flac")
    ready(page, 4)
    page.locator(".line-list a", has_text="01_river").wait_for(timeout=30_000)
    page.get_by_text("2 lines, 5 takes.").wait_for()


def test_notes_are_saved_as_they_are_made_and_undone(desk, opened):
    """Circle, rating and remark stand in notes.csv at once; Z takes the last one back."""
    page = opened()
    ready(page)
    one = card(page, desk, "02_kiln_t1.flac")
    one.locator(".circled").check()
    saved(page)
    assert read_notes(desk.folder / "notes.csv")["02_kiln_t1"].circled
    until(page, f"{CARDS}[0].dataset.key === '02_kiln_t1'")  # a circled take stands first
    one = card(page, desk, "02_kiln_t1.flac")
    one.locator(".remark").fill("=warm, <b>near</b>")
    one.locator(".remark").press("Tab")
    until(page, "document.getElementById('toast').textContent.includes('Saved')")
    for _ in range(100):
        note = read_notes(desk.folder / "notes.csv")["02_kiln_t1"]
        if note.remark:
            break
        page.wait_for_timeout(50)
    assert note.remark == "=warm, <b>near</b>"
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("z")
    page.locator("#toast", has_text="Undone: 02_kiln_t1.flac.").wait_for()
    note = read_notes(desk.folder / "notes.csv")["02_kiln_t1"]
    assert (note.circled, note.remark) == (True, "")
    until(page, "document.querySelector('.take .remark').value === ''")


def test_two_browsers_see_the_same_and_both_remarks_stay(desk, opened):
    """What one notes stands at the other; a remark that both write at once holds both."""
    tablet, table = opened(), opened()
    ready(tablet)
    ready(table)
    card(tablet, desk, "02_kiln_t3.flac").locator(".rating").fill("4")
    card(tablet, desk, "02_kiln_t3.flac").locator(".rating").press("Tab")
    saved(tablet)
    rating = f"document.querySelector('.take[data-id=\"{desk.take('02_kiln_t3.flac')}\"] .rating')"
    until(table, f"{rating}.value === '4'")
    # Both begin to write before either has saved.
    card(table, desk, "02_kiln_t2.flac").locator(".remark").press_sequentially("from the desk")
    card(tablet, desk, "02_kiln_t2.flac").locator(".remark").press_sequentially("from the booth")
    for page in (table, tablet):
        page.keyboard.press("Tab")
        saved(page)
    table.wait_for_timeout(1500)
    remark = read_notes(desk.folder / "notes.csv")["02_kiln_t2"].remark
    assert sorted(remark.split(" / ")) == ["from the booth", "from the desk"]
    assert read_notes(desk.folder / "notes.csv")["02_kiln_t3"].rating == 4.0


def test_notes_that_others_write_into_the_file_are_shown_and_kept(desk, opened):
    """A spreadsheet saves the table while the page is open: its columns and rows stay."""
    page = opened()
    ready(page)
    (desk.folder / "notes.csv").write_text(
        "Clip name;Camera;Notes\r\n02_kiln_t2.wav;A;from a table\r\nslate.wav;B;\r\n"
    )
    remark = f"document.querySelector('.take[data-id=\"{desk.take('02_kiln_t2.flac')}\"] .remark')"
    until(page, f"{remark}.value === 'from a table'")
    card(page, desk, "02_kiln_t3.flac").locator(".circled").check()
    saved(page)
    assert (desk.folder / "notes.csv").read_bytes() == (
        b"Clip name;Camera;Notes;circled\r\n02_kiln_t2.wav;A;from a table\r\nslate.wav;B;\r\n"
        b"02_kiln_t3.flac;;;x\r\n"
    )


def test_keys_play_and_switch_at_the_same_phrase(desk, opened):
    """Space plays; a digit goes on in another take at the place in the same phrase."""
    page = opened()
    ready(page)
    playing = f"{CARDS}.findIndex((c) => !c.querySelector('audio').paused)"
    page.locator("#main").focus()
    page.keyboard.press("Space")
    until(page, f"{playing} === 0")
    until(page, f"{CARDS}[0].querySelector('audio').currentTime > 0.2")
    page.keyboard.press("2")
    until(page, f"{playing} === 1")
    page.keyboard.press("ArrowUp")
    until(page, f"{playing} === 0")
    assert page.locator(".now-playing").first.inner_text().startswith("02_kiln, take")
    page.keyboard.press("Space")
    until(page, f"{playing} === -1")
    page.keyboard.press("c")
    saved(page)
    assert [note.circled for note in read_notes(desk.folder / "notes.csv").values()] == [True]


def test_zooming_draws_a_stretch_and_marks_stand_in_it(desk, opened):
    """The picture is another one, a click plays inside it, and 0 shows the whole again."""
    page = opened()
    ready(page)
    clipped = card(page, desk, "02_kiln_t2.flac")
    whole = clipped.locator(".shape").get_attribute("d")
    clipped.get_by_role("button", name="Zoom in").click()
    clipped.locator(".zoom output", has_text="s").wait_for()
    until(page, f"{CARDS}.some((c) => c.querySelector('.wave').dataset.from > 0)")
    assert clipped.locator(".shape").get_attribute("d") != whole
    from_s, to_s = (
        float(clipped.locator(".wave").get_attribute(f"data-{e}")) for e in ("from", "to")
    )
    length = float(clipped.locator(".wave").get_attribute("data-s"))
    assert to_s - from_s == pytest.approx(length / 2, abs=0.01)
    mark = clipped.locator(".mark").first
    columns = float(clipped.locator(".wave svg").get_attribute("viewBox").split()[2])
    expected = (float(mark.get_attribute("data-s")) - from_s) / (to_s - from_s) * columns
    assert float(mark.get_attribute("x1")) == pytest.approx(expected, abs=0.5)
    clipped.locator(".wave svg").click()
    until(page, f"{CARDS}.some((c) => c.querySelector('audio').currentTime > {from_s})")
    clipped.get_by_role("button", name="All of").click()
    until(page, f"{CARDS}.every((c) => !(c.querySelector('.wave').dataset.from > 0))")


@pytest.mark.usefixtures("desk")
def test_order_filter_and_search(opened):
    """By number, only what is clean, and a word of a fault finds its line."""
    page = opened()
    ready(page)
    shown = f"{CARDS}.filter((c) => !c.hidden).map((c) => c.dataset.key)"
    page.select_option("#order", "number")
    assert page.evaluate(shown) == ["02_kiln_t1", "02_kiln_t2", "02_kiln_t3"]
    page.uncheck("input.show[value=retake]")
    page.uncheck("input.show[value=fixable]")
    assert page.evaluate(shown) == ["02_kiln_t3"]
    page.fill("input[type=search]", "cut flat")
    assert page.locator(".line-list li").count() == 1
    page.fill("input[type=search]", "nobody said this")
    assert page.locator(".line-list li").count() == 0
    page.get_by_text("Nothing is found.").wait_for()


def test_an_address_leads_to_a_take_and_a_moment(desk, opened):
    """The link plays from there."""
    page = opened()
    ready(page)
    line = page.locator(".line-list a").get_attribute("data-line")
    take = desk.take("02_kiln_t3.flac")
    page.goto(f"{page.url.split('#')[0]}#/takes/{line}/{take}?t=3.5")
    sound = f"document.querySelector('.take[data-id=\"{take}\"] audio')"
    until(page, f"{sound}?.currentTime >= 3.5 && !{sound}.paused")


def test_a_reload_in_the_middle_loses_nothing(desk, opened):
    """A remark that was just typed is saved as the page goes; the line is there again."""
    page = opened()
    ready(page)
    card(page, desk, "02_kiln_t1.flac").locator(".remark").press_sequentially("half a sent")
    page.wait_for_timeout(1000)
    page.reload()
    ready(page)
    remark = f"document.querySelector('.take[data-id=\"{desk.take('02_kiln_t1.flac')}\"] .remark')"
    until(page, f"{remark}.value === 'half a sent'")


def test_who_may_only_look_changes_nothing(desk, opened):
    """On a shared page the notes stand there and cannot be changed, nor by a forged request."""
    shared = desk.url.replace(desk.url.split("key=")[1], SHARED)
    page = opened(url=shared)
    ready(page)
    assert page.locator(".notes input:not([disabled])").count() == 0
    change = {"take": desk.take(TAKES[0]), "field": "circled", "value": "x"}
    assert post(f"{base(shared)}/note", change, Cookie=cookie(shared))[::2] == (403, b"")
    assert not (desk.folder / "notes.csv").exists()


def test_the_server_is_killed_and_started_again(browser, tmp_path, cache, pool):
    """The page goes on where it was, with what came meanwhile."""
    folder = fill(tmp_path / "potter", *TAKES)
    with running(folder, cache, pool) as first:
        page = browser.new_page()
        page.goto(f"{first.url}#/takes")
        ready(page)
        port = first.server.port
    page.locator("#lost").wait_for(state="visible")
    shutil.copyfile(FOLDER / "02_kiln_t4.flac", folder / "02_kiln_t4.flac")
    with running(folder, cache, pool, port):
        ready(page, 4)
        until(page, "document.getElementById('lost').hidden")
    page.close()


@pytest.mark.outside
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("view", ["takes", "phrases"])
@pytest.mark.usefixtures("desk")
def test_axe_finds_nothing(opened, view: str, scheme: str):
    """In both themes, all of it unfolded; targets are large enough, and nothing sticks out."""
    page = opened(view, color_scheme=scheme)
    page.locator(f"#view-{view} .take").nth(2).wait_for(timeout=60_000)
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert faults(page) == []
    for width in (1440, 390, 2560):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate(SMALL_TARGETS) == []
        room = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
        assert page.evaluate(room), f"{view} does not fit {width} px"
