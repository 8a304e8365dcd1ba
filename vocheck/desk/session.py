"""A session at the desk: the folder is watched, and what is found is shown on the board."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from vocheck.booth import Booth
from vocheck.booth.folder import Watcher
from vocheck.desk.app import Answers
from vocheck.desk.board import Board
from vocheck.desk.boothview import BoothView
from vocheck.desk.inside import Inside
from vocheck.desk.lines import Lines
from vocheck.desk.mixes import Measured
from vocheck.desk.notes import NoteBook
from vocheck.desk.numbers import Limits
from vocheck.desk.pictures import Pictures
from vocheck.desk.sound import Sounds
from vocheck.desk.standby import Standby, handle_safely
from vocheck.policy.every import Policy
from vocheck.report.page.desk import VIEWS
from vocheck.session.settings import Settings

if TYPE_CHECKING:
    from vocheck.booth.folder import Event
    from vocheck.desk.views import View

LOOK_S = 0.2
"""How often the folder is looked at."""


class Session:
    """What happens in one folder, shown in every view.

    Parameters
    ----------
    folder : Path
    settings : Settings
        With the executor that new takes are measured in.
    bench : concurrent.futures.Executor
        Where lines are ranked, so that no verdict waits for that.
    hand : concurrent.futures.Executor
        Where is done what somebody has asked for and waits for.

    Attributes
    ----------
    board : Board
    answers : Answers
        What a browser can ask for.
    """

    def __init__(self, folder: Path, settings: Settings, bench: Executor, hand: Executor) -> None:
        self.folder = folder
        self.settings = settings
        self.board = Board()
        self.booth = Booth(filter(None, settings.script or ()), 1, settings.policy)
        self._stage = BoothView(self.board, self.booth, settings.script)
        self._watcher = Watcher(folder)
        self._standby = Standby(self._watcher, self.booth, settings, None, [self._stage])
        self._trouble = ""
        inside = Inside(folder)
        lines = Lines(self.board, inside, settings, bench)
        measured = Measured(self.board, inside, lines, settings.policy, hand)
        self._lines, self._measured = lines, measured
        self._sounds = Sounds(inside, hand)
        self.views: tuple[View, ...] = (
            lines,
            NoteBook(self.board, inside, lines),
            Pictures(inside, hand),
            measured,
            Limits(self.board, folder, settings.policy, self._rejudge),
        )
        names = ("booth", *(name for view in self.views for name in view.names))
        order = tuple(name for name in VIEWS if name in names)
        self.answers = Answers(self.board, order, folder.resolve().name)
        self.answers.gets |= self._sounds.gets
        for view in self.views:
            self.answers.gets |= view.gets
            self.answers.posts |= view.posts

    def start(self) -> None:
        """Get workers ready, and look at the folder for the first time."""
        self._standby.warm_up()
        self._look_at_views(changed=True)
        self._watcher.poll(time.monotonic())

    def look(self) -> None:
        """Look at the folder once, and show what has happened."""
        events = self._watcher.poll(time.monotonic())
        self.tell_trouble(self._watcher.problem)
        self._standby.catch_up(events, self._measured_before)
        if self._lines.held:
            self._lines.release()  # what was there before is known now: nothing is measured twice
        for event in events:
            self._take_in(event)
        self._look_at_views(changed=bool(events))

    def _measured_before(self, done: int, of: int) -> None:
        self._lines.tell_progress(done, of)
        self._look_at_views(changed=False)

    def _look_at_views(self, changed: bool) -> None:
        for view in self.views:
            view.look(changed)

    def _take_in(self, event: Event) -> None:
        wrong = handle_safely(self._standby, event)
        if wrong:
            self.tell_trouble(wrong)

    def tell_trouble(self, problem: str) -> None:
        """Show what is wrong with the folder on every page; empty where nothing is."""
        if problem != self._trouble:
            self._trouble = problem
            self._stage.trouble(problem)

    def _rejudge(self, policy: Policy) -> None:
        """Judge everything anew, as other settings say; nothing is measured again."""
        self.settings = replace(
            self.settings,
            policy=policy,
            destinations=policy.find_destinations([d.name for d in self.settings.destinations]),
        )
        self._standby.rejudge(self.settings)
        self._lines.rejudge(self.settings)
        self._measured.rejudge(policy)

    def close(self) -> None:
        """Remove what was made for this run only."""
        self._sounds.close()

    def run(self, ended: Callable[[], bool]) -> None:
        """Look again and again until the session has ended."""
        while not ended():
            self.look()
            time.sleep(LOOK_S)
