"""The booth as a piece of a page; the page itself is tested with the desk."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from tests.material.demo_session import FOLDER
from vocheck.booth import Booth, forecast_headroom
from vocheck.report.booth_page import render_state
from vocheck.session.take import TakeResult, check_take
from vocheck.wording.booth import screen_of_take, screen_of_test_read, screen_of_tone, standing_by
from vocheck.wording.findings import now

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
    assert f'<p class="do">{now(take.findings[0])}</p>' in state
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


def test_the_line_to_record_next_stands_there_with_its_words(take):
    """After a retake it is the same line, after a clean take the next; no script, no words."""
    script = {"01_river": "The river came <first>.", "02_kiln": "The kiln is beside the house."}
    booth = Booth(script)
    assert "The river came &lt;first&gt;." in render_state(standing_by(), booth, script)
    booth.add(take)
    assert "The kiln is beside" in render_state(screen_of_take(take, booth), booth, script)
    clean = replace(take, verdict="keep", findings=(), sha256="another")
    booth.add(clean)
    assert "The river came" in render_state(screen_of_take(clean, booth), booth, script)
    assert 'class="words"' not in render_state(screen_of_take(clean, booth), booth)


def test_what_is_good_to_have_is_asked_for_before_the_first_take(take):
    """Test read, room tone, clap: each until it is there, and none once takes are recorded."""
    booth = Booth(["01_river"])
    state = render_state(standing_by(), booth)
    assert "Test read:" in state
    assert "Room tone: half a minute" in state
    booth.room_tone = check_take(FOLDER / "room_tone.flac")
    assert "half a minute" not in render_state(standing_by(), booth)
    booth.add(take)
    assert "Test read:" not in render_state(screen_of_take(take, booth), booth)
