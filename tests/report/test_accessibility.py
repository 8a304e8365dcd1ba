"""The pages for everybody: axe-core's rules, the keyboard, the size of targets, no motion."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.mix.signals import noise, tone, write
from tests.report.browser import SMALL_TARGETS, every_stop, faults
from vocheck.cli import run


@pytest.fixture(scope="module")
def pages(kiln: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return the page of each command by its name."""
    folder = tmp_path_factory.mktemp("mix")
    speech = np.concatenate([tone(4, -12), tone(2, 0.5), tone(4, -20)])
    mix = write(folder / "mix.wav", speech + noise(10, -23))
    voice = write(folder / "voice.wav", speech)
    bed = write(folder / "bed.wav", noise(10, -23))
    stems = ["--stem", f"voice={voice}", "--stem", f"bed={bed}"]
    to = ["--to", "social", "--to", "ebu-r128", "--to", "youtube"]
    out = ["--html", str(folder / "mix.html"), "-o", str(folder / "r.txt")]
    assert run(["mix", str(mix), *to, *stems, *out]) == 1
    return {
        "rank": kiln / "rank.html",
        "comp": kiln / "comp.html",
        "mix": folder / "mix.html",
    }


@pytest.mark.outside
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["rank", "comp", "mix"])
def test_axe_finds_nothing(pages, watched, name: str, scheme: str):
    """No fault of any severity, all of the page unfolded, in both themes."""
    page = watched(pages[name], color_scheme=scheme)
    assert page.evaluate("document.documentElement.classList.contains('dark')") == (
        scheme == "dark"
    )
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert faults(page) == []


@pytest.mark.parametrize("width", [1440, 390])
@pytest.mark.parametrize("name", ["rank", "comp", "mix"])
def test_targets_are_large_enough(pages, watched, name: str, width: int):
    """Everything to be pressed measures 24 px or more (WCAG 2.2, 2.5.8)."""
    page = watched(pages[name], viewport={"width": width, "height": 900})
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert page.evaluate(SMALL_TARGETS) == []


@pytest.mark.parametrize("name", ["rank", "comp", "mix"])
def test_everything_is_reached_by_keyboard(pages, watched, name: str):
    """Tab stops at each control, shows where it is, and comes to an end."""
    page = watched(pages[name])
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    stops = every_stop(page)
    controls = "a[href], button, select, summary, input:not([type=radio]), [tabindex='0']"
    visible = page.evaluate(
        f'[...document.querySelectorAll("{controls}")].filter((e) => e.checkVisibility()).length'
    )
    # of radio buttons, one stop for each group
    groups = page.evaluate(
        "new Set([...document.querySelectorAll('[type=radio]')].map((r) => r.name)).size"
    )
    assert len(stops) == visible + groups


@pytest.mark.parametrize("name", ["rank", "comp", "mix"])
def test_what_has_the_focus_is_not_covered(pages, watched, name: str):
    """The bar at the bottom never lies over the control that has the focus (WCAG 2.2, 2.4.11)."""
    page = watched(pages[name], viewport={"width": 390, "height": 700})
    for _ in range(40):
        page.keyboard.press("Tab")
        hidden = page.evaluate(
            """() => {
            const here = document.activeElement.getBoundingClientRect();
            const bar = document.getElementById("now").getBoundingClientRect();
            return here.top >= bar.top && here.bottom <= bar.bottom;
            }"""
        )
        assert not hidden, page.evaluate("document.activeElement.outerHTML")


@pytest.mark.parametrize("name", ["rank", "comp", "mix"])
def test_nothing_moves_by_itself(pages, name: str):
    """No transition and no animation, so that reduced motion needs no other page."""
    text = pages[name].read_text(encoding="utf-8")
    for word in ("transition", "animation", "@keyframes", "scroll-behavior"):
        assert word not in text


@pytest.mark.parametrize("name", ["rank", "comp", "mix"])
def test_single_keys_can_be_turned_off(pages, watched, name: str):
    """Who dictates or leans on the keyboard turns the keys off (WCAG 2.1.4, A)."""
    page = watched(pages[name])
    page.click(".keys summary")
    page.uncheck("#shortcuts")
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Space")
    page.keyboard.press("p")
    page.wait_for_timeout(200)
    assert page.evaluate("[...document.querySelectorAll('audio')].every((a) => a.paused)")
