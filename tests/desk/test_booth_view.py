"""The booth's view in a real browser: follows the session, and says so when it cannot."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest

from tests.desk.test_serve import OWN, served
from tests.material.demo_session import FOLDER
from tests.report.browser import faults, until
from vocheck.booth import Booth
from vocheck.desk.access import Keys
from vocheck.desk.board import Board
from vocheck.desk.boothview import BoothView
from vocheck.session.take import TakeResult, check_take
from vocheck.wording.booth import screen_of_take

SCRIPT = {"01_river": "The river came first.", "02_kiln": "The kiln is beside the house."}


@pytest.fixture(scope="module")
def take() -> TakeResult:
    """Return the demo take with the clipped word."""
    return check_take(FOLDER / "02_kiln_t2.flac")


@contextmanager
def opened(browser, booth: Booth, **options: object) -> Iterator[tuple[object, BoothView]]:
    """Yield the page and the stage that it is; nothing was logged or asked elsewhere."""
    board = Board()
    view = BoothView(board, booth, SCRIPT)
    page = browser.new_page(**options)
    said, asked = [], []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    with served(board) as server:
        page.goto(server.url)
        page.get_by_text("Standing by for the next take.").first.wait_for()
        yield page, view
        assert said == []
        assert all(url.startswith(f"http://127.0.0.1:{server.port}/") for url in asked), asked
    page.locator("#lost").wait_for(state="visible")  # the server has ended
    page.close()


@pytest.mark.parametrize("width", [390, 820, 1440, 2560])
def test_the_page_follows_the_session(browser, take, width: int):
    """A new state is shown by itself, at any width, in the right order of sizes."""
    booth = Booth(["01_river", "02_kiln", "03_hands", "04_bowl"])
    with opened(browser, booth, viewport={"width": width, "height": 800}) as (page, view):
        assert "key=" not in page.url
        long = "a_long_line_name_without_a_single_space_in_it"
        for verdict, line in (("keep", "02_kiln"), ("fixable", "02_kiln"), ("retake", long)):
            now = replace(take, verdict=verdict, line=line)
            booth.add(now)
            view.verdict(screen_of_take(now, booth))
            page.locator(f".sign.{verdict}").wait_for()
            sizes = page.evaluate(
                "['.sign h1', '.do', '.sign h2', '.why p', 'th'].map("
                "(s) => parseFloat(getComputedStyle(document.querySelector(s)).fontSize))"
            )
            assert sizes[0] > sizes[1] > max(sizes[2:]), "the action is the second-largest text"
            room = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
            assert page.evaluate(room), f"{verdict} does not fit {width} px"


def test_the_page_rings_where_the_count_grows(browser, take):
    """The first state rings never; a later one with a higher count does, and beeps once unmuted."""
    booth = Booth()
    booth.add(take)
    with opened(browser, booth) as (page, view):
        view.verdict(screen_of_take(take, booth))
        page.locator(".sign.retake").wait_for()
        assert page.title() == "RETAKE 02_kiln, take 2"
        assert page.locator(".ring").count() == 0
        page.get_by_role("button", name="Bell is off").click()
        page.get_by_role("button", name="Bell is on").wait_for()
        before = int(page.locator("body").get_attribute("data-beeps"))
        view.ring()
        page.locator(".ring .sign").wait_for()
        assert int(page.locator("body").get_attribute("data-beeps")) == before + 2


def test_a_screen_reader_hears_the_verdict_once(browser, take):
    """The verdict, the take and what to do: not the table, and not again when only lines change."""
    booth = Booth(["01_river"])
    with opened(browser, booth) as (page, view):
        page.evaluate(
            """() => { window.heard = []; new MutationObserver(() => heard.push(
            document.getElementById("said").textContent)).observe(
            document.getElementById("said"), {childList: true}); }"""
        )
        booth.add(take)
        screen = screen_of_take(take, booth)
        view.verdict(screen)
        page.locator(".sign.retake").wait_for()
        booth.add(replace(take, path="/x/09_end_t1.flac", line="09_end", take=1))
        view.lines(screen)
        page.get_by_text("09_end").wait_for()
        heard = page.evaluate("window.heard")
        assert heard == [f"Retake. 02_kiln, take 2. {screen.action}"]
        live = page.evaluate(
            "[...document.querySelectorAll('[aria-live], [role=status]')].map((e) => e.id)"
        )
        assert live == ["said", "toast"]


def test_a_browser_that_was_away_catches_up(browser, take):
    """The server is killed and started again on its port: the page goes on by itself."""
    booth = Booth()
    board = Board()
    view = BoothView(board, booth, None)
    page = browser.new_page()
    with served(board) as server:
        page.goto(server.url)
        page.get_by_text("Standing by for the next take.").first.wait_for()
    page.locator("#lost").wait_for(state="visible")
    booth.add(take)
    other = Board()
    view = BoothView(other, booth, None)
    view.verdict(screen_of_take(take, booth))
    with served(other, keys=Keys(OWN, ""), port=server.port):
        page.locator(".sign.retake").wait_for()
        until(page, "document.getElementById('lost').hidden")
    page.close()


def test_who_comes_with_an_old_key_is_told(browser):
    """Another key counts now: the page says what to do."""
    with served() as server:
        page = browser.new_page()
        page.goto(server.url)
        page.locator("#theme").wait_for()
        port = server.port
    with served(keys=Keys("n" * 40), port=port):
        page.get_by_text("use the address that it printed").wait_for()
    page.close()


@pytest.mark.outside
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("verdict", ["keep", "fixable", "retake", ""])
def test_axe_finds_nothing(browser, take, verdict: str, scheme: str):
    """Whatever it shows, in both themes."""
    booth = Booth(["01_river", "02_kiln"])
    with opened(browser, booth, color_scheme=scheme) as (page, view):
        if verdict:
            now = replace(take, verdict=verdict)
            booth.add(now)
            view.verdict(screen_of_take(now, booth))
            page.locator(f".sign.{verdict}").wait_for()
        dark = "document.documentElement.classList.contains('dark')"
        until(page, f"{dark} === {str(scheme == 'dark').lower()}")
        assert faults(page) == []
