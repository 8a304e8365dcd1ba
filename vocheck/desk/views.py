"""What a view of the desk is, beside the booth's."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from vocheck.desk.app import Answer


class View(Protocol):
    """A view: what it shows stands on the board; what else it answers, under its own addresses.

    Attributes
    ----------
    names : tuple of str
        Those of `vocheck.report.page.desk.VIEWS` that it is.
    gets, posts : mapping of str to Answer
        By address.
    """

    names: tuple[str, ...]
    gets: Mapping[str, Answer]
    posts: Mapping[str, Answer]

    def look(self, changed: bool) -> None:
        """Bring the board up to date; called again and again, from the session's thread.

        Parameters
        ----------
        changed : bool
            Whether anything has happened to a recording of the folder.
        """

    def close(self) -> None:
        """End what the view has begun."""
