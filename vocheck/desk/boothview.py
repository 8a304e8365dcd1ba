"""The booth's view: the stage that the pages are."""

from __future__ import annotations

from vocheck.booth import Booth
from vocheck.desk.board import Board
from vocheck.plain import plain
from vocheck.report.booth_page import render_state
from vocheck.script.text import Script
from vocheck.session.take import TakeResult
from vocheck.wording.booth import Screen, spoken, standing_by

NAME = "booth"
"""Of the value on the board."""


class BoothView:
    """Shows the booth on the board, as a piece of HTML.

    Parameters
    ----------
    board : Board
    booth : Booth
    script : Script or None
        Its words are shown with the line to record next.
    """

    def __init__(self, board: Board, booth: Booth, script: Script | None) -> None:
        self._board = board
        self._booth = booth
        self._script = script
        self._rings = 0
        self._screen = standing_by()
        self._show(self._screen)

    def found(self, count: int) -> None:
        """Tell how many were there before."""
        self._show(standing_by(), f"Recorded before: {count}. Measuring.")

    def lines(self, screen: Screen) -> None:
        """Show the table of lines."""
        self._show(screen)

    def verdict(self, screen: Screen) -> None:
        """Show what came last."""
        self._show(screen)

    def words(self, screen: Screen, take: TakeResult) -> None:  # noqa: ARG002 (of a stage)
        """Show a take again once its words were heard."""
        self._show(screen)

    def note(self, screen: Screen, note: str) -> None:
        """Show what stands there now, and what has happened."""
        self._show(screen, note)

    def ring(self) -> None:
        """Ring on every page."""
        self._rings += 1
        self._show(self._screen)

    def trouble(self, problem: str) -> None:
        """Show what is wrong with the folder; empty where nothing is."""
        self._board.set("trouble", plain(problem) or None)

    def _show(self, screen: Screen, note: str = "") -> None:
        self._screen = screen
        self._board.set(
            NAME,
            {
                "html": render_state(screen, self._booth, self._script, note),
                "title": plain(" ".join(filter(None, (screen.word, screen.title))) or "Booth"),
                "said": plain(spoken(screen)),
                "rings": self._rings,
            },
        )
