"""The page of the desk: a frame that holds nothing of a session; what it shows comes later."""

from __future__ import annotations

from vocheck.report.page.template import render

VIEWS = {
    "booth": "Booth",
    "takes": "Takes",
    "phrases": "Phrases",
    "mix": "Mix",
    "room": "Room",
    "limits": "Limits",
}
"""The views by their names in addresses, as they are called."""


def render_shell(title: str, views: tuple[str, ...], *, may_write: bool) -> str:
    """Return the page.

    Parameters
    ----------
    title : str
        Of the session.
    views : tuple of str
        Those that there are, of `VIEWS`.
    may_write : bool
        Whether notes and settings can be changed on it.
    """
    return render(
        "desk.html",
        title=title,
        views=[(name, VIEWS[name]) for name in views],
        may_write=may_write,
    )
