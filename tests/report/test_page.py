"""The page in a real browser: plays, switches, saves notes, and asks nothing of the network."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.material.demo_session import FOLDER
from tests.report.browser import until
from tests.report.conftest import NASTY
from vocheck.report.page import render_page, wave_path
from vocheck.session.notes import read_notes
from vocheck.session.take import check_take
from vocheck.takes.overview import make_overview


@pytest.fixture
def session(kiln: Path) -> Path:
    """Return the folder with the page, `rank.html`."""
    return kiln


@pytest.fixture
def page(watched, kiln: Path):
    return watched(kiln / "rank.html")


def test_a_take_plays_and_stops(page):
    """The button starts the take's own file and stops it again."""
    page.click('.take[data-take="1"] .play')
    until(page, "document.querySelectorAll('audio')[1].currentTime > 0.2")
    page.click('.take[data-take="1"] .play')
    assert page.evaluate("document.querySelectorAll('audio')[1].paused")


def test_switching_stays_at_the_same_phrase(page):
    """A number key goes to another take of the line at the same place of the same phrase."""
    spans = page.evaluate("JSON.parse(document.getElementById('play').textContent)[0].takes")
    page.click('.cell[data-take="0"][data-phrase="1"]')
    start = spans[0]["phrases"][1][0]
    until(page, f"document.querySelectorAll('audio')[0].currentTime > {start} + 0.1")
    page.keyboard.press("2")
    until(page, "!document.querySelectorAll('audio')[1].paused")
    at = page.evaluate("document.querySelectorAll('audio')[1].currentTime")
    start, end = spans[1]["phrases"][1]
    assert start <= at < end
    until(page, "document.querySelectorAll('audio')[0].paused")


def test_takes_are_played_equally_loud(page):
    """Louder takes are turned down to the softest: volume less loudness is one number."""
    volumes = page.evaluate("JSON.parse(document.getElementById('play').textContent)[0].takes")
    levels = {}
    for file in FOLDER.glob("02_kiln_t*.flac"):
        levels[int(file.stem[-1])] = check_take(file).measurements.loudness.integrated_lufs
    heard = [
        levels[int(take["name"].split()[-1])] + 20 * np.log10(take["volume"]) for take in volumes
    ]
    assert max(heard) - min(heard) < 0.01  # the volume is written with four digits


def test_notes_are_saved_as_the_csv_that_vocheck_reads(page, tmp_path: Path):
    """What was typed comes back through read_notes, dangerous text included, defused."""
    item = page.locator('.take[data-key="02_kiln_t3"]')
    item.locator(".circled").check()
    item.locator(".rating").fill("4.5")
    item.locator(".remark").fill('=SUM(A1), "so far"')
    with page.expect_download() as download:
        page.click("#save")
    saved = tmp_path / "notes.csv"
    download.value.save_as(saved)
    notes = read_notes(saved)
    assert notes["02_kiln_t3"].circled
    assert notes["02_kiln_t3"].rating == 4.5
    assert notes["02_kiln_t3"].remark == '=SUM(A1), "so far"'  # read as it was typed
    assert "\"'=SUM(A1)" in saved.read_text("utf-8")  # and no formula in the file
    assert notes["02_kiln_t2"].remark == NASTY
    assert len(list(csv.reader(io.StringIO(saved.read_text(encoding="utf-8"))))) == 6


def test_order_and_filter(page):
    """Takes are sorted by number, and verdicts are hidden."""
    page.select_option("#order", "number")
    numbers = page.eval_on_selector_all(
        "#line-0 .take", "items => items.map(i => i.dataset.number)"
    )
    assert numbers == sorted(numbers)
    page.uncheck('.show[value="retake"]')
    shown = page.eval_on_selector_all(
        ".take:not([hidden])", "items => items.map(i => i.dataset.verdict)"
    )
    assert shown
    assert "retake" not in shown


@pytest.mark.parametrize("width", [1440, 820, 390])
def test_the_page_never_scrolls_sideways(page, width: int):
    """Desk, tablet and telephone."""
    page.set_viewport_size({"width": width, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_untrusted_text_is_escaped(session: Path):
    """A remark that looks like markup stays text."""
    text = (session / "rank.html").read_text(encoding="utf-8")
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text


def test_the_page_is_small_and_whole(session: Path):
    """Under 80 KiB a take without audio, and no address of anything outside."""
    text = (session / "rank.html").read_text(encoding="utf-8")
    assert len(text) < 4 * 80 * 1024
    assert "http" not in text.replace("http-equiv", "")


def test_listening_copies_can_be_carried_inside(tmp_path: Path):
    """An embedded copy decodes to the take's length."""
    import base64

    from vocheck.takes.listening import voice_copy

    take = FOLDER / "02_kiln_t2.flac"
    copy = voice_copy(take)
    sound, rate = soundfile.read(io.BytesIO(base64.b64decode(copy.address.partition(",")[2])))
    # 0.1 s: the coder pads to whole frames
    assert len(sound) / rate == pytest.approx(soundfile.info(take).duration, abs=0.1)
    assert copy.gain_db < 0  # the take is clipped: the copy is turned down
    overview = make_overview([take], notes={})
    page = render_page(overview, "potter", tmp_path, {str(take): copy})
    assert copy.address[:60] in page


def test_a_waveform_fills_its_height():
    """The highest sample touches the upper edge, whatever the level."""
    from vocheck.takes.overview import Picture

    high = np.linspace(0, 0.01, 600, dtype=np.float32)
    path = wave_path(Picture(low=-high, high=high, spectrum=np.zeros((1, 1), np.uint8)))
    assert path.startswith("M0,48")
    assert "599,0" in path
