"""The PDF, read back by PDFium."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from pypdfium2 import PdfDocument

from tests.material.demo_session import FOLDER
from vocheck.cli import run
from vocheck.mix import check_mix
from vocheck.report.sheet import render_session_pdf
from vocheck.report.sheet_mix import render_mix_pdf
from vocheck.takes.overview import Overview, make_overview


@cache
def overview() -> Overview:
    return make_overview(sorted(FOLDER.glob("0[12]_*.flac")), notes={})


def text_of(pdf: bytes) -> list[str]:
    """Return the text of each page, as PDFium reads it."""
    with PdfDocument(pdf) as document:
        return [page.get_textpage().get_text_bounded() for page in document]


def test_one_page_per_line_with_every_take():
    """The table of lines comes first; then each page names its line and ranks its takes."""
    first, *pages = text_of(render_session_pdf(overview(), "potter"))
    assert len(pages) == 2
    assert "what to know" in first
    assert "2 lines, 8 takes." in first
    for page, line in zip(pages, ("01_river", "02_kiln"), strict=True):
        assert f"potter: {line}" in page
        for take in range(1, 5):
            assert f"take {take}" in page


def test_a_mix_page_tells_the_verdict_of_each_destination():
    """The page names destination, verdict and status."""
    result = check_mix(FOLDER / "mix.flac", ["social", "ebu-r128"])
    (page,) = text_of(render_mix_pdf([result]))
    for destination in result.destinations:
        assert destination.title in page
        assert destination.verdict.upper() in page


def test_the_same_results_give_the_same_bytes():
    """No date, no clock, no random name."""
    assert render_session_pdf(overview(), "a") == render_session_pdf(overview(), "a")
    result = check_mix(FOLDER / "mix.flac", ["social"])
    assert render_mix_pdf([result]) == render_mix_pdf([result])


def test_a_title_that_looks_like_mathematics_stays_text():
    """File names are untrusted: a dollar sign is no formula."""
    assert render_session_pdf(overview(), r"$\frac{$ _x^").startswith(b"%PDF")


def test_the_commands_write_the_pdf(tmp_path: Path):
    """`vocheck mix --pdf` and `vocheck rank --pdf` leave a PDF beside their report."""
    report = ["-o", str(tmp_path / "report.txt")]
    mix, session = tmp_path / "mix.pdf", tmp_path / "session.pdf"
    run(["mix", str(FOLDER / "mix.flac"), "--to", "social", "--pdf", str(mix), *report])
    run(["rank", str(FOLDER / "01_river_t1.flac"), "--pdf", str(session), *report])
    assert mix.read_bytes().startswith(b"%PDF")
    assert session.read_bytes().startswith(b"%PDF")
