"""What the tests of the pages share: a browser, and a page that is watched."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.material.demo_session import FOLDER
from vocheck.cli import run

NASTY = '<script>alert("x")</script>&\'" ="'
"""A remark, and a name, that tries to be part of the page."""


@pytest.fixture
def watched(browser) -> Iterator[Callable[[Path], object]]:
    """Return what opens a page; on the way out, nothing was logged and nothing left the file."""
    said: list[str] = []
    asked: list[str] = []
    pages = []

    def opened(file: Path, **options: object) -> object:
        page = browser.new_page(**{"viewport": {"width": 1280, "height": 900}, **options})
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(file.as_uri())
        pages.append(page)
        return page

    yield opened
    for page in pages:
        page.close()
    assert said == []
    assert all(url.startswith(("file:", "data:", "blob:")) for url in asked), asked


@pytest.fixture(scope="session")
def kiln(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with one line of the demo session, nasty notes, and both of its pages.

    A nasty name is one of them: a take in a line of its own.
    """
    folder = tmp_path_factory.mktemp("potter")
    for file in FOLDER.glob("02_kiln_t*.flac"):
        shutil.copy(file, folder)
    shutil.copy(
        FOLDER / "02_kiln_t3.flac", folder / "<script>alert(1)<&'\"_t1.flac".replace("/", "")
    )
    quoted = NASTY.replace('"', '""')
    (folder / "notes.csv").write_text(
        f'take,circled,rating,remark\n02_kiln_t2,x,5,"{quoted}"\n', encoding="utf-8"
    )
    for command, sound in (("rank", []), ("comp", ["--embed-audio"])):  # with the path as joined
        page = folder / f"{command}.html"
        asked = [command, str(folder), "--html", str(page), "-o", str(folder / "r.txt")]
        assert run([*asked, *sound]) < 2
    return folder
