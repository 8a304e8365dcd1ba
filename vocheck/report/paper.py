"""What the sheets share: paper, ink, and how pages become a PDF.

The same pages give the same bytes: no date is written but the one that is given.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

A4_IN = (8.27, 11.69)
INK, SOFT, WAVE, ACCENT = "#20262b", "#56606a", "#7c8b90", "#1f5f6b"
COLORS = {
    **{"keep": "#1f6b3a", "fixable": "#7a5200", "retake": "#a3261b", "note": "#2b5a8c"},
    **{"pass": "#1f6b3a", "warn": "#7a5200", "fail": "#a3261b", "not published": "#56606a"},
    "cannot tell": "#7a5200",
}
FOOT = "vocheck. The recipient's contract and own check win over any number here."


def pdf_of(
    pages: Iterable[Figure],
    *,
    title: str,
    creator: str = "vocheck",
    made: datetime | None = None,
) -> bytes:
    """Return pages as a PDF.

    Parameters
    ----------
    pages : iterable of Figure
    title, creator : str
        For the properties of the document.
    made : datetime, optional
        When; without it the same pages are the same bytes at any time.
    """
    from matplotlib.backends.backend_pdf import PdfPages

    out = io.BytesIO()
    known = {"Title": title, "Creator": creator, "CreationDate": made}
    with PdfPages(out, metadata=known) as pdf:
        for page in pages:
            pdf.savefig(page)
    return out.getvalue()


def blank_page() -> Figure:
    """Return an empty page."""
    from matplotlib.figure import Figure

    return Figure(figsize=A4_IN)


def titled(title: str, subtitle: str) -> Figure:
    """Return a page with a title and what it says in short."""
    page = blank_page()
    page.text(0.07, 0.955, title, size=16, weight="bold", color=INK, parse_math=False)
    paragraph(page, 0.07, 0.945, subtitle, size=10, width=92)
    page.text(0.07, 0.025, FOOT, size=7.5, color=SOFT)
    return page


def paragraph(
    page: Figure, x: float, y: float, text: str, size: float, width: int, color: str = INK
) -> None:
    """Write a text wrapped to so many characters, its upper left corner at (x, y)."""
    page.text(x, y, textwrap.fill(text, width), size=size, color=color, va="top", parse_math=False)


def blank(page: Figure, place: tuple[float, float, float, float]) -> Axes:
    """Return a part of a page to write in, both its sides 0 to 1."""
    axes = page.add_axes(place)
    axes.set(xlim=(0, 1), ylim=(0, 1))
    axes.axis("off")
    return axes


def quiet(axes: Axes) -> None:
    """Take away from a drawing what is not needed to read it."""
    axes.tick_params(labelsize=6.5, colors=SOFT, length=2)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(SOFT)
