"""The views *Mix*, *Room* and *Limits* in a real browser."""

from __future__ import annotations

import pytest

from tests.desk.conftest import fill, running
from tests.desk.test_takes_view import ready
from tests.report.browser import SMALL_TARGETS, faults, until

ROOM = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"


def fits_and_is_for_all(page) -> None:
    """No fault of axe-core's rules, targets large enough, nothing that sticks out."""
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert faults(page) == []
    for width in (1440, 390):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate(SMALL_TARGETS) == []
        assert page.evaluate(ROOM), f"does not fit {width} px"


@pytest.mark.outside
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_mix_is_chosen_checked_and_heard(desk, opened, scheme: str):
    """The file that is called a mix is offered first; its page is that of `vocheck mix`."""
    fill(desk.folder, "mix.flac")
    page = opened("mix", color_scheme=scheme)
    until(
        page, "document.querySelector('#view-mix .file')?.selectedOptions[0]?.text === 'mix.flac'"
    )
    page.fill("#view-mix input[type=search]", "r 128")
    page.uncheck("#view-mix .encode")
    page.get_by_role("button", name="Check").click()
    page.locator("#view-mix .answer-shown h3", has_text="Loudness over time").wait_for()
    assert page.locator("#view-mix .answers-list .verdict").count() == 1
    assert page.locator("#view-mix .answer-shown .card h3").first.inner_text()
    page.get_by_role("button", name="Play mix.flac").click()
    until(page, "document.querySelector('#view-mix audio').currentTime > 0.1")
    page.get_by_role("button", name="Play mix.flac").click()
    fits_and_is_for_all(page)


@pytest.mark.outside
def test_a_room_is_measured(desk, opened):
    """What is called room tone is chosen already; its noise is told, and drawn."""
    fill(desk.folder, "room_tone.flac")
    page = opened("room", color_scheme="dark")
    page.locator("#view-room .boxes label", has_text="room_tone.flac").wait_for()
    page.get_by_role("button", name="Measure").click()
    page.locator("#view-room .answer-shown", has_text="Background noise").wait_for(timeout=60_000)
    assert page.locator("#view-room .figure").evaluate("image => image.naturalWidth") > 400
    fits_and_is_for_all(page)


@pytest.mark.outside
def test_a_limit_is_changed_takes_are_judged_anew_and_it_is_undone(desk, opened):
    """Saved with the comments that were there; the booth and the takes follow without measuring."""
    (desk.folder / "vocheck.toml").write_text("# of the studio\n")
    page = opened()
    ready(page)
    page.goto(f"{page.url.split('#')[0]}#/limits")
    retake = page.get_by_role("textbox", name="clipping retake", exact=True)
    retake.wait_for()
    shipped = retake.input_value()
    retake.fill("nonsense")
    retake.press("Tab")
    page.locator("#toast", has_text="is no number").wait_for()
    page.get_by_role("textbox", name="clipping retake", exact=True).fill("1e6")
    page.get_by_role("textbox", name="clipping retake", exact=True).press("Tab")
    page.locator("#toast", has_text="Saved to vocheck.toml.").wait_for()
    settings = desk.folder / "vocheck.toml"
    assert settings.read_text().startswith("# of the studio\n")
    assert "retake = 1000000" in settings.read_text()
    until(page, "document.querySelectorAll('.numbers tr.own').length === 1")
    page.locator("#undo").click()
    page.locator("#toast", has_text="Undone.").wait_for()
    until(page, "document.querySelectorAll('.numbers tr.own').length === 0")
    assert settings.read_text() == "# of the studio\n"
    assert page.get_by_role("textbox", name="clipping retake", exact=True).input_value() == shipped
    fits_and_is_for_all(page)


def test_settings_of_other_folders_are_not_written(browser, tmp_path, cache, pool):
    """A vocheck.toml further up counts, is shown, and cannot be changed from here."""
    above = tmp_path / "vocheck.toml"
    above.write_text("[limits.noise_floor]\nfixable = -33.0\n")
    folder = fill(tmp_path / "potter", "02_kiln_t3.flac")
    with running(folder, cache, pool) as desk:
        page = browser.new_page()
        page.goto(f"{desk.url}#/limits")
        page.get_by_text("is not written from here").wait_for()
        until(page, "document.querySelectorAll('.numbers tr.own').length === 1")
        assert page.locator(".number:not([disabled])").count() == 0
        page.close()
    assert above.read_text() == "[limits.noise_floor]\nfixable = -33.0\n"
    assert not (folder / "vocheck.toml").exists()


def test_a_broken_file_of_settings_is_told_and_the_old_ones_count(desk, opened):
    """Somebody edits it meanwhile: the line of the loader stands on the page."""
    page = opened("limits")
    page.locator(".numbers").first.wait_for()
    (desk.folder / "vocheck.toml").write_text("[limits.hum]\nfixabel = -50\n")
    page.get_by_text("unknown key 'fixabel'").wait_for()
    (desk.folder / "vocheck.toml").write_text("[limits.hum]\nfixable = -50\n")
    until(page, "document.querySelectorAll('.numbers tr.own').length === 1")
    assert page.locator("#view-limits .hint").is_hidden()


def test_a_folder_that_vanishes_is_told_and_comes_back(desk, opened, tmp_path):
    """A disk in the network goes away: what was seen stays, and one line says so."""
    page = opened("booth")
    page.locator("#view-booth .table").wait_for()
    aside = tmp_path / "aside"
    desk.folder.rename(aside)
    page.locator("#trouble", has_text="cannot be looked at").wait_for()
    assert page.locator("#view-booth .table th").inner_text() == "02_kiln"
    aside.rename(desk.folder)
    page.locator("#trouble").wait_for(state="hidden")


def test_a_full_disk_is_told_and_the_note_is_not_taken_as_saved(desk, opened, monkeypatch):
    """Writing fails: the page says so in one line."""
    import vocheck.desk.notes
    from vocheck.errors import VocheckError

    def full(path, _):
        raise VocheckError(f"{path}: cannot be written: No space left on device")

    monkeypatch.setattr(vocheck.desk.notes, "write_entry", full)
    page = opened()
    ready(page)
    page.locator("#view-takes .circled").first.check()
    page.locator("#toast.wrong", has_text="No space left on device").wait_for()
    assert not (desk.folder / "notes.csv").exists()
