"""The booth's page in a real browser: follows the session, and says so when it cannot."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.material.demo_session import FOLDER
from vocheck.booth import Booth
from vocheck.booth.serve import PageServer
from vocheck.report.booth_page import PAGE, render_state
from vocheck.session.take import TakeResult, check_take

NASTY = "<img src=x onerror=alert(1)>&\"'"


@pytest.fixture(scope="module")
def take() -> TakeResult:
    """Return the demo take with the clipped word."""
    return check_take(FOLDER / "02_kiln_t2.flac")


def test_the_state_before_the_first_take():
    """The lines of the script stand there, each needing a clean take."""
    state = render_state(Booth(["01_river", "02_kiln"]), None)
    assert "Standing by" in state
    assert state.count("a clean take") == 2


def test_the_state_tells_verdict_cause_and_remedy(take):
    """Verdict, which take, what was found with its time, what to do now, and the table."""
    booth = Booth(["01_river"], wanted=2)
    booth.add(take)
    state = render_state(booth, take)
    assert '<h1 class="retake">RETAKE</h1>\n<h2>02_kiln, take 2</h2>' in state
    assert take.findings[0].now.split(";")[0] in state
    assert "At 0:05.3" in state
    assert "2 clean takes" in state
    assert '<span class="retake">2 retake</span>' in state


def test_names_are_text(take):
    """Nothing in a file name becomes part of the page."""
    booth = Booth([NASTY])
    nasty = replace(take, line=NASTY, take=None, path=f"/takes/{NASTY}.wav")
    booth.add(nasty)
    state = render_state(booth, nasty)
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
        server.publish(render_state(booth, None))
        page.goto(server.url)
        page.get_by_text("Standing by for the next take.").wait_for()
        long = "a_long_line_name_without_a_single_space_in_it"
        for verdict, line in (("keep", "02_kiln"), ("fixable", "02_kiln"), ("retake", long)):
            now = replace(take, verdict=verdict, line=line)
            booth.add(now)
            server.publish(render_state(booth, now))
            page.locator(f"h1.{verdict}").wait_for()
            room = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
            assert page.evaluate(room), f"{verdict} does not fit {width} px"
        assert page.locator("#lost").is_hidden()
        assert said == []
        assert all(url.startswith(server.url) for url in asked)
    page.locator("#lost").wait_for(state="visible")  # the server has ended
    page.close()
