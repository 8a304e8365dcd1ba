"""What the tests of the desk share: a desk that runs, with a few takes of the demo session."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.desk.test_serve import OWN, SHARED
from tests.material.demo_session import FOLDER
from vocheck.desk.access import Keys
from vocheck.desk.app import make_app
from vocheck.desk.serve import Server
from vocheck.desk.session import Session
from vocheck.session.cache import Cache
from vocheck.session.settings import make_settings
from vocheck.session.workers import WorkerPool

TAKES = ("02_kiln_t1.flac", "02_kiln_t2.flac", "02_kiln_t3.flac")


@dataclass
class Desk:
    """A running desk.

    Attributes
    ----------
    session : Session
    server : Server
    """

    session: Session
    server: Server

    @property
    def folder(self) -> Path:
        """Where the takes are."""
        return self.session.folder

    @property
    def url(self) -> str:
        """The address that opens it."""
        return self.server.url

    def take(self, name: str) -> str:
        """Return the id of a take."""
        return self.session.views[0]._inside.id_of(self.folder / name)


@pytest.fixture(scope="session")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Cache:
    """Return a cache that the desks of the tests share: a take is measured once."""
    return Cache(tmp_path_factory.mktemp("cache"))


@pytest.fixture(scope="session")
def pool() -> Iterator[Executor]:
    """Return the workers of all desks: starting them costs more than the work of one."""
    with WorkerPool(2) as workers:
        yield workers


@contextmanager
def running(folder: Path, cache: Cache, pool: Executor, port: int = 0) -> Iterator[Desk]:
    """Yield a desk of a folder."""
    settings = make_settings([folder], cache=cache, targets=["social"], executor=pool)
    ended = threading.Event()
    session = Session(folder, settings, pool, pool)
    app = make_app(session.answers)
    keys = Keys(OWN, SHARED, "read")
    with Server(app, keys, port=port, stopping=session.answers.end) as server:
        session.start()
        looking = threading.Thread(target=session.run, args=(ended.is_set,))
        looking.start()
        try:
            yield Desk(session, server)
        finally:
            ended.set()
            looking.join()
            session.close()


def fill(folder: Path, *names: str) -> Path:
    """Put recordings of the demo session into a folder."""
    folder.mkdir(exist_ok=True)
    for name in names:
        shutil.copyfile(FOLDER / name, folder / name)
    return folder


@pytest.fixture
def desk(tmp_path: Path, cache: Cache, pool: Executor) -> Iterator[Desk]:
    """Return a running desk with three takes of one line."""
    with running(fill(tmp_path / "potter", *TAKES), cache, pool) as started:
        yield started


@pytest.fixture
def opened(browser, desk: Desk) -> Iterator[Callable[..., object]]:
    """Return what opens a view of the desk; afterwards, nothing was logged or left it."""
    said: list[str] = []
    asked: list[str] = []
    pages = []

    def open_view(view: str = "takes", url: str = "", **options: object) -> object:
        page = browser.new_page(**{"viewport": {"width": 1280, "height": 900}, **options})
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(f"{url or desk.url}#/{view}")
        pages.append(page)
        return page

    yield open_view
    for page in pages:
        page.close()
    # A change that was refused (409) is told on the page; the browser notes it as well.
    assert [words for words in said if "409 (Conflict)" not in words] == []
    assert all(address.startswith("http://127.0.0.1:") for address in asked), asked
