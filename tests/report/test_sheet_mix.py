"""The sheet of a mix: read back by PDFium, and the drawing by what matplotlib holds of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from matplotlib.axes import Axes

from tests.mix.signals import noise, tone, write
from tests.report.test_sheet import text_of
from vocheck import __version__
from vocheck.cli import run
from vocheck.mix import LoudnessOverTime, MixResult, check_mix
from vocheck.report.sheet_mix import SheetHead, pages_of, render_mix_pdf

HEAD = SheetHead(checked=datetime(2024, 5, 6, 7, 8, tzinfo=UTC), sha256={})


@pytest.fixture(scope="module")
def stepped(tmp_path_factory: pytest.TempPathFactory) -> MixResult:
    """Return a mix that steps from -40 to -20 LUFS at 10 s."""
    path = tmp_path_factory.mktemp("sheet") / "mix.wav"
    return check_mix(write(path, np.concatenate([tone(10, -40), tone(10, -20)])), ["ebu-r128"])


def drawing(result: MixResult) -> Axes:
    (axes,) = [a for a in pages_of(result, HEAD)[0].axes if a.get_ylabel().startswith("LUFS")]
    return axes


def test_both_curves_stand_at_the_middle_of_their_windows(stepped: MixResult) -> None:
    """Where the tone steps, 3 s and 0.4 s rise around the same place."""
    axes = drawing(stepped)
    (line,) = [line for line in axes.lines if line.get_label() == "short-term (3 s)"]
    times, levels = line.get_data()
    # closed form: half of the window is loud where its middle is at the step: -23 LUFS
    crossing = np.interp(-23.0, np.asarray(levels, float), np.asarray(times, float))
    assert crossing == pytest.approx(10.0, abs=0.15)
    (band,) = axes.collections
    outline = band.get_paths()[0].vertices
    assert outline[:, 0].min() == pytest.approx(0.2, abs=0.06)
    rising = outline[np.abs(outline[:, 1] + 23.0) < 2.0][:, 0]
    assert rising.mean() == pytest.approx(10.0, abs=0.3)


def test_it_says_what_was_checked_when_and_by_what(stepped: MixResult) -> None:
    """Title, file, hash, date, version, a line to sign, and whose word counts."""
    digest = "ab" * 32
    pdf = render_mix_pdf([stepped], replace(HEAD, title="Potter", sha256={stepped.path: digest}))
    text = " ".join(text_of(pdf)[0].split())
    told = ("Potter", "mix.wav", digest, "2024-05-06 07:08", f"vocheck {__version__}", "Signature")
    for words in told:
        assert words in text
    assert "contract and own check win" in text


def test_the_verdict_stands_above_the_drawing(stepped: MixResult) -> None:
    """File, verdict, drawing, checks: in this order down the page."""
    page = pages_of(stepped, HEAD)[0]
    heights = {text.get_text(): text.get_position()[1] for text in page.texts}
    top = drawing(stepped).get_position().y1
    checks = [y for words, y in heights.items() if words.startswith("fail:")]
    assert heights["mix.wav"] > heights["FAIL"] > top > max(checks)


def test_the_date_is_given_not_read_from_the_clock(stepped: MixResult) -> None:
    """The same results and the same date give the same bytes."""
    assert render_mix_pdf([stepped], HEAD) == render_mix_pdf([stepped], HEAD)
    assert b"D:20240506070800" in render_mix_pdf([stepped], HEAD)


def test_one_channel_is_drawn_and_told_alike(tmp_path: Path) -> None:
    """The curve is in the reading of the axis, and both readings are told with their names."""
    mono = check_mix(write(tmp_path / "mono.wav", tone(10, -20, channels=1)), ["ebu-r128"])
    axes = drawing(mono)
    (line,) = [line for line in axes.lines if line.get_label() == "short-term (3 s)"]
    assert np.max(line.get_ydata()) == pytest.approx(-23.0, abs=0.1)  # Tech 3341, one channel
    assert axes.get_ylabel() == "LUFS, one channel as one"
    text = " ".join(text_of(render_mix_pdf([mono], HEAD))[0].split())
    assert "-23.0 LUFS as one channel, -20.0 LUFS as heard from two speakers" in text
    heard = drawing(check_mix(mono.path, ["social"]))
    assert heard.get_ylabel() == "LUFS, as heard from two speakers"


def test_an_hour_is_drawn_in_minutes_and_not_as_a_block(stepped: MixResult) -> None:
    """The axis is in minutes, and what is drawn of an hour leaves most of the paper white."""
    random = np.random.default_rng(2)
    short_term = -24.0 + 2.0 * random.standard_normal(3598)
    momentary = -24.0 + 8.0 * random.standard_normal(3600)
    hour = replace(
        stepped,
        source=replace(stepped.source, duration_s=3600.0),
        over_time=LoudnessOverTime(
            step_s=1.0, momentary_lufs=tuple(momentary), short_term_lufs=tuple(short_term)
        ),
    )
    axes = drawing(hour)
    labels = [label.get_text() for label in axes.get_xticklabels()]
    assert labels[:2] == ["0:00", "10:00"]
    (band,) = axes.collections
    heights = np.ptp(band.get_paths()[0].vertices[:, 1])
    assert heights < 20.0  # the momentary loudness would span 50 LU


def test_what_does_not_fit_goes_on_on_the_next_page(tmp_path: Path) -> None:
    """No destination is left out, however many there are."""
    names = ["social", "ebu-r128", "ebu-short", "spotify", "podcast", "netflix", "alexa", "x"]
    result = check_mix(write(tmp_path / "mix.wav", noise(5, -30)), names, encode=())
    pages = text_of(render_mix_pdf([result], HEAD))
    assert len(pages) > 1
    text = " ".join(" ".join(pages).split())
    for destination in result.destinations:
        assert f"({destination.name})" in text
    assert all("Signature" in page for page in pages)
    assert f"page {len(pages)} of {len(pages)}" in pages[-1]


def test_the_command_gives_hash_and_date(tmp_path: Path) -> None:
    """`vocheck mix --pdf` writes the hash of the file that it read."""
    import hashlib

    path = write(tmp_path / "mix.wav", tone(5, -20))
    out = tmp_path / "mix.pdf"
    assert run(["mix", str(path), "--pdf", str(out), "-o", str(tmp_path / "report.txt")]) in (0, 1)
    text = " ".join(text_of(out.read_bytes())[0].split())
    assert hashlib.sha256(path.read_bytes()).hexdigest() in text
    assert "checked 20" in text
