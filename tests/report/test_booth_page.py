"""The booth's page in a real browser: follows the session, and says so when it cannot."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from tests.material.demo_session import FOLDER
from vocheck.booth import Booth, forecast_headroom
from vocheck.booth.serve import PageServer
from vocheck.report.booth_page import PAGE, render_state
from vocheck.session.take import TakeResult, check_take
from vocheck.wording.booth import screen_of_take, screen_of_test_read, screen_of_tone, standing_by

NASTY = "<img src=x onerror=alert(1)>&\"'"


@pytest.fixture(scope="module")
def take() -> TakeResult:
    """Return the demo take with the clipped word."""
    return check_take(FOLDER / "02_kiln_t2.flac")


def test_the_state_before_the_first_take():
    """The lines of the script stand there, each needing a clean take."""
    state = render_state(standing_by(), Booth(["01_river", "02_kiln"]))
    assert "Standing by" in state
    assert state.count("a clean take") == 2


def test_the_state_tells_verdict_cause_and_remedy(take):
    """Verdict, which take, what to do now, what was found with its time, and the table."""
    booth = Booth(["01_river"], wanted=2)
    booth.add(take)
    state = render_state(screen_of_take(take, booth), booth)
    assert '<div class="sign retake"><h1>RETAKE</h1>\n<h2>02_kiln, take 2</h2>' in state
    assert f'<p class="do">{take.findings[0].now}</p>' in state
    assert "At 0:05.3" in state
    assert "2 clean takes" in state
    assert '<span class="take retake">2 retake</span>' in state


def test_test_read_and_room_tone_are_on_the_page(take):
    """What they say stands there as it comes, and as a fact beside every take after them."""
    booth = Booth()
    read = check_take(FOLDER / "03_hands_t3.flac")  # recorded 18 dB low (truth.json)
    booth.test_read = forecast_headroom(read)
    state = render_state(screen_of_test_read(read, booth.test_read), booth)
    assert re.search(r'<p class="do">Turn the gain up by 1\d dB.</p>', state)
    booth.room_tone = check_take(FOLDER / "room_tone.flac")
    state = render_state(screen_of_tone(booth.room_tone), booth)
    assert "Nobody speaks; noise floor -74 dBFS." in state
    booth.add(take)
    state = render_state(screen_of_take(take, booth), booth)
    assert re.search(r"<dt>Test read</dt><dd>.*asked for 1\d dB more gain</dd>", state)
    assert "<dt>Room tone</dt><dd>noise floor -74 dBFS</dd>" in state


def test_names_are_text(take):
    """Nothing in a file name becomes part of the page."""
    booth = Booth([NASTY])
    nasty = replace(take, line=NASTY, take=None, path=f"/takes/{NASTY}.wav")
    booth.add(nasty)
    state = render_state(screen_of_take(nasty, booth), booth)
    assert "<img" not in state
    assert "&lt;img src=x onerror=alert(1)&gt;&amp;&quot;&#x27;" in state


@pytest.mark.parametrize("width", [390, 820, 1440])
def test_the_page_follows_the_session(browser, take, width):
    """A new state is shown by itself, at any width, with nothing logged or asked elsewhere."""
    page = browser.new_page(viewport={"width": width, "height": 800})
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    booth = Booth(["01_river", "02_kiln", "03_hands", "04_bowl"])
    with PageServer(PAGE) as server:
        server.publish(render_state(standing_by(), booth))
        page.goto(server.url)
        page.get_by_text("Standing by for the next take.").wait_for()
        long = "a_long_line_name_without_a_single_space_in_it"
        for verdict, line in (("keep", "02_kiln"), ("fixable", "02_kiln"), ("retake", long)):
            now = replace(take, verdict=verdict, line=line)
            booth.add(now)
            server.publish(render_state(screen_of_take(now, booth), booth))
            page.locator(f".sign.{verdict}").wait_for()
            sizes = page.evaluate(
                "['h1', '.do', 'h2', '.why p', 'th'].map("
                "(s) => parseFloat(getComputedStyle(document.querySelector(s)).fontSize))"
            )
            assert sizes[0] > sizes[1] > max(sizes[2:]), "the action is the second-largest text"
            room = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
            assert page.evaluate(room), f"{verdict} does not fit {width} px"
        assert page.locator("#lost").is_hidden()
        assert said == []
        assert all(url.startswith(server.url) for url in asked)
    page.locator("#lost").wait_for(state="visible")  # the server has ended
    page.close()


def test_the_page_rings_where_the_count_grows(browser, take):
    """The first state rings never; a later one with a higher count does, and beeps once unmuted."""
    page = browser.new_page()
    booth = Booth()
    booth.add(take)
    screen = screen_of_take(take, booth)
    with PageServer(PAGE) as server:
        server.publish(render_state(screen, booth, rings=3))
        page.goto(server.url)
        page.locator(".sign.retake").wait_for()
        assert page.title() == "RETAKE 02_kiln, take 2"
        assert page.locator(".ring").count() == 0
        page.get_by_role("button", name="Bell is off").click()
        assert page.get_by_role("button", name="Bell is on").is_visible()
        page.evaluate("window.beeps = 0; const old = beep; beep = () => { beeps += 1; old(); }; 0")
        server.publish(render_state(screen, booth, rings=4))
        page.locator("main.ring").wait_for()
        assert page.evaluate("beeps") == 1
    page.close()
