"""The page of a final mix in a real browser: verdict first, the curve, the places, the sound."""

from __future__ import annotations

import base64
import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.mix.signals import noise, silence, tone, write
from tests.report.browser import until
from tests.report.conftest import NASTY
from vocheck.cli import run
from vocheck.mix import LoudnessOverTime, check_mix
from vocheck.report.page import render_mix_page
from vocheck.report.page.drawing import band_path, columns, curve_path
from vocheck.takes.listening import listening_copy

AUDIO = "document.querySelector('audio')"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a mix of 20 s, loud and over 0 dBTP from 8 to 10 s, and its page."""
    folder = tmp_path_factory.mktemp("mix")
    speech = np.concatenate([tone(8, -16), tone(2, 0.5), tone(2, -16), silence(8)])
    music, rest = noise(20, -33), np.concatenate([silence(12), tone(8, -16)])
    file = write(folder / "mix <b>&'.wav", speech + music + rest)
    voice, bed = write(folder / "voice.wav", speech), write(folder / "bed.wav", music)
    stems = ["--stem", f"voice={voice}", "--stem", f"bed={bed}"]
    out = ["--html", str(folder / "mix.html"), "-o", str(folder / "r.txt")]
    assert run(["mix", str(file), "--to", "social", "--to", "ebu-r128", *stems, *out]) == 1
    return folder


@pytest.fixture
def page(watched, folder: Path):
    return watched(folder / "mix.html")


def test_the_first_screen_says_whether_it_passes_and_what_to_do(page):
    """Verdict, then each destination with the gain that it asks for, above the fold."""
    assert page.locator(".summary .verdict").inner_text() == "Fail"
    cards = page.locator(".where .card")
    assert "Not ready for" in page.locator(".summary").inner_text()
    for i in range(cards.count()):
        box = cards.nth(i).bounding_box()
        assert box["y"] < 900
    assert "Gain:" in cards.nth(1).inner_text()


@pytest.mark.parametrize("share", [0.25, 0.75])
def test_a_click_on_the_curve_plays_from_there(page, share: float):
    """The sound goes where the pointer is."""
    box = page.locator(".curve svg").first.bounding_box()
    page.mouse.click(box["x"] + share * box["width"], box["y"] + 20)
    until(page, f"!{AUDIO}.paused && {AUDIO}.currentTime > 0")
    # 1 s: what has been played until it is looked at
    assert page.evaluate(f"{AUDIO}.currentTime") == pytest.approx(20 * share, abs=1.0)
    until(page, "document.querySelector('.here').textContent.includes('LUFS')")
    page.keyboard.press("Space")
    assert page.evaluate(f"{AUDIO}.paused")


def test_the_loudest_place_is_marked_and_played(page):
    """The mark of the loudest 3 s lies by the loud part, and its time plays from just before."""
    x = float(page.locator(".curve .loudest").first.get_attribute("x1"))
    # all windows of 3 s that hold the whole loud part, 8 to 10 s
    assert 8.4 <= x / 1200 * 20 <= 9.6
    page.locator("dd", has_text="LUFS").locator(".jump").first.click()
    until(page, f"{AUDIO}.currentTime > 7.9")


def test_places_over_the_limit_are_marked(page):
    """Ticks stand in the loud part alone, and each listed place can be heard."""
    ticks = [
        float(x)
        for x in page.eval_on_selector_all(
            ".over", "lines => lines.map((line) => line.getAttribute('x1'))"
        )
    ]
    assert ticks
    assert all(7.9 <= x / 1200 * 20 <= 10.1 for x in ticks)
    page.locator(".over-list .jump").first.click()
    until(page, f"{AUDIO}.currentTime > 7.5")


def test_the_place_is_set_by_keyboard(page):
    """The slider moves the sound, and says the time."""
    page.click(".play")
    until(page, f"{AUDIO}.currentTime > 0.1")
    page.locator(".seek").focus()
    page.keyboard.press("End")
    until(page, f"{AUDIO}.currentTime > 19")
    until(page, "document.querySelector('.seek').getAttribute('aria-valuetext').startsWith('0:')")


def test_the_targets_and_the_bed_are_drawn(page):
    """A line for each target, a curve of the lead that ends with the voice."""
    assert page.locator(".aim").all_inner_texts() == [
        "social -14",
        "ebu-r128 -23",
        "at least 10 LU",
    ]
    places = page.locator(".low .short-term").get_attribute("d").replace("M", " ").split()
    last = max(float(place.split(",")[0]) for place in places)
    # The last window that the voice fills by half begins at 10.5 s: its middle is at 12 s. Beside
    # the loud burst, the blocks that hold the end of the voice by halves lie under the relative
    # gate (BS.1770), so the voice counts up to 0.3 s less.
    assert 11.7 <= last / 1200 * 20 <= 12.05


@pytest.mark.parametrize("width", [1440, 820, 390])
def test_the_page_never_scrolls_sideways(page, width: int):
    """Desk, tablet and telephone."""
    page.set_viewport_size({"width": width, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_nothing_scrolls_sideways_on_a_telephone(page):
    """Each check is read from top to bottom: no part of the page is wider than the screen."""
    page.set_viewport_size({"width": 390, "height": 900})
    wide = "[...document.querySelectorAll('main .scroll, main .card, main table')]"
    assert page.evaluate(f"{wide}.filter(e => e.scrollWidth > e.clientWidth + 1).length") == 0
    assert page.locator(".checks td").last.bounding_box()["width"] <= 390


def test_what_is_not_in_order_comes_first(page):
    """In the table no check that passes stands above one that does not."""
    words = page.locator(".checks .severity").all_inner_texts()
    order = ["Fail", "Cannot tell", "Warn", "Not published", "Pass"]
    assert words == sorted(words, key=order.index)
    verdicts = page.locator(".where .head .verdict").all_inner_texts()
    assert verdicts == sorted(verdicts, key=order.index)


def test_every_check_has_its_source_and_status(folder: Path):
    """The table holds each check of the result once, with whose number it is."""
    result = check_mix(next(folder.glob("mix*.wav")), ["social", "ebu-r128"])
    text = render_mix_page([result], folder)
    checks = [*result.checks, *(c for d in result.destinations for c in d.checks)]
    assert text.count('<th scope="row">') == len(checks)
    assert "vocheck; no large platform publishes a loudness number" in text
    assert "published standard, not confirmed at the source" in text


def test_names_are_text(folder: Path):
    """Nothing in a file name becomes part of the page."""
    result = check_mix(next(folder.glob("mix*.wav")), encode=())
    text = render_mix_page([replace(result, path=str(folder / NASTY.replace("/", "")))], folder)
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text


def test_several_mixes_share_a_page(folder: Path, tmp_path: Path):
    """Each has a section, and the first screen names all verdicts."""
    quiet = write(tmp_path / "quiet.wav", tone(5, -23))
    page = tmp_path / "two.html"
    files = [str(quiet), str(next(folder.glob("mix*.wav")))]
    run(["mix", *files, "--to", "ebu-r128", "--html", str(page), "-o", str(tmp_path / "r.txt")])
    text = page.read_text(encoding="utf-8")
    assert text.count('<section class="line"') == 2
    assert ">2 mixes</h1>" in text


def test_the_page_of_an_hour_is_small(folder: Path):
    """Curves of 3600 steps are thinned to what a screen can show: under 100 kB."""
    result = check_mix(next(folder.glob("mix*.wav")), ["social"], encode=())
    random = np.random.default_rng(5)
    levels = tuple((-20 + 5 * random.standard_normal(3600)).tolist())
    hour = replace(
        result,
        source=replace(result.source, duration_s=3600.0),
        over_time=LoudnessOverTime(
            step_s=1.0, momentary_lufs=levels, short_term_lufs=levels, voice_to_bed_lu=levels
        ),
    )
    text = render_mix_page([hour], folder)
    assert len(text) < 100_000
    assert "1:00:00" not in text
    assert ">50:00<" in text


@pytest.mark.parametrize(
    "samples",
    [
        silence(0.01),
        silence(5),
        tone(0.1, -20),
        tone(5, -20, channels=1),
        tone(4, -20, channels=6),
    ],
    ids=["a moment", "silence", "short", "mono", "5.1"],
)
def test_any_mix_has_a_page(tmp_path: Path, samples: np.ndarray):
    """Nothing to draw is no reason to fail."""
    file = write(tmp_path / "mix.wav", samples)
    text = render_mix_page([check_mix(file, ["social"])], tmp_path)
    shown, _, script = text.partition("<main")[2].partition("</main>")
    assert "nan" not in shown
    assert "NaN" not in script


@pytest.mark.parametrize(("rate", "channels"), [(48000, 2), (96000, 1), (22050, 2), (48000, 6)])
def test_a_listening_copy_of_a_mix(tmp_path: Path, rate: int, channels: int):
    """It is as long as the mix, in two channels at most, and peaks at -1 dBTP at most."""
    file = write(tmp_path / "mix.wav", tone(5, 0, rate, channels=channels), rate)
    copy = listening_copy(file)
    sound, copied = soundfile.read(io.BytesIO(base64.b64decode(copy.address.partition(",")[2])))
    assert sound.ndim == (1 if channels == 1 else 2)
    # 0.1 s: the coder pads to whole frames
    assert len(sound) / copied == pytest.approx(5.0, abs=0.1)
    # 0.6 dB: the coder turns everything down by 0.45 dB, and a tone comes back a little changed
    assert 20 * np.log10(np.abs(sound).max()) == pytest.approx(-1.0, abs=0.6)
    assert copy.gain_db <= -1.0


def test_columns_keep_the_extremes():
    """A peak and a dip of one value survive any thinning, and gaps stay gaps."""
    values = np.zeros(1000)
    values[[123, 877]] = 5, -5
    values[400:500] = np.nan
    places, low, high = columns(values, 10)
    assert len(places) == 10
    assert (high.max(initial=-9, where=~np.isnan(high)), high[1]) == (5, 5)
    assert low[8] == -5
    assert np.isnan(low[4])
    assert np.isnan(high[4])
    assert curve_path(places, high).count("M") == 2
    assert band_path(places, low, high).count("Z") == 2
